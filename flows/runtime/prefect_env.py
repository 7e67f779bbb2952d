"""Environment of the embedded Prefect: state in the workspace, no analytics, no console log, no separate server."""

import os
from pathlib import Path

QUIET = {
    "PREFECT_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_TO_API_ENABLED": "false",
    "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "DO_NOT_TRACK": "1",
    "PREFECT_CLI_COLORS": "false",
    "PREFECT_SERVER_EPHEMERAL_ENABLED": "false",
    "PREFECT_FLOWS_HEARTBEAT_FREQUENCY": "600",
}


def settle_prefect(home: Path) -> None:
    """Set the environment of Prefect; call it before Prefect is first imported. Variables already set are kept."""
    os.environ.setdefault("PREFECT_HOME", str(home))
    for name, value in QUIET.items():
        os.environ.setdefault(name, value)
