"""Proposal of a mapping for an export without one, with reasons and confidence per column."""
