"""One chart a file, each from one query of a mart."""
