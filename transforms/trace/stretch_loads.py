"""Loads of one field assigned to its stretches of work, and associated with the machines of each stretch."""

import datetime as dt
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trace.association import Association, associate_loads
from transforms.trace.crossed_departures import infer_swaps
from transforms.trace.day_clocks import CLOCKS_SD_MIN, DayClocks
from transforms.trace.field_work import (
    FIRST_LAG_MIN,
    PLAUSIBLE,
    TracedFieldWork,
    is_filled_by_machine,
    nearest_stretch,
    sort_by_weighing,
    to_minutes,
)
from transforms.trace.load_ends_hmm import Departures
from transforms.trace.mass_streams import Stretch
from transforms.trace.truck_evidence import TruckEvidence
from transforms.trace.truck_sides import seen_fills

Array = NDArray[np.float64]

CLOSES = 1.25
"""A stretch is taken to be complete if its closure differs from the field's usual one by less than this factor."""


class StretchLoads(NamedTuple):
    """A stretch of work, its loads in order of departure, and the lags and clocks of its day."""

    stretch: Stretch
    loads: pl.DataFrame
    departures: Departures
    trucks: TruckEvidence
    day: DayClocks


class FieldLoads(NamedTuple):
    """Loads of a field, n rows in order of weighing, and those of each stretch.

    Attributes:
        loads: all loads.
        left_min: time at which each load was full, minutes since 1970, shape (n,).
        after_min: minutes from the end of its stretch to that time (negative: before its start), shape (n,).
        is_straight: True for loads that were filled from a machine, shape (n,).
        weighed_t: delivered mass of each stretch, t, shape (k,).
        usual: the field's usual closure.
        of_stretch: the loads of each stretch.
    """

    loads: pl.DataFrame
    left_min: Array
    after_min: Array
    is_straight: NDArray[np.bool_]
    weighed_t: Array
    usual: float
    of_stretch: list[StretchLoads]


class StretchAssociation(NamedTuple):
    """Association of the loads of a stretch.

    Attributes:
        shared: association of the loads with the machines; None without loads.
        ratio: weighed over lifted mass of the stretch.
        closes: True if the ratio is plausible.
    """

    shared: Association | None
    ratio: float
    closes: bool


def assign_loads(work: TracedFieldWork, clocks: dict[dt.date, DayClocks]) -> FieldLoads:
    """Return the loads of a field, each assigned to the stretch of work nearest to its departure.

    Args:
        work: the field with its work and loads.
        clocks: lags and clock offsets of each shift day of its work.
    """
    loads = sort_by_weighing(work.loads)
    weighed = to_minutes(loads, "weighed_at")
    clocks_of = [clocks[s.shift_date] for s in work.stretches]
    index, _ = nearest_stretch(work.stretches, weighed - FIRST_LAG_MIN)
    lag = np.array(
        [
            clocks_of[k].lag_min(s, km) if clocks_of else FIRST_LAG_MIN
            for k, s, km in zip(index, loads["site_id"], loads["km"], strict=True)
        ]
    )
    left, sd = _departures(loads, weighed, lag, index, clocks_of)
    seen = seen_fills(work, loads, left, sd, [c.machine_ahead_min for c in clocks_of])
    left, sd = (np.where(np.isfinite(s), s, b) for s, b in ((seen.left_min, left), (seen.sd_min, sd)))
    index, after = nearest_stretch(work.stretches, left)
    straight = (index >= 0) & is_filled_by_machine(after)
    delivered = loads["delivered_t"].to_numpy()
    weighed_t = np.array([delivered[straight & (index == k)].sum() for k in range(len(work.stretches))])
    of_stretch = []
    for k, stretch in enumerate(work.stretches):
        own = np.flatnonzero(straight & (index == k))
        order = own[np.argsort(left[own], kind="stable")]
        departures = Departures(left[order], sd[order], delivered[order])
        own_loads = loads[order.tolist()]
        trucks = TruckEvidence.of(own_loads, left[order], stretch, clocks_of[k], seen.beside)
        of_stretch.append(StretchLoads(stretch, own_loads, departures, trucks, clocks_of[k]))
    usual = _usual_closure(work.stretches, weighed_t, clocks_of)
    return FieldLoads(loads, left, after, straight, weighed_t, usual, of_stretch)


def associate_stretch(own: StretchLoads, usual: float) -> StretchAssociation:
    """Return the association of the loads of a stretch with its machines, and how its mass closes.

    Args:
        own: the stretch and its loads.
        usual: the field's usual closure.
    """
    stretch, loads, departures, trucks, day = own
    ratio = float(departures.delivered_t.sum()) / stretch.lifted_t
    closes = 1 / CLOSES <= ratio / usual <= CLOSES
    if not loads.height:
        return StretchAssociation(None, ratio, closes)
    closure, named = ratio if closes else usual, loads["machine_id"].to_list()
    shared = associate_loads(stretch, departures, named, closure, usual, day.machine_ahead_min, trucks)
    return StretchAssociation(infer_swaps(stretch, shared, departures, day), ratio, closes)


def _departures(
    loads: pl.DataFrame, weighed: Array, lag: Array, index: NDArray[np.int64], day: list[DayClocks]
) -> tuple[Array, Array]:
    """Return the time at which each load was full and its standard deviation, minutes, shape (n,).

    The departure on the ticket is used if it agrees with the weighing, and otherwise the lag.
    """
    by_lag = weighed - lag
    if not day:
        return by_lag, np.full(weighed.size, 5.0)
    lag_sd = np.array([day[k].lag_sd_min(s) for k, s in zip(index, loads["site_id"], strict=True)])
    leave, leave_sd = (np.array([getattr(day[k], f) for k in index]) for f in ("leave_min", "leave_spread_min"))
    by_ticket = to_minutes(loads, "left_field_at") - leave
    agrees = np.abs(by_ticket - by_lag) < 6 * lag_sd + 15
    sd = np.hypot(np.where(agrees, leave_sd, lag_sd), CLOCKS_SD_MIN)
    return np.where(agrees, by_ticket, by_lag), sd


def _usual_closure(stretches: list[Stretch], weighed_t: Array, day: list[DayClocks]) -> float:
    """Return the field's usual closure: the median of its stretches, shrunk to the fleet's as if that were one more."""
    if not stretches:
        return 1.0
    fleet = float(np.median([d.closure for d in day]))
    ratio = weighed_t / np.array([s.lifted_t for s in stretches])
    kept = ratio[(ratio > fleet / PLAUSIBLE) & (ratio < fleet * PLAUSIBLE)]
    if not kept.size:
        return fleet
    return float(np.exp((kept.size * np.log(np.median(kept)) + np.log(fleet)) / (kept.size + 1)))
