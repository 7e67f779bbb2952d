"""Environment of the embedded Prefect: state in the workspace, no analytics, a silent console.

Logs of runs are sent to the server, which shows them in the Logs tab of a run.
"""

import os
from pathlib import Path

QUIET = {
    "PREFECT_LOGGING_LEVEL": "INFO",
    "PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL": "CRITICAL",
    "PREFECT_LOGGING_TO_API_ENABLED": "true",
    "PREFECT_LOGGING_TO_API_WHEN_MISSING_FLOW": "ignore",
    "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "DO_NOT_TRACK": "1",
    "PREFECT_CLI_COLORS": "false",
    "PREFECT_SERVER_EPHEMERAL_ENABLED": "false",
    "PREFECT_DEPLOYMENTS_CLEAR_SCHEDULES_ON_EMPTY": "true",
    "PREFECT_FLOWS_HEARTBEAT_FREQUENCY": "600",
}


def settle_prefect(home: Path) -> None:
    """Set the environment of Prefect; call it before Prefect is first imported. Variables already set are kept."""
    os.environ.setdefault("PREFECT_HOME", str(home))
    for name, value in QUIET.items():
        os.environ.setdefault(name, value)
