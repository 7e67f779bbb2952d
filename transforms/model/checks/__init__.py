"""Checks stored with every fit: what could be wrong with it, measured."""
