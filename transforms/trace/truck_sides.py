"""Fills seen by positions: a truck is filled where it is beside a machine that empties its tank."""

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trace.field_work import TracedFieldWork, to_minutes
from transforms.trace.mass_streams import Stretch

Array = NDArray[np.float64]
MinutesBeside = dict[str, dict[str, float]]
"""load -> machine -> minutes that the load's truck was beside it."""
LONGEST_FILL_MIN, LATE_MIN, LATE_SDS = 90.0, 5.0, 4.0
"""A fill ends at most LATE_MIN and LATE_SDS standard deviations after the estimated departure."""
EDGE_MIN = 1.0
"""Emptyings this close to a stop are within it: logs have their own intervals (common practice, no source)."""
SAME_TRIP_MIN = 12.0
ABSENT = 0.01
"""Weight of a machine that the truck was not beside while it was beside another: a lost position, a wrong number."""
SEEN_SD_MIN, SILENT_SD_MIN = 1.0, 3.0
"""Standard deviation of a departure from the last emptying beside the truck, or from the end of the stop."""


class Fills(NamedTuple):
    """Fills seen by positions.

    Attributes:
        left_min: departure of each load, minutes since 1970, shape (n,); NaN if it was not seen.
        sd_min: its standard deviation, minutes, shape (n,).
        beside: load -> machine -> minutes that its truck was beside it.
    """

    left_min: Array
    sd_min: Array
    beside: MinutesBeside


class _Stop(NamedTuple):
    machine_id: str
    from_min: float
    to_min: float
    last_min: float
    sd_min: float


def seen_fills(
    work: TracedFieldWork, loads: pl.DataFrame, left_min: Array, sd_min: Array, ahead_min: list[dict[str, float]]
) -> Fills:
    """Return the fills of a field that positions of trucks show.

    Args:
        work: the field, with the stops of trucks.
        loads: its n loads, in order of weighing.
        left_min: departure of each load by lags and tickets, minutes since 1970.
        sd_min: standard deviation of each.
        ahead_min: machine -> minutes its clock runs ahead, for each stretch.
    """
    found = Fills(np.full(loads.height, np.nan), np.full(loads.height, np.nan), {})
    if work.stops is None or "truck_id" not in loads.columns or not work.stops.height:
        return found
    by_truck = _stops(work.stops, work.stretches, ahead_min)
    weighed, names = to_minutes(loads, "weighed_at"), loads["load_id"].to_list()
    last: dict[str, int] = {}
    earliest = np.full(loads.height, -np.inf)
    for i, truck in enumerate(loads["truck_id"].to_list()):
        if truck is None:
            continue
        j = last.get(truck)
        if j is not None:
            same_trip = weighed[i] - weighed[j] < SAME_TRIP_MIN
            earliest[i] = earliest[j] if same_trip else left_min[j] + LATE_SDS * sd_min[j]
        last[truck] = i
        latest = left_min[i] + LATE_SDS * sd_min[i] + LATE_MIN
        first = max(earliest[i], left_min[i] - LONGEST_FILL_MIN)
        own = [s for s in by_truck.get(truck, []) if first < s.last_min < latest]
        if not own:
            continue
        minutes: dict[str, float] = {}
        for stop in own:
            minutes[stop.machine_id] = minutes.get(stop.machine_id, 0.0) + stop.to_min - stop.from_min
        longest = max(minutes, key=lambda m: (minutes[m], m))
        end = max((s for s in own if s.machine_id == longest), key=lambda s: s.last_min)
        found.left_min[i], found.sd_min[i], found.beside[names[i]] = end.last_min, end.sd_min, minutes
    return found


def _stops(stops: pl.DataFrame, stretches: list[Stretch], ahead_min: list[dict[str, float]]) -> dict[str, list[_Stop]]:
    """Return the stops of each truck in which a machine emptied its tank, by the field's common clock.

    A machine without detected emptyings may have emptied its tank in any stop.
    """
    beside = stops.filter(pl.col("machine_id").is_not_null())
    came, went = to_minutes(beside, "arrived_at"), to_minutes(beside, "left_at")
    out: dict[str, list[_Stop]] = {}
    for (truck, machine), a, b in zip(beside.select("truck_id", "machine_id").iter_rows(), came, went, strict=True):
        for stretch, ahead in zip(stretches, ahead_min, strict=True):
            shift = ahead.get(machine, 0.0)
            for stream in stretch.streams:
                if stream.machine_id != machine:
                    continue
                low, high = np.searchsorted(stream.left_min, [a - EDGE_MIN, b + EDGE_MIN])
                if stream.has_signal and high > low:
                    end, sd = float(stream.left_min[high - 1]) - shift, SEEN_SD_MIN
                elif not stream.has_signal and stretch.first_min <= b and a <= stretch.last_min:
                    end, sd = b - shift, SILENT_SD_MIN
                else:
                    continue
                out.setdefault(truck, []).append(_Stop(machine, a - shift, b - shift, end, sd))
    return out


def beside_weights(names: list[str], machines: list[str], beside: MinutesBeside) -> Array:
    """Return the weight of each machine for each load, shape (n, M): its part of the minutes beside machines.

    Args:
        names: the loads.
        machines: machines of the streams.
        beside: load -> machine -> minutes that its truck was beside it.
    """
    out = np.ones((len(names), len(machines)))
    for i, name in enumerate(names):
        minutes = np.array([beside.get(name, {}).get(m, 0.0) for m in machines])
        if minutes.sum() > 0:
            out[i] = ABSENT + minutes / minutes.sum()
    return out
