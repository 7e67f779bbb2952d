"""Data contracts: schemas of source tables, units, and names."""
