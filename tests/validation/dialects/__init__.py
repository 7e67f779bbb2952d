"""Invented offices: exports of all kinds in many languages and layouts, with their truth."""
