"""Runtime settings of a season: `[run]`, `[schedule]`, `[notify]` and `[publish]`."""

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from transforms.config.problems import raise_problems

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
AFTER_SHIFT = dt.timedelta(minutes=20)


@dataclass(frozen=True)
class ExecutionConfig:
    """Execution engine, storage location and retention periods.

    Attributes:
        engine: `here`, or `dask` to process files, machine-days, fields and weeks on a cluster.
        address: address of the cluster scheduler, such as `tcp://10.0.0.5:8786`.
        lake: a folder, or an address on S3-compatible storage; empty for `lake/` in the workspace.
        keep_telemetry_days: days after which raw telemetry is deleted and only its bins are kept; 0 keeps it forever.
        keep_received_days: days for which compressed copies of received files are kept; 0 keeps none.
        threads: threads of the database on this machine.
    """

    engine: str = "here"
    address: str = ""
    lake: str = ""
    keep_telemetry_days: int = 0
    keep_received_days: int = 400
    threads: int = 2


@dataclass(frozen=True)
class Schedule:
    """Times of scheduled jobs, in the time zone of the season.

    Attributes:
        after_shift: times of day of the run after each shift.
        new_files_every_min: interval in minutes between checks of the inbox; 0 for never.
        refit: time of the nightly refit; None for never.
        compare: weekday (0 is Monday) and time of the weekly benchmark; None for never.
        season_end: time at which the end-of-season report is written; None for never.
    """

    after_shift: tuple[dt.time, ...]
    new_files_every_min: float = 5.0
    refit: dt.time | None = dt.time(2)
    compare: tuple[int, dt.time] | None = (0, dt.time(3))
    season_end: dt.datetime | None = None


@dataclass(frozen=True)
class Notify:
    """Recipients of alerts, and the thresholds that trigger them.

    Attributes:
        command: a program that receives each alert as JSON on standard input; run without a shell.
        webhook: an address that receives the same JSON by POST; it may contain a secret.
        to: addresses that receive messages with the shift page, in the notation of apprise; they may contain passwords.
        attach: `pdf`, `html` or `none`; None for the PDF if the run has written one, else the HTML page.
        rejected_pct: percentage of rows of one kind rejected in one run; a higher percentage triggers an alert.
        silent_machine_h: hours without telemetry from a machine that worked in the previous week while others logged.
        stale_tares_h: hours by which the load of the newest tare was weighed before the newest load.
    """

    command: str = ""
    webhook: str = field(default="", repr=False)
    to: tuple[str, ...] = field(default=(), repr=False)
    attach: str | None = None
    rejected_pct: float = 5.0
    silent_machine_h: float = 36.0
    stale_tares_h: float = 48.0


@dataclass(frozen=True)
class Publish:
    """Folder that receives copies of the pages.

    Attributes:
        folder: the folder; None to publish nothing.
        address: web address of the folder, without a slash at its end; empty if it has none.
        growers: publish growers' sheets too, which hold private data.
    """

    folder: Path | None = None
    growers: bool = False
    address: str = ""


def read_place(table: Any, where: str) -> ExecutionConfig:
    """Return the settings of the table `[run]`.

    Raises:
        WorkspaceError: a key is unknown, or a value is invalid.
    """
    from transforms.config.season import check_run  # noqa: PLC0415 (keeps --help fast)

    raise_problems(check_run(table, where))
    return ExecutionConfig(**table)


def read_notify(table: Any, where: str) -> Notify:
    """Return the settings of the table `[notify]`.

    Raises:
        WorkspaceError: a key is unknown, or a value is invalid.
    """
    from transforms.config.season import check_plain  # noqa: PLC0415

    raise_problems(check_plain("notify", table, where))
    return Notify(**{**table, "to": tuple(table.get("to", ()))})


def publish_folder(text: str, workspace: Path) -> Path:
    """Return the absolute folder that `[publish] folder` names, relative to the workspace."""
    return (workspace / Path(text).expanduser()).resolve()


def read_publish(table: Any, workspace: Path, where: str) -> Publish:
    """Return the settings of the table `[publish]`.

    Raises:
        WorkspaceError: a key is unknown, or a value is invalid.
    """
    from transforms.config.season import check_publish  # noqa: PLC0415

    raise_problems(check_publish(table, where, workspace))
    folder = table.get("folder", "")
    address = table.get("address", "").rstrip("/")
    return Publish(publish_folder(folder, workspace) if folder else None, table.get("growers", False), address)


def read_schedule(table: Any, shift_starts: dt.time, where: str) -> Schedule:
    """Return the settings of the table `[schedule]`; empty text or an empty list means never.

    Args:
        table: the table.
        shift_starts: local start of the shift; the default run follows it by `AFTER_SHIFT`.
        where: the file and the table in it, for messages.

    Raises:
        WorkspaceError: a key is unknown, or a value is invalid.
    """
    from transforms.config.season import check_plain  # noqa: PLC0415

    raise_problems(check_plain("schedule", table, where))
    default_run = (dt.datetime.combine(dt.date(2000, 1, 1), shift_starts) + AFTER_SHIFT).time()
    out: dict[str, Any] = {"after_shift": (default_run,)}
    if "after_shift" in table:
        out["after_shift"] = tuple(dt.time.fromisoformat(t) for t in table["after_shift"])
    if "new_files_every_min" in table:
        out["new_files_every_min"] = float(table["new_files_every_min"])
    if "refit" in table:
        out["refit"] = dt.time.fromisoformat(table["refit"]) if table["refit"] else None
    if "compare" in table:
        out["compare"] = _weekly(table["compare"]) if table["compare"] else None
    if end := table.get("season_end"):
        out["season_end"] = dt.datetime.fromisoformat(end) if isinstance(end, str) else end
    return Schedule(**out)


def _weekly(text: str) -> tuple[int, dt.time]:
    day, clock = text.split()
    return WEEKDAYS.index(day), dt.time.fromisoformat(clock)
