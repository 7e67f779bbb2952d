"""The fleet compared fairly: what conditions, settings and neither explain of each machine, operator, grower, field."""
