"""Orchestration: the command line, the stages of a run, and the Prefect flows that schedule them."""
