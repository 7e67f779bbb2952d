"""Stages as Prefect tasks, and the flows that sequence them."""
