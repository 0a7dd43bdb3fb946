"""Bench measurements: pure analysis of records, the procedures that make the records, and the report."""
