"""Evidence of a field on the grades of the season: stretches of work that are drawn again and whose tickets are hidden.

A few stretches suffice in a large season; in a small one, all are needed. METHODS.md section 2.
"""

import datetime as dt
import hashlib
from collections.abc import Iterator

import numpy as np
import polars as pl

from transforms.contracts.result_tables import schema_of
from transforms.trace.day_clocks import DayClocks
from transforms.trace.field_work import (
    FIRST_LAG_MIN,
    TracedFieldWork,
    is_filled_by_machine,
    nearest_stretch,
    to_minutes,
)
from transforms.trace.hidden_tickets import judge_hidden
from transforms.trace.replicates import draw_grades

REPLICATE = schema_of("trace_replicate")
LARGEST_STEP, FIELDS = 8, 100
"""One stretch of work in at most this number is picked; the step doubles only while this number of fields is left."""
HIDDEN_STEP = 2
"""Tickets are hidden in one of this number of the picked stretches: each costs two more tracings."""
MIN_LOADS = 4
"""Loads that a stretch needs."""


def sampling_step(fields: int) -> int:
    """Return the number of stretches of work of which one is picked: a power of two, 1 in small seasons.

    Args:
        fields: number of fields with work in the season.

    >>> [sampling_step(n) for n in (0, 199, 200, 399, 400, 5000)]
    [1, 1, 2, 2, 4, 8]
    """
    step = 1
    while step < LARGEST_STEP and fields >= 2 * step * FIELDS:
        step *= 2
    return step


def is_picked(field_id: str, day: dt.date, step: int) -> bool:
    """Return True for one stretch of work in `step`, by a hash of its name; those of a larger step are among them.

    Args:
        field_id: the field.
        day: the day of the work.
        step: result of `sampling_step`; 0 picks none.
    """
    return step > 0 and _seed(field_id, day) % step == 0


def picks_fingerprint(field_id: str, days: list[dt.date], step: int) -> str:
    """Return which stretches of work of a field are picked, and in which tickets are hidden, as a text.

    Args:
        field_id: the field.
        days: the day of each stretch of work.
        step: result of `sampling_step`.
    """
    return "".join(str(sum(is_picked(field_id, day, s) for s in (step, HIDDEN_STEP * step))) for day in days)


def _seed(field_id: str, day: dt.date) -> int:
    return int.from_bytes(hashlib.sha256(f"{field_id}:{day}".encode()).digest()[:8], "big")


def grade_evidence(work: TracedFieldWork, clocks: dict[dt.date, DayClocks], step: int) -> pl.DataFrame:
    """Return one row per drawn and per hidden load of a field, with the columns of `REPLICATE`.

    Args:
        work: the field with its work and loads.
        clocks: lags and clock offsets of each shift day of its work.
        step: result of `sampling_step`; 0 picks none.
    """
    parts = [pl.DataFrame(schema=REPLICATE)]
    for own in _picked(work, step):
        day = own.stretches[0].shift_date
        used = {day: clocks[day]}
        found = [draw_grades(np.random.default_rng(_seed(work.field_id, day)), own, used)]
        if is_picked(work.field_id, day, HIDDEN_STEP * step):
            found.append(judge_hidden(own, used))
        for rows in found:
            named = rows.with_columns(pl.lit(work.field_id).alias("field_id"), pl.lit(day).alias("shift_date"))
            parts.append(named.select(pl.col(n).cast(t) for n, t in REPLICATE.items()))
    return pl.concat(parts)


def _picked(work: TracedFieldWork, step: int) -> Iterator[TracedFieldWork]:
    """Yield each picked stretch of work with the loads that were filled there."""
    if not any(is_picked(work.field_id, s.shift_date, step) for s in work.stretches):
        return
    index, after = nearest_stretch(work.stretches, to_minutes(work.loads, "weighed_at") - FIRST_LAG_MIN)
    straight = is_filled_by_machine(after)
    for k, stretch in enumerate(work.stretches):
        loads = work.loads.filter(pl.Series(straight & (index == k)))
        if loads.height >= MIN_LOADS and is_picked(work.field_id, stretch.shift_date, step):
            yield TracedFieldWork(work.field_id, [stretch], loads, work.stops)
