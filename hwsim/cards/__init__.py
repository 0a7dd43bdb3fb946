"""Shipped motor and lens cards (invented)."""
