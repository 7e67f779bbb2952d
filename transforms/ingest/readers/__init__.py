"""Readers, one per file format."""
