"""Ingestion of source files: every row is accepted, rejected with a reason, or counted as repeated."""
