"""When and in what order: Prefect flows and the command line."""
