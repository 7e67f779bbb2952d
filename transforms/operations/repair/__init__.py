"""Repair of a damaged workspace."""
