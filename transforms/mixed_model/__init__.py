"""Linear mixed models by restricted maximum likelihood, independent of the rest of the project."""
