"""One scheduled run: run the job, log it, send new alarms, and classify how it ended."""

import datetime as dt
import errno
from asyncio import CancelledError
from dataclasses import dataclass, field
from time import perf_counter
from typing import Any
from zoneinfo import ZoneInfo

from flows.pipeline.job_result import JobResult
from flows.pipeline.jobs import run_job
from flows.runtime.language import workspace_language
from flows.runtime.progress import Reporter
from flows.scheduling.messages import send_message
from flows.scheduling.notify import alarm_row, notify, select_new_alarms
from flows.scheduling.schedule import POST_SHIFT
from reports.language.bidi import without_isolates
from reports.language.error_text import error_text
from reports.language.reason_text import format_reason
from reports.language.translate import local_moment, say, say_n
from reports.message import run_message
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Season, Workspace
from transforms.errors import ConsistencyError, WorkspaceError, locate_error
from transforms.operations.alarms import Alarm, alarms, join_alarms, publish_alarms
from transforms.operations.join_sources import find_join_findings
from transforms.storage.lock import lock_workspace
from transforms.storage.run_log import RunLog
from transforms.storage.warehouse import Warehouse

LOCK_WAIT_S = 6 * 3600.0
"""Maximum time that a run waits for another run to release the workspace, s."""
COMPLETED, CAUGHT_UP, DATA_ISSUE, WRONG_WORKSPACE, SYSTEM, INTERNAL = (
    "Completed",
    "Caught up",
    "Data issue",
    "Workspace is wrong",
    "Disk or network",
    "Internal error",
)
"""State names of a finished run; the first three are successful.

The sender of the data resolves a data issue; an internal error is a defect of taretrace.
"""
MODEL_CHECK = "Model check failed"
"""State of a successful run whose fit must be reviewed before anybody acts on its advice."""
NOT_PUBLISHED = "Pages not published"
"""State of a successful run whose pages are in the workspace, but not all in the folder of `[publish]`."""
ENDED_WELL = (COMPLETED, CAUGHT_UP, DATA_ISSUE, MODEL_CHECK, NOT_PUBLISHED)
LOGGED_STATES = {
    COMPLETED: "completed",
    CAUGHT_UP: "caught_up",
    DATA_ISSUE: "data_issue",
    MODEL_CHECK: "model_check_failed",
    NOT_PUBLISHED: "not_published",
    WRONG_WORKSPACE: "wrong_workspace",
    SYSTEM: "disk_or_network",
    INTERNAL: "internal_error",
}
"""State name -> code in the log."""
NOTIFIED = "told"
"""Log event of a notification; existing logs contain this name, so it cannot change."""


@dataclass(frozen=True)
class RunOutcome:
    """Outcome of a run.

    Attributes:
        name: state name, one of the constants above.
        says: one sentence on the outcome.
        done: result of the job; empty if it failed.
        alarms: alarms that a person should know.
        sent: number of addresses that received the message about the run.
        undelivered: one sentence per failed delivery.
    """

    name: str
    says: str
    done: JobResult = field(default_factory=JobResult)
    alarms: list[Alarm] = field(default_factory=list)
    sent: int = 0
    undelivered: list[str] = field(default_factory=list)


def _classify_error(problem: BaseException) -> RunOutcome:
    if isinstance(problem, WorkspaceError):
        return RunOutcome(WRONG_WORKSPACE, error_text(problem))
    if isinstance(problem, ConsistencyError):
        says = say(
            "the consistency check {check} found {rows} rows; the data are not the cause, please report the error",
            check=problem.check,
            rows=problem.rows,
        )
        return RunOutcome(INTERNAL, says)
    if isinstance(problem, OSError):
        if problem.errno == errno.ENOSPC:
            return RunOutcome(SYSTEM, say("the disk is full; no data are lost, the next run continues from here"))
        says = say(
            "the file system reported an error ({detail}); no data are lost, the next run continues from here",
            detail=problem.strerror,
        )
        return RunOutcome(SYSTEM, says)
    place = locate_error(problem)
    return RunOutcome(INTERNAL, say("{place}; the workspace is intact, the next run tries again", place=place))


def run_scheduled(
    job: str, workspace: Workspace, slot: dt.datetime | None = None, log: RunLog | None = None
) -> RunOutcome:
    """Run a job once and log how it ended; only interrupts raise.

    Args:
        job: name of the job.
        workspace: the workspace.
        slot: time when the job was due, UTC; the run is skipped if a run that began since then was successful.
        log: log of the run; by default that of the workspace.

    Returns:
        The outcome, also if the job failed.
    """
    with workspace_language(workspace.root):
        return _run_in_language(job, workspace, slot, log or RunLog(workspace.log))


