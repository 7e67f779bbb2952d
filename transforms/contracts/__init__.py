"""Schemas of tables, and units."""
