"""Lag samples of a field: its loads compared with its own mass curve, before any lag or clock is known."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import to_float
from transforms.contracts.result_tables import schema_of
from transforms.trace.day_clocks import USUAL_LEAVE_MIN
from transforms.trace.field_work import (
    FIRST_LAG_MIN,
    PLAUSIBLE,
    TracedFieldWork,
    is_filled_by_machine,
    nearest_stretch,
    sort_by_weighing,
    to_minutes,
)
from transforms.trace.known_drives import known_lags
from transforms.trace.lag_medians import LATE_MIN, unsorted_spread
from transforms.trace.load_ends_hmm import departure_times
from transforms.trace.mass_streams import Stream, Stretch
from transforms.trace.slot_assignment import Slots, cut_into_slots

Array = NDArray[np.float64]

SAMPLE = schema_of("lag_sample")
"""Columns of a lag sample: the median lag of one stretch, machine and site, and the scatter of its loads."""
MIN_LOADS = 3
LAG_SD_MIN, KNOWN_SD_MIN = 4.0, 2.0
"""Standard deviation assumed for lags, and for departures on tickets, during the search."""
STEPS_MIN = (range(-24, 25, 4), range(-18, 19, 3), range(-14, 15, 2), range(-4, 5, 1))
"""Minutes by which lags are varied, coarse before fine."""
CLOCK_STEPS_MIN = (range(-24, 25, 3), range(-2, 3, 1))
"""Minutes by which machines' clocks are varied if the lag is known."""
CLOCK_WEIGHT = 3.0
"""Weight of the penalty on shifted clocks, because errors of neighbouring slots are alike: with weight 1, a right clock
was shifted by 12 min (seed 7507)."""


def lag_samples(work: TracedFieldWork) -> pl.DataFrame:
    """Return one row per stretch, machine and site, and one of known drives, with the columns of `SAMPLE`.

    If one machine worked, or every ticket names its machine, cumulative mass gives the time at which each load was
    full, independently of the clocks. If several worked and some tickets name none, the lag of each machine is the one
    at which loads and slots match best, near that of the known drives. A row of known drives has no machine.
    """
    index, after = nearest_stretch(work.stretches, to_minutes(work.loads, "weighed_at") - FIRST_LAG_MIN)
    straight = is_filled_by_machine(after)
    rows: list[tuple[object, ...]] = []
    for k, stretch in enumerate(work.stretches):
        loads = sort_by_weighing(work.loads.filter(pl.Series(straight & (index == k))))
        closure = float(loads["delivered_t"].sum()) / stretch.lifted_t
        if loads.height >= MIN_LOADS and 1 / PLAUSIBLE < closure < PLAUSIBLE:
            for stream, own, full in _full(stretch, loads, closure):
                rows += _sample(work.field_id, stretch, stream, closure, own, full)
            rows += _known(work.field_id, stretch, closure, loads)
    return pl.DataFrame(rows, schema=SAMPLE, orient="row")


Full = tuple[Stream | None, pl.DataFrame, Array]


def _full(stretch: Stretch, loads: pl.DataFrame, closure: float) -> list[Full]:
    """Return (stream, its loads, minutes by the machine's clock at which they were full) for each machine."""
    streams, names = stretch.streams, loads["machine_id"]
    if len(streams) == 1:
        return [(streams[0], loads, _by_mass(streams[0], loads))]
    if not names.null_count():
        own = [loads.filter(pl.col("machine_id") == s.machine_id) for s in streams]
        return [(s, o, _by_mass(s, o)) for s, o in zip(streams, own, strict=True) if o.height]
    return _by_slots(stretch, loads, closure)


def _by_mass(stream: Stream, loads: pl.DataFrame) -> Array:
    """Return the time at which each load was full, if all mass was weighed and loads left in order of weighing."""
    delivered = loads["delivered_t"].to_numpy()
    return departure_times(stream, np.cumsum(delivered) * stream.lifted_t / delivered.sum())


