"""Checks of a fit: measured evidence of possible problems, stored with every fit."""
