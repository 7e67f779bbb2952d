"""Marts in, charts and pages out."""
