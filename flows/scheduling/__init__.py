"""Scheduled runs: schedule, flows, service, single run and notifications."""
