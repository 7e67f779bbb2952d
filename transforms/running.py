"""How a season is run: where work is done and kept, when, and whom to tell. `[run]`, `[schedule]`, `[notify]`."""

import datetime as dt
import re
from dataclasses import dataclass, fields
from typing import Any

from transforms.errors import WorkspaceError

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
WEEKLY = re.compile(rf"({'|'.join(WEEKDAYS)}) (\d\d:\d\d)")
AFTER_SHIFT = dt.timedelta(minutes=20)


@dataclass(frozen=True)
class Place:
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


def _checked(kind: type[Any], table: Any, where: str) -> dict[str, Any]:
    if not isinstance(table, dict):
        raise WorkspaceError("this is no table", where=where, mend="write it as a table of key = value")
    known = {f.name: f for f in fields(kind)}
    for key, value in table.items():
        if key not in known:
            raise WorkspaceError(f"'{key}' is not known", where=where, mend=f"use one of {', '.join(known)}")
        default = known[key].default
        wanted = (int, float) if isinstance(default, (int, float)) else type(default)
        if kind is not Schedule and (isinstance(value, bool) or not isinstance(value, wanted)):
            raise WorkspaceError(f"'{key}' is {value!r}", where=where, mend=f"give it such as {default!r}")
        if isinstance(value, (int, float)) and value < 0:
            raise WorkspaceError(f"'{key}' is {value!r}", where=where, mend="give it a number, 0 or more")
    return table


def read_place(table: Any, where: str) -> Place:
    """Read `[run]`.

    Raises:
        WorkspaceError: a key or value that cannot be.
    """
    place = Place(**_checked(Place, table, where))
    if place.engine not in {"here", "dask"}:
        raise WorkspaceError(f"engine is '{place.engine}'", where=where, mend="use here or dask")
    if place.engine == "dask" and not place.address:
        raise WorkspaceError(
            "engine is dask, but there is no address", where=where, mend='add address = "tcp://HOST:8786"'
        )
    return place


def read_notify(table: Any, where: str) -> Notify:
    """Read `[notify]`.

    Raises:
        WorkspaceError: a key or value that cannot be.
    """
    notify = Notify(**_checked(Notify, table, where))
    if notify.webhook and not notify.webhook.startswith(("http://", "https://")):
        raise WorkspaceError(f"webhook is '{notify.webhook}'", where=where, mend="give it an http or https address")
    return notify


def read_schedule(table: Any, shift_starts: dt.time, where: str) -> Schedule:
    """Read `[schedule]`; an empty text or list is never.

    Raises:
        WorkspaceError: a key or value that cannot be.
    """
    given = _checked(Schedule, table, where)
    usual = (dt.datetime.combine(dt.date(2000, 1, 1), shift_starts) + AFTER_SHIFT).time()
    try:
        out: dict[str, Any] = {"after_shift": (usual,)}
        if "after_shift" in given:
            out["after_shift"] = tuple(dt.time.fromisoformat(t) for t in given["after_shift"])
        if "new_files_every_min" in given:
            out["new_files_every_min"] = float(given["new_files_every_min"])
        if "refit" in given:
            out["refit"] = dt.time.fromisoformat(given["refit"]) if given["refit"] else None
        if "compare" in given:
            out["compare"] = _weekly(given["compare"]) if given["compare"] else None
        if given.get("season_end"):
            out["season_end"] = dt.datetime.fromisoformat(given["season_end"])
    except (TypeError, ValueError) as problem:
        raise WorkspaceError(
            f"a time is wrong ({problem})", where=where,
            mend='write after_shift = ["05:20"], refit = "02:00", compare = "Mon 03:00", season_end = "2026-01-20"',
        ) from problem  # fmt: skip
    return Schedule(**out)


def _weekly(text: str) -> tuple[int, dt.time]:
    found = WEEKLY.fullmatch(text)
    if found is None:
        raise ValueError(f"'{text}' is no weekday with a time")
    return WEEKDAYS.index(found.group(1)), dt.time.fromisoformat(found.group(2))
