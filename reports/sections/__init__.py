"""Sections that pages share."""
