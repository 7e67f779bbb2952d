"""Read-only access to a season from Python; users import it as `taretrace`."""
