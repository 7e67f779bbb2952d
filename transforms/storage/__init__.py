"""Warehouse, lake, lock, migrations and run log."""
