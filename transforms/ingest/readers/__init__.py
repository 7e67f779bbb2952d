"""One reader per file format."""
