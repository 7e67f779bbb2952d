"""Looks at an export nobody has described yet and proposes how to read it, with a reason and a confidence a column."""
