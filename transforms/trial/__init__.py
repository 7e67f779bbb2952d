"""Split-run trials: sample size, random order of the arms, and analysis."""
