"""Repair of a damaged workspace from what is left: inbox, copies of received files, telemetry, mapping copies."""
