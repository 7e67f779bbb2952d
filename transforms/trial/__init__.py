"""Split-run trials: how many loads a question takes, which load at which setting, and what came of it."""
