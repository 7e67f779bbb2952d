"""Picklable jobs: fits, tables and checks of fits, the setting guide."""
