"""Joins between sources: rows that match nothing, and figures of two sources that differ by a unit."""
