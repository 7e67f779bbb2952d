"""Telemetry processing: working states, sensor faults, 30 s bins, unloading events and retention."""
