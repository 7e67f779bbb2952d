"""What a field tells of lags and clocks before any is known: its loads against its own mass curve."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trace.field_work import (
    FIRST_LAG_MIN,
    PLAUSIBLE,
    TracedFieldWork,
    in_order,
    minutes,
    nearest_stretch,
    straight_from_the_machine,
)
from transforms.trace.lag_model import SAMPLE
from transforms.trace.load_ends_hmm import full_when
from transforms.trace.mass_streams import Stream, Stretch
from transforms.trace.slot_assignment import Slots, cut_into_slots

Array = NDArray[np.float64]

FEWEST = 3
LAG_SD_MIN = 4.0
"""Spread allowed to lags while they are sought."""
STEPS_MIN = (range(-24, 25, 4), range(-18, 19, 3), range(-14, 15, 2), range(-4, 5, 1))
"""Minutes by which lags are moved, coarse before fine."""
WILD_DRIVE_MIN = 20.0


def lag_samples(work: TracedFieldWork) -> pl.DataFrame:
    """Return a row a stretch, machine and site, with the columns of `SAMPLE`.

    Where one machine worked, or every ticket names its machine, the order of masses gives when each load was full,
    whatever the clocks say. Where several worked and not all tickets name theirs, the lag of each machine is sought at
    which loads and slots fall together best.
    """
    index, after = nearest_stretch(work.stretches, minutes(work.loads, "weighed_at") - FIRST_LAG_MIN)
    straight = straight_from_the_machine(after)
    rows: list[tuple[object, ...]] = []
    for k, stretch in enumerate(work.stretches):
        mine = in_order(work.loads.filter(pl.Series(straight & (index == k))))
        closure = float(mine["gross_t"].sum()) / stretch.lifted_t
        if mine.height >= FEWEST and 1 / PLAUSIBLE < closure < PLAUSIBLE:
            for stream, own, full in _full(stretch, mine, closure):
                rows += _sample(work.field_id, stretch, stream, closure, own, full)
    return pl.DataFrame(rows, schema=SAMPLE, orient="row")


Full = tuple[Stream | None, pl.DataFrame, Array]


def _full(stretch: Stretch, loads: pl.DataFrame, closure: float) -> list[Full]:
    """When loads were full: (machine's stream or None, its loads, minutes by the machine's clock)."""
    streams, names = stretch.streams, loads["machine_id"]
    if len(streams) == 1:
        return [(streams[0], loads, _by_mass(streams[0], loads))]
    if not names.null_count():
        own = [loads.filter(pl.col("machine_id") == s.machine_id) for s in streams]
        return [(s, o, _by_mass(s, o)) for s, o in zip(streams, own, strict=True) if o.height]
    return _by_slots(stretch, loads, closure)


def _by_mass(stream: Stream, loads: pl.DataFrame) -> Array:
    """As if all mass was weighed and loads left in the order they were weighed."""
    gross = loads["gross_t"].to_numpy()
    return full_when(stream, np.cumsum(gross) * stream.lifted_t / gross.sum())


def _by_slots(stretch: Stretch, loads: pl.DataFrame, closure: float) -> list[Full]:
    """Several machines, tickets that do not all name theirs: the lags at which loads and slots fall together best."""
    weighed = minutes(loads, "weighed_at")
    owner, full = cut_into_slots(stretch, float(loads["gross_t"].mean()) / closure, {})  # type: ignore[arg-type]
    ids, named = np.array([s.machine_id for s in stretch.streams]), loads["machine_id"].to_numpy()
    foreign = np.isin(named, ids)[:, None] & (named[:, None] != ids[owner][None, :])
    slots = Slots(weighed, np.full(weighed.size, LAG_SD_MIN), owner, full, foreign)
    lag = slots.best_shift(np.full(ids.size, float(np.median(weighed) - np.median(full))), STEPS_MIN)
    _, found, at = slots.assigned(lag)
    out: list[Full] = []
    for m, stream in enumerate(stretch.streams):
        mine = np.flatnonzero(owner[at] == m)
        if mine.size >= FEWEST:
            out.append((stream, loads[found[mine].tolist()], full[at[mine]]))
    return out


def _sample(
    field_id: str, stretch: Stretch, stream: Stream | None, closure: float, loads: pl.DataFrame, full: Array
) -> list[tuple[object, ...]]:
    out: list[tuple[object, ...]] = []
    weighed, left = (minutes(loads, c) for c in ("weighed_at", "left_field_at"))
    waited = _since_an_emptying(stream, left)
    machine_id, seen = (None, False) if stream is None else (stream.machine_id, stream.has_signal)
    sites, km = loads["site_id"].to_numpy(), loads["km"].to_numpy()
    for site in np.unique(sites):
        mine = sites == site
        if mine.sum() < FEWEST:
            continue
        waits, drives, leaves = (x[mine & np.isfinite(x)] for x in (waited, weighed - left, left - full))
        to_left = _centre(leaves)[0] if seen and leaves.size >= FEWEST else None
        out.append(
            (
                field_id,
                stretch.shift_date,
                machine_id,
                str(site),
                float(km[mine][0]),
                int(mine.sum()),
                *_centre((weighed - full)[mine]),
                *_centre(waits),
                int(waits.size),
                _scatter(drives),
                int(drives.size),
                to_left,
                closure,
                seen,
            )
        )
    return out


def _since_an_emptying(stream: Stream | None, left_min: Array) -> Array:
    """Minutes from the last emptying to the moment a ticket says the load left; nan where either is not known."""
    if stream is None or not stream.has_signal:
        return np.full(left_min.size, np.nan)
    last = np.searchsorted(stream.left_min, left_min, side="right") - 1
    return np.asarray(np.where(last >= 0, left_min - stream.left_min[np.maximum(last, 0)], np.nan))


def _scatter(x: Array) -> float | None:
    """Standard deviation without the wildest: waiting has a long tail, which a median of deviations would not see."""
    if not x.size:
        return None
    near = np.abs(x - np.median(x)) < WILD_DRIVE_MIN
    return float(np.std(x[near]))


def _centre(x: Array) -> tuple[float | None, float | None]:
    """Median and robust standard deviation."""
    if not x.size:
        return None, None
    median = float(np.median(x))
    return median, float(1.4826 * np.median(np.abs(x - median)))
