"""Workspace configuration: strict validation of `season.toml` and of the mappings."""
