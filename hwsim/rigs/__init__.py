"""Shipped rigs (invented)."""
