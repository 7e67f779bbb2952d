"""Scheduled runs: schedule, flows, service, run and notifications."""
