"""Strict validation of the TOML files of a workspace: `season.toml` and the mappings."""
