"""The fit: which settings drive dirt and root loss under which conditions, and how surely."""
