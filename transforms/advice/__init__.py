"""Advice on settings: effects converted to cost, and at most three moves for the next shift."""
