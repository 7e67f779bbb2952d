"""Designed variation: settings varied by plan between pairs of loads, within what was tried, where it pays to know."""
