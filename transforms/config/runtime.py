"""How a season is run: where work is done and kept, when, and whom to tell. `[run]`, `[schedule]`, `[notify]`."""

import datetime as dt
from dataclasses import dataclass
from typing import Any

from transforms.config.problems import raise_problems

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
AFTER_SHIFT = dt.timedelta(minutes=20)


@dataclass(frozen=True)
class ExecutionConfig:
    """Where work is done and kept.

    Attributes:
        engine: `here`, or `dask`: files, machine-days, fields and weeks are worked on by a cluster's workers.
        address: of the cluster's scheduler, such as `tcp://10.0.0.5:8786`.
        lake: a folder, or an address on S3-compatible storage; the workspace's own `lake/` where empty.
        keep_telemetry_days: days after which records give way to the bins made of them; 0 keeps them for ever.
        keep_received_days: days that compressed copies of received files are kept; 0 keeps none.
    """

    engine: str = "here"
    address: str = ""
    lake: str = ""
    keep_telemetry_days: int = 0
    keep_received_days: int = 400


@dataclass(frozen=True)
class Schedule:
    """When what is run, in the season's own time zone.

    Attributes:
        after_shift: times of day of the run after each shift.
        new_files_every_min: how often the inbox is looked into; 0 for never.
        refit: time of the nightly refit; None for never.
        compare: weekday (0 is Monday) and time of the weekly benchmark; None for never.
        season_end: when the end-of-season report is written; None for never.
    """

    after_shift: tuple[dt.time, ...]
    new_files_every_min: float = 5.0
    refit: dt.time | None = dt.time(2)
    compare: tuple[int, dt.time] | None = (0, dt.time(3))
    season_end: dt.datetime | None = None


@dataclass(frozen=True)
class Notify:
    """Whom to tell of trouble, and what counts as trouble.

    Attributes:
        command: a program that gets the news as JSON on standard input; run without a shell.
        webhook: an address that gets the same JSON by POST.
        rejected_pct: rows of one kind rejected in one run, percent, above which it is told.
        silent_machine_h: hours a machine that worked in the week before has logged nothing while others did.
        stale_tares_h: hours the newest tare's load was weighed before the newest load.
    """

    command: str = ""
    webhook: str = ""
    rejected_pct: float = 5.0
    silent_machine_h: float = 36.0
    stale_tares_h: float = 48.0


def read_place(table: Any, where: str) -> ExecutionConfig:
    """Read `[run]`.

    Raises:
        WorkspaceError: a key or value that cannot be.
    """
    from transforms.config.season import check_run  # noqa: PLC0415 (--help is to be quick)

    raise_problems(check_run(table, where))
    return ExecutionConfig(**table)


def read_notify(table: Any, where: str) -> Notify:
    """Read `[notify]`.

    Raises:
        WorkspaceError: a key or value that cannot be.
    """
    from transforms.config.season import check_plain  # noqa: PLC0415

    raise_problems(check_plain("notify", table, where))
    return Notify(**table)


def read_schedule(table: Any, shift_starts: dt.time, where: str) -> Schedule:
    """Read `[schedule]`; an empty text or list is never.

    Raises:
        WorkspaceError: a key or value that cannot be.
    """
    from transforms.config.season import check_plain  # noqa: PLC0415

    raise_problems(check_plain("schedule", table, where))
    usual = (dt.datetime.combine(dt.date(2000, 1, 1), shift_starts) + AFTER_SHIFT).time()
    out: dict[str, Any] = {"after_shift": (usual,)}
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
