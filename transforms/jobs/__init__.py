"""Picklable jobs over the fitted model and the guide."""
