"""Stages as Prefect tasks and the flows that order them."""
