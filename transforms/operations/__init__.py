"""Health checks, alarms, lineage, backup and export."""
