"""Sections of pages."""
