"""Returns of trucks: a truck cannot be filled before it is back from the trip before.

It is back at its tare weighing, or else its ticket's weighing and the usual unloading, plus the way back. The offset of
the site's clock and the time that a truck usually waits at the field are estimated together from the season's own
returns in the stretch, by the edge of their distribution (2.9).
"""

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import erfc, erfcx, ndtr

from transforms.trace.field_work import to_minutes
from transforms.trace.load_ends_hmm import departure_times
from transforms.trace.mass_streams import Stream, Stretch

Array = NDArray[np.float64]
USUAL_UNLOAD_MIN = 10.0
"""From the full to the empty weighing, if only the former is known (common practice, no source)."""
SAME_TRIP_MIN = 12.0
"""Tickets of a truck that are closer than this are of one trip (common practice, no source)."""
BACK_SD_MIN = 3.0
"""Standard deviation of the way back and of unloading."""
FILL_SD_MIN = 4.0
"""Standard deviation of the time to fill a truck about the mean."""
MIN_RETURNS, FAR_MIN = 8, 60.0
"""Fewest returns that show their edge, and the distance from their median beyond which they are breaks."""
WAITS_MIN = (2.0, 4.0, 7.0, 11.0, 16.0, 24.0)
"""Mean waiting times considered."""
BREAK = 0.05
"""Probability that a return says nothing: a wrong truck number, a break, a trip in between."""


def back_min(loads: pl.DataFrame, left_min: Array, stretch: Stretch, min_per_km: float) -> Array:
    """Return when the truck of each load was back at the field, minutes since 1970, shape (n,); NaN if unknown.

    It is left unknown if one machine worked alone: returns then show little that the order of the loads does not.

    Args:
        loads: n loads of a stretch with `weighed_at, km, site_id`; `truck_id` and `tared_at` are optional.
        left_min: departure of each load, minutes since 1970.
        stretch: the stretch of work.
        min_per_km: minutes of driving per km of road.
    """
    if len(stretch.streams) < 2 or "truck_id" not in loads.columns:
        return np.full(loads.height, np.nan)
    back, site = _from_trip_before(loads, min_per_km)
    span_min = sum(float(s.left_min[-1] - s.left_min[0]) for s in stretch.streams)
    since = left_min - span_min / max(loads.height, 1) - back
    for name in np.unique(site[np.isfinite(back)]):
        own = np.isfinite(back) & (site == name)
        back[own] += _edge_min(since[own])
    return back


def _from_trip_before(loads: pl.DataFrame, min_per_km: float) -> tuple[Array, NDArray[np.str_]]:
    """Return the return of each load's truck by the clock of the site that it comes from, and that site."""
    weighed, km, sites = to_minutes(loads, "weighed_at"), loads["km"].to_numpy(), loads["site_id"].to_list()
    out, site = np.full(loads.height, np.nan), np.array([""] * loads.height, dtype=object)
    tared = to_minutes(loads, "tared_at") if "tared_at" in loads.columns else np.full(loads.height, np.nan)
    tared = np.where(tared >= weighed, tared, weighed + USUAL_UNLOAD_MIN)
    trucks = loads["truck_id"].to_list()
    last: dict[str, int] = {}
    before = np.full(loads.height, -1)
    for i in np.argsort(weighed, kind="stable").tolist():
        if trucks[i] is None:
            continue
        j = last.get(trucks[i], -1)
        same_trip = j >= 0 and weighed[i] - weighed[j] < SAME_TRIP_MIN
        before[i] = before[j] if same_trip else j
        last[trucks[i]] = i
    for i in np.flatnonzero(before >= 0).tolist():
        out[i], site[i] = tared[before[i]] + min_per_km * km[i], sites[before[i]]
    return out, site


def _edge_min(since: Array) -> float:
    """Return the edge below which returns scatter only by their error; NaN if there are too few.

    Args:
        since: minutes from each expected return to the start of filling, shape (k,).
    """
    near = since[np.abs(since - np.median(since)) < FAR_MIN]
    if near.size < MIN_RETURNS:
        return float("nan")
    sd = float(np.hypot(BACK_SD_MIN, FILL_SD_MIN))
    edges = np.arange(np.quantile(near, 0.02) - 5, np.median(near) + 1, 1.0)
    beyond = near - edges[:, None]
    fits = [np.log((1 - BREAK) * waiting_density(beyond, w, sd) + BREAK / (2 * FAR_MIN)).sum(axis=1) for w in WAITS_MIN]
    return float(edges[np.max(fits, axis=0).argmax()])


def waiting_density(x: Array, mean: float, sd: float) -> Array:
    """Return the density of an exponential waiting time plus a normal error, 1/min.

    Args:
        x: minutes.
        mean: mean of the waiting time, minutes.
        sd: standard deviation of the error, minutes.
    """
    u = (sd / mean - x / sd) / np.sqrt(2)
    far = np.exp(0.5 * (sd / mean) ** 2 - np.maximum(x, 0.0) / mean) * erfc(np.minimum(u, 0.0))
    near = np.exp(-0.5 * (x / sd) ** 2) * erfcx(np.maximum(u, 0.0))
    return np.asarray(np.where(u < 0, far, near) / (2 * mean))


def back_weights(back: Array, size_t: Array, at_t: Array, stream: Stream, ahead_min: float) -> Array | None:
    """Return the probability that each load's truck was back before its filling began, by its end on the chain's grid.

    Args:
        back: return of each load's truck, minutes since 1970, shape (n,); NaN if unknown.
        size_t: mass of each load in lifted t, shape (n,).
        at_t: the grid: lifted mass at which a load may end, t, shape (cells,).
        stream: mass lifted by the machine.
        ahead_min: minutes by which the machine's clock runs ahead.

    Returns:
        Weights, shape (n, cells); None if no return is known.
    """
    known = np.flatnonzero(np.isfinite(back))
    if not known.size:
        return None
    out = np.ones((back.size, at_t.size))
    begin_t = np.maximum(at_t[None, :] - size_t[known, None], 0.0)
    start = departure_times(stream, begin_t) - ahead_min
    out[known] = (1 - BREAK) * ndtr((start - back[known, None]) / BACK_SD_MIN) + BREAK
    return out
