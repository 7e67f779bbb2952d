"""One scheduled run from beginning to end: run the job, log it, tell what came of it, and whose trouble it is."""

import datetime as dt
import errno
import traceback
from asyncio import CancelledError
from dataclasses import asdict, dataclass, field
from pathlib import Path
from time import perf_counter
from typing import Any

from flows.pipeline.jobs import Done, run_job
from flows.runtime.progress import Reporter
from flows.scheduling.notify import news, notify
from transforms.config.workspace import Workspace
from transforms.errors import ConsistencyError, WorkspaceError
from transforms.operations.alarms import Alarm, alarms
from transforms.storage.lock import held
from transforms.storage.run_log import RunLog
from transforms.storage.warehouse import Warehouse

PATIENCE_S = 6 * 3600.0
"""So long a run waits for the one before it."""
WELL, CAUGHT_UP, DATA, WRONG, SYSTEM, OURS = (
    "Completed",
    "Caught up",
    "Data trouble",
    "Workspace is wrong",
    "Disk or network",
    "Fault of ours",
)
"""How a run ends: the first three end well. Data trouble is for whoever sends the data, a fault of ours for us."""
MODEL = "Model check failed"
"""The pages are written, but the fit should be looked at before anybody acts on its advice."""
ENDED_WELL = (WELL, CAUGHT_UP, DATA, MODEL)
REASON_CODES = {
    WELL: "completed",
    CAUGHT_UP: "caught_up",
    DATA: "data_issue",
    MODEL: "model_check_failed",
    WRONG: "wrong_workspace",
    SYSTEM: "disk_or_network",
    OURS: "internal_error",
}


@dataclass(frozen=True)
class RunOutcome:
    """How a run ended.

    Attributes:
        name: one of the names above.
        says: in a sentence.
        done: what the job did; nothing where it failed.
        alarms: what a person should know.
    """

    name: str
    says: str
    done: Done = field(default_factory=Done)
    alarms: list[Alarm] = field(default_factory=list)


def _place(problem: BaseException) -> str:
    """Where a fault came up: never its text, which may hold what stood in a file."""
    last = traceback.extract_tb(problem.__traceback__)[-1]
    return f"{type(problem).__name__} at {Path(last.filename).name}:{last.lineno}"


def _fault(problem: BaseException) -> RunOutcome:
    if isinstance(problem, WorkspaceError):
        return RunOutcome(WRONG, str(problem))
    if isinstance(problem, ConsistencyError):
        return RunOutcome(OURS, f"{problem}; the data sent are not the cause: report it")
    if isinstance(problem, OSError):
        what = "the disk is full" if problem.errno == errno.ENOSPC else f"the file system refused ({problem.strerror})"
        return RunOutcome(SYSTEM, f"{what}; nothing is lost, the next run goes on from here")
    return RunOutcome(OURS, f"{_place(problem)}; the workspace is whole, the next run tries again")


def run_scheduled(
    job: str, workspace: Workspace, slot: dt.datetime | None = None, log: RunLog | None = None
) -> RunOutcome:
    """Run a job once.

    Args:
        job: its name.
        workspace: the season's folder.
        slot: when it was due, UTC; where a run that began since has ended well, this one has nothing left to do.
        log: where it is logged.
    """
    log = log or RunLog(workspace.log)
    began, started = log.clock(), perf_counter()
    try:
        _ = workspace.season
        with held(workspace.root, job, PATIENCE_S):
            if slot is not None and log.done_since(job, slot):
                return RunOutcome(CAUGHT_UP, f"a run since {slot:%Y-%m-%d %H:%M} UTC has done this one's work")
            began = log.clock()
            log.write(job, "began", due=slot)
            ended = _done(job, workspace, log)
    except (KeyboardInterrupt, SystemExit, GeneratorExit, CancelledError):
        raise
    except BaseException as problem:  # noqa: BLE001 - a library's panic is not of the class `Exception`
        ended = _fault(problem)
    log.write(
        job,
        "ended" if ended.name in ENDED_WELL else "failed",
        state=ended.name,
        reason_code=REASON_CODES[ended.name],
        says=ended.says,
        due=slot,
        began_at=began.isoformat(),
        seconds=round(perf_counter() - started, 1),
        **_counts(ended.done),
        alarms=[asdict(a) for a in ended.alarms],
    )
    return ended


def _done(job: str, workspace: Workspace, log: RunLog) -> RunOutcome:
    reporter = Reporter(quiet=True)
    reporter.log = lambda **facts: log.write(job, "stage", **facts)
    done = run_job(job, workspace, reporter)
    with Warehouse.to_look_at(workspace.warehouse) as warehouse:
        found = alarms(warehouse, done.received, workspace.season.notify)
    return _told(job, workspace, done, found, log)


def _counts(done: Done) -> dict[str, int]:
    keys = ("rows_in", "rows_accepted", "rows_rejected", "rows_repeated")
    counts = {key: sum(getattr(r, key) for r in done.received) for key in keys}
    return {"files": len(done.received), "failed_files": sum(bool(r.failed) for r in done.received), **counts}


def _told(job: str, workspace: Workspace, done: Done, found: list[Alarm], log: RunLog) -> RunOutcome:
    """Tell whom season.toml names what was not told before; a run whose own files failed is a fault of ours."""
    season = workspace.season
    told = log.last("notify", "told")
    before = [Alarm(**a) for a in told["standing"]] if told else []
    fresh = news(found, before)
    wrong = notify(fresh, season.name, str(workspace.root.resolve()), job, season.notify)
    # What could not be told is told again by the next run; what has passed may come up anew.
    log.write(
        "notify",
        "told",
        fresh=len(fresh),
        wrong=wrong,
        standing=[asdict(a) for a in found if not wrong or a not in fresh],
    )
    failed = [r.file for r in done.received if r.failed]
    if failed:
        return RunOutcome(OURS, f"{len(failed)} files could not be read, all others were", done, found)
    if found:
        name = MODEL if all(a.is_of_model for a in found) else DATA
        return RunOutcome(name, "; ".join(a.says for a in found), done, found)
    return RunOutcome(WELL, "all went well", done, found)


def table_of(ended: RunOutcome) -> list[dict[str, Any]]:
    """Return a row a file: what came, what was rejected."""
    keys = ("file", "kind", "rows_in", "rows_accepted", "rows_rejected", "rows_repeated")
    return [{key: getattr(r, key) for key in keys} for r in ended.done.received]