def _by_slots(stretch: Stretch, loads: pl.DataFrame, closure: float) -> list[Full]:
    """Return `_full` of several machines with incomplete tickets, at the lags at which loads and slots match best."""
    weighed = to_minutes(loads, "weighed_at")
    owner, full = cut_into_slots(stretch, to_float(loads["delivered_t"].mean()) / closure, {})
    ids, named = np.array([s.machine_id for s in stretch.streams]), loads["machine_id"].to_numpy()
    foreign = np.isin(named, ids)[:, None] & (named[:, None] != ids[owner][None, :])
    known_lag, left = known_lags(loads), to_minutes(loads, "left_field_at")
    if np.isfinite(known_lag).all():
        full_at = np.where(np.isfinite(left), left - USUAL_LEAVE_MIN, weighed - known_lag)
        sd = np.where(np.isfinite(left), KNOWN_SD_MIN, LAG_SD_MIN)
        slots = Slots(full_at, sd, owner, full, foreign, CLOCK_WEIGHT)
        lag = slots.best_clocks(CLOCK_STEPS_MIN)
    else:
        slots = Slots(weighed, np.full(weighed.size, LAG_SD_MIN), owner, full, foreign)
        lag = slots.best_shift(np.full(ids.size, float(np.median(weighed) - np.median(full))), STEPS_MIN)
    _, found, at = slots.assigned(lag)
    out: list[Full] = []
    for m, stream in enumerate(stretch.streams):
        own = np.flatnonzero(owner[at] == m)
        if own.size >= MIN_LOADS:
            out.append((stream, loads[found[own].tolist()], full[at[own]]))
    return out


def _known(field_id: str, stretch: Stretch, closure: float, loads: pl.DataFrame) -> list[tuple[object, ...]]:
    """Return the rows of known drives in a stretch, one per site; they have no machine."""
    out: list[tuple[object, ...]] = []
    marked = loads.with_columns(pl.Series("lag", known_lags(loads))).filter(pl.col("left_field_at").is_not_null())
    for (site,), own in marked.filter(pl.col("lag").is_finite()).group_by("site_id", maintain_order=True):
        _, spread = _centre(to_minutes(own, "weighed_at") - to_minutes(own, "left_field_at"))
        lag = (own["km"][0], own.height, own["lag"][0], spread)
        out.append((field_id, stretch.shift_date, None, site, *lag, None, None, 0, None, 0, 0, None, closure, True))
    return out


def _sample(
    field_id: str, stretch: Stretch, stream: Stream | None, closure: float, loads: pl.DataFrame, full: Array
) -> list[tuple[object, ...]]:
    """Return the rows of one machine in a stretch, one per site."""
    out: list[tuple[object, ...]] = []
    weighed, left = (to_minutes(loads, c) for c in ("weighed_at", "left_field_at"))
    since_emptying = _since_emptying(stream, left)
    machine_id, seen = (None, False) if stream is None else (stream.machine_id, stream.has_signal)
    sites, km = loads["site_id"].to_numpy(), loads["km"].to_numpy()
    for site in np.unique(sites):
        at_site = sites == site
        if at_site.sum() < MIN_LOADS:
            continue
        leave_min, drive_min, full_to_left_min = (
            x[at_site & np.isfinite(x)] for x in (since_emptying, weighed - left, left - full)
        )
        median_to_left = _centre(full_to_left_min)[0] if seen and full_to_left_min.size >= MIN_LOADS else None
        out.append(
            (
                field_id,
                stretch.shift_date,
                machine_id,
                str(site),
                float(km[at_site][0]),
                int(at_site.sum()),
                *_lag((weighed - full)[at_site], full),
                *_centre(leave_min),
                int(leave_min.size),
                _scatter(drive_min),
                int(drive_min.size),
                _late(drive_min),
                median_to_left,
                closure,
                seen,
            )
        )
    return out


def _since_emptying(stream: Stream | None, left_min: Array) -> Array:
    """Return the minutes from the last emptying to the departure on the ticket; NaN if either is unknown."""
    if stream is None or not stream.has_signal:
        return np.full(left_min.size, np.nan)
    last = np.searchsorted(stream.left_min, left_min, side="right") - 1
    return np.asarray(np.where(last >= 0, left_min - stream.left_min[np.maximum(last, 0)], np.nan))


def _lag(lag_min: Array, full_min: Array) -> tuple[float | None, float | None]:
    """Return the median of lags and their standard deviation before the loads were sorted, minutes."""
    median, spread = _centre(lag_min)
    between = np.diff(np.sort(full_min))
    if spread is None or not between.size:
        return median, spread
    return median, unsorted_spread(spread, float(np.median(between)))


def _scatter(x: Array) -> float | None:
    """Return the standard deviation without outliers.

    Waiting times have a long tail, which a median of absolute deviations would ignore.
    """
    if not x.size:
        return None
    near = np.abs(x - np.median(x)) < LATE_MIN
    return float(np.std(x[near], ddof=1)) if near.sum() > 1 else None


def _late(drive_min: Array) -> int:
    """Return the number of drives that took `LATE_MIN` longer than the median one."""
    return int((drive_min > np.median(drive_min) + LATE_MIN).sum()) if drive_min.size else 0


def _centre(x: Array) -> tuple[float | None, float | None]:
    """Return the median and the robust standard deviation."""
    if not x.size:
        return None, None
    median = float(np.median(x))
    return median, float(1.4826 * np.median(np.abs(x - median)))