def _run_in_language(job: str, workspace: Workspace, slot: dt.datetime | None, log: RunLog) -> RunOutcome:
    began_at, started_s = log.clock(), perf_counter()
    try:
        _ = workspace.season
        with lock_workspace(workspace.root, job, LOCK_WAIT_S):
            if slot is not None and log.done_since(job, slot):
                since = local_moment(slot.astimezone(ZoneInfo(workspace.season.time_zone)))
                return RunOutcome(CAUGHT_UP, say("a run since {since} has already done this job", since=since))
            began_at = log.clock()
            log.write(job, "began", due=slot)
            ended = _run_and_notify(job, workspace, log)
    except (KeyboardInterrupt, SystemExit, GeneratorExit, CancelledError):
        raise
    except BaseException as problem:  # noqa: BLE001 - a panic in a library is not an `Exception`
        ended = _classify_error(problem)
    log.write(
        job,
        "ended" if ended.name in ENDED_WELL else "failed",
        state=ended.name,
        reason_code=LOGGED_STATES[ended.name],
        says=without_isolates(ended.says),
        due=slot,
        began_at=began_at.isoformat(),
        seconds=round(perf_counter() - started_s, 1),
        **_count_rows(ended.done),
        **_describe_delivery(ended),
        alarms=[alarm_row(a, workspace.season.catalogue) for a in ended.alarms],
    )
    return ended


def _run_and_notify(job: str, workspace: Workspace, log: RunLog) -> RunOutcome:
    reporter = Reporter(quiet=True)
    reporter.log = lambda **facts: log.write(job, "stage", **facts)
    done = run_job(job, workspace, reporter)
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        joins = join_alarms(find_join_findings(warehouse, workspace))
        found = [*joins, *alarms(warehouse, done.received, workspace.season.notify)]
    return _notify(job, workspace, done, [*found, *publish_alarms(done.published)], log)


def _count_rows(done: JobResult) -> dict[str, int]:
    keys = ("rows_in", "rows_accepted", "rows_rejected", "rows_repeated")
    counts = {key: sum(getattr(r, key) for r in done.received) for key in keys}
    files = len({r.file for r in done.received})
    return {"files": files, "failed_files": sum(bool(r.failed) for r in done.received), **counts}


def _describe_delivery(ended: RunOutcome) -> dict[str, Any]:
    published = ended.done.published
    is_published = published is not None and published.fault is None
    return {
        "pages": len(ended.done.pages),
        "published_in": str(published.folder) if published is not None and is_published else None,
        "sent": ended.sent,
        "undelivered": ended.undelivered,
    }


def _send_message(job: str, done: JobResult, fresh: list[str], season: Season) -> tuple[int, list[str]]:
    """Send the shift page and the sentences of new alarms; return the number of deliveries and failures in words."""
    to = season.notify.to
    message = run_message(done.pages if job == POST_SHIFT else [], fresh, season, done.published) if to else None
    if message is None:
        return 0, []
    failures = send_message(message, to)
    return len(to) - len(failures), failures


def _notify(job: str, workspace: Workspace, done: JobResult, found: list[Alarm], log: RunLog) -> RunOutcome:
    """Send new alarms to the recipients in season.toml and return the outcome of the run."""
    season = workspace.season
    last = log.last("notify", NOTIFIED)
    reported = {(a["kind"], a["subject"]) for a in last["standing"]} if last else set()
    fresh, root = select_new_alarms(found, reported), str(workspace.root.resolve())
    sent, unsent = _send_message(job, done, [format_reason(a.why, season.catalogue) for a in fresh], season)
    failures = [*notify(fresh, season.name, root, job, season.notify, season.catalogue), *unsent]
    # The next run repeats alarms that could not be delivered. An alarm that has ended is reported again if it recurs.
    log.write(
        "notify",
        NOTIFIED,
        fresh=len(fresh),
        wrong=failures,
        standing=[{"kind": a.kind, "subject": a.subject} for a in found if not failures or a not in fresh],
    )
    name, says = _classify(done, found, season.catalogue)
    return RunOutcome(name, says, done, found, sent, failures)


def _classify(done: JobResult, found: list[Alarm], catalogue: Catalogue) -> tuple[str, str]:
    """Return the state of a finished job and a sentence on it."""
    if failed := [r.file for r in done.received if r.failed]:
        says = say_n(
            "an internal error with {n} file; all others were ingested",
            "an internal error with {n} files; all others were ingested",
            len(failed),
        )
        return INTERNAL, says
    if not found:
        return COMPLETED, say("the run was successful")
    of_model = MODEL_CHECK if any(a.is_of_model for a in found) else NOT_PUBLISHED
    says = "; ".join(format_reason(a.why, catalogue) for a in found)
    return DATA_ISSUE if any(a.is_of_data for a in found) else of_model, says


def received_file_rows(ended: RunOutcome) -> list[dict[str, Any]]:
    """Return one row per received file, with its row counts."""
    keys = ("file", "kind", "rows_in", "rows_accepted", "rows_rejected", "rows_repeated")
    return [{key: getattr(r, key) for key in keys} for r in ended.done.received]
