"""Outcome of advice: what machines did with it, and what it saved."""
