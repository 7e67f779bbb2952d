"""Clocks and lags on which the tracing of a field depends, and their fingerprint."""

import datetime as dt
import hashlib
from dataclasses import replace

from transforms.trace.day_clocks import DayClocks
from transforms.trace.field_work import TracedFieldWork
from transforms.trace.truck_keeping import Keeping

Uses = list[tuple[str, list[str], list[str]]]
"""(day, sites, machines) of each stretch of work of a field."""
NO_KEEPING = Keeping()
"""Prior without other fields."""


def clock_uses(work: TracedFieldWork) -> Uses:
    """Return the (day, sites, machines) whose clocks each stretch of work of a field uses."""
    sites = sorted(work.loads["site_id"].unique().to_list())
    return [(str(s.shift_date), sites, sorted(t.machine_id for t in s.streams)) for s in work.stretches]


def latest_clocks(by_day: dict[dt.date, DayClocks], day: dt.date) -> DayClocks:
    """Return the lags and clocks of the latest known day up to a given day; the prior values if there is none.

    Args:
        by_day: shift day -> its lags and clocks.
        day: the given day.
    """
    known = [d for d in by_day if d <= day]
    return by_day[max(known)] if known else DayClocks()


def select_clocks(
    field_id: str, uses: Uses, by_day: dict[dt.date, DayClocks], keeping: Keeping = NO_KEEPING
) -> dict[dt.date, DayClocks]:
    """Return the lags and clocks of each day that a field uses.

    Args:
        field_id: the field.
        uses: result of `clock_uses`.
        by_day: shift day -> its lags and clocks.
        keeping: how far trucks keep to machines in the other fields.
    """
    days = [dt.date.fromisoformat(day) for day, _, _ in uses]
    return {day: replace(latest_clocks(by_day, day).of_field(field_id), keeping=keeping) for day in days}


def clocks_fingerprint(
    field_id: str, uses: Uses, by_day: dict[dt.date, DayClocks], keeping: Keeping = NO_KEEPING
) -> str:
    """Return the fingerprint of the clocks and lags on which the tracing of a field depends.

    Args:
        field_id: the field.
        uses: result of `clock_uses`.
        by_day: shift day -> its lags and clocks.
        keeping: how far trucks keep to machines in the other fields.

    Returns:
        SHA-256 in hexadecimal.
    """
    used: list[object] = [] if keeping == NO_KEEPING else [keeping]
    for day, sites, machines in uses:
        c = latest_clocks(by_day, dt.date.fromisoformat(day)).of_field(field_id)
        common = (c.min_per_km, c.spread_min, c.leave_min, c.leave_spread_min, c.closure, c.delayed, c.shared_sd_min)
        used.append(
            (
                day,
                common,
                [(c.lag_min(s, 0.0), c.lag_sd_min(s)) for s in sites],
                [c.machine_ahead_min.get(m) for m in machines],
            )
        )
    return hashlib.sha256(repr(used).encode()).hexdigest()
