"""Soil and weather conditions of each field by hour."""
