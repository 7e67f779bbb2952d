"""Tracing of weighed loads to the minutes of lifting that filled them."""
