"""Charts: one per module, each drawn from one query of a mart."""
