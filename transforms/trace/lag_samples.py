"""What a field tells of lags and clocks before any is known: its loads against its own mass curve."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trace.chain import Departures, full_when
from transforms.trace.lags import SAMPLE
from transforms.trace.share_out import share_out
from transforms.trace.streams import Stream, Stretch
from transforms.trace.work import (
    FIRST_LAG_MIN,
    PLAUSIBLE,
    FieldWork,
    minutes,
    nearest_stretch,
    straight_from_the_machine,
)

Array = NDArray[np.float64]

FEWEST = 3
HALF_A_TRUCK_T = 13.5
WIDE_MIN = 25.0
"""Spread allowed to leaving times while clocks are still unknown: mass decides, not time."""
SURE, FEW_TURNS = 0.8, 3
WILD_DRIVE_MIN = 20.0


def lag_samples(work: FieldWork) -> pl.DataFrame:
    """Return a row a stretch, machine and site, with the columns of `SAMPLE`.

    Where one machine worked, or every ticket names its machine, the order of masses gives when each load was full,
    whatever the clocks say. Where several worked and some tickets name theirs, all are weighed against each other
    with the clocks left wide open. Where none does, the common mass curve tells of the site alone.
    """
    index, after = nearest_stretch(work.stretches, minutes(work.loads, "weighed_at") - FIRST_LAG_MIN)
    straight = straight_from_the_machine(after)
    rows: list[tuple[object, ...]] = []
    for k, stretch in enumerate(work.stretches):
        mine = work.loads.filter(pl.Series(straight & (index == k))).sort("weighed_at", "load_id")
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
    together = _together(stretch, loads)
    if names.null_count() == loads.height:
        return [(None, loads, together)]
    return _by_all(stretch, loads, together, closure)


def _by_mass(stream: Stream, loads: pl.DataFrame) -> Array:
    """As if all mass was weighed and loads left in the order they were weighed."""
    gross = loads["gross_t"].to_numpy()
    return full_when(stream, np.cumsum(gross) * stream.lifted_t / gross.sum())


def _together(stretch: Stretch, loads: pl.DataFrame) -> Array:
    """The same of all machines at once: beside the one that fills up, others stand half full."""
    mass = np.concatenate([s.batch_t for s in stretch.streams])
    left = np.concatenate([s.left_min for s in stretch.streams])
    order = np.argsort(left, kind="stable")
    edges, gross = np.cumsum(mass[order]), loads["gross_t"].to_numpy()
    reach = np.cumsum(gross) * edges[-1] / gross.sum() + (len(stretch.streams) - 1) * HALF_A_TRUCK_T
    return np.asarray(left[order][np.minimum(np.searchsorted(edges, reach - 1e-6), edges.size - 1)])


def _by_all(stretch: Stretch, loads: pl.DataFrame, together: Array, closure: float) -> list[Full]:
    weighed = minutes(loads, "weighed_at")
    left = weighed - float(np.median(weighed - together))
    departures = Departures(left, np.full(left.size, WIDE_MIN), loads["gross_t"].to_numpy())
    shared = share_out(stretch, departures, loads["machine_id"].to_list(), closure, closure, {}, FEW_TURNS)
    out: list[Full] = []
    for m, stream in enumerate(stretch.streams):
        sure = [i for i in range(left.size) if shared.belief[i, m] > SURE and shared.placed[i, m].end_t.size]
        if len(sure) >= FEWEST:
            places = [shared.placed[i, m] for i in sure]
            full = np.array([float(p.chance @ full_when(stream, p.end_t)) for p in places])
            out.append((stream, loads[sure], full))
    return out or [(None, loads, together)]


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
        waits, drives = (x[mine & np.isfinite(x)] for x in (waited, weighed - left))
        out.append((field_id, stretch.shift_date, machine_id, str(site), float(km[mine][0]), int(mine.sum()),
                    *_centre((weighed - full)[mine]), *_centre(waits), int(waits.size), _scatter(drives),
                    int(drives.size), closure, seen))  # fmt: skip
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
