"""Names of columns that exist only while rows are read."""

MARK = "\x1f"
"""Prefix of internal column names; it cannot occur in the column names of a file."""
