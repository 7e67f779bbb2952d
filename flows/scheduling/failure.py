"""Report of a failed run, which cannot report itself if its process died."""

from flows.runtime.language import workspace_language
from flows.scheduling.messages import send_message
from flows.scheduling.notify import notify
from flows.scheduling.schedule import REPORT_FAILURE
from reports.language.reason_text import format_reason
from reports.message import run_message
from transforms.config.workspace import Workspace
from transforms.contracts.reason import reason
from transforms.operations.alarms import FAILED_RUN, Alarm


def send_failure(workspace: Workspace, run: str, message: str) -> list[str]:
    """Send that a run failed to all recipients of [notify].

    Args:
        workspace: the workspace of the run.
        run: name of the run.
        message: message of its final state.

    Returns:
        One sentence per failed delivery.
    """
    season = workspace.season
    alarm = Alarm(FAILED_RUN, run, reason("failed_run", run=run, detail=message))
    with workspace_language(workspace.root):
        root = str(workspace.root.resolve())
        failures = notify([alarm], season.name, root, REPORT_FAILURE, season.notify, season.catalogue)
        letter = run_message([], [format_reason(alarm.why, season.catalogue)], season)
        if letter is not None and season.notify.to:
            failures += send_message(letter, season.notify.to)
    return failures
