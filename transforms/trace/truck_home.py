"""Home machines of trucks: within a stretch, a truck mostly hauls for one machine, and a gang mostly serves one.

Equations (2.6) and (2.7) of METHODS.md. Trucks of one pool have no home: how far trucks keep to machines is estimated
(`truck_keeping.py`), against the share of the stretch's loads that each machine filled. A load without a vehicle is one
of its own if its ticket names a gang.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple, TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.trace.truck_keeping import Keeping, mean_keeping, stray_evidence

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Key = TypeVar("Key")
SURE = 0.999
"""No home machine excludes the others altogether."""
SAME_TRIP = 0.98
"""Probability that two tickets of one trip were filled by the same machine."""
SMALLEST = 1e-12
SMALLEST_SHARE = 0.02
"""Smallest share of a stretch's loads that a stream is taken to have filled."""
HOME_VEHICLE = "home_vehicle_id"
"""Column of loads: truck or trailer that mostly hauls from one machine."""


def add_home_vehicle(loads: pl.DataFrame) -> pl.DataFrame:
    """Return loads with `home_vehicle_id`: their truck, else their trailer; both columns are optional.

    >>> loads = pl.DataFrame({"truck_id": ["7", None, None], "trailer_id": ["A", "A", None]})
    >>> add_home_vehicle(loads)["home_vehicle_id"].to_list()
    ['truck 7', 'trailer A', None]
    """
    kinds = [k for k in ("truck", "trailer") if f"{k}_id" in loads.columns]
    named = [pl.format(f"{k} {{}}", pl.col(f"{k}_id")) for k in kinds]
    return loads.with_columns(pl.coalesce([*named, pl.lit(None, pl.String)]).alias(HOME_VEHICLE))


class Agreement(NamedTuple):
    """Degrees to which trips keep to the home of their vehicle, and vehicles to that of their gang.

    Attributes:
        of_vehicle, of_gang: 1 - stray, 0 to 1.
        share: share of the loads that each stream filled, shape (M,): chance.
        vehicle_evidence, gang_evidence: results of `stray_evidence`.
    """

    of_vehicle: float
    of_gang: float
    share: Array
    vehicle_evidence: Array | None
    gang_evidence: Array | None


@dataclass(frozen=True)
class Homes:
    """Loads of one stretch by trip, vehicle and gang.

    Attributes:
        trip: trip of each load, shape (n,); -1 without vehicle.
        vehicle: vehicle of each trip, shape (t,).
        gang: gang of each vehicle, shape (v,); -1 without gang.
        streams: number M of streams.
    """

    trip: Ints
    vehicle: Ints
    gang: Ints
    streams: int

    @classmethod
    def of(cls, loads: pl.DataFrame, streams: int) -> "Homes":
        """Return the trips, vehicles and gangs of loads.

        Args:
            loads: n loads; `home_vehicle_id`, `gang_id` and `trip_id` are optional.
            streams: number of streams.
        """
        n = loads.height
        own, gang, trip = (_ids(loads, c) for c in (HOME_VEHICLE, "gang_id", "trip_id"))
        vehicle = [_vehicle(own[i], gang[i], i) for i in range(n)]
        trips = [(v, trip[i] or str(i)) if v is not None else None for i, v in enumerate(vehicle)]
        trip_numbers, vehicle_numbers = _numbers(trips), _numbers(vehicle)
        gangs = _numbers(gang)
        gang_of: dict[int, int] = {}
        for v, g in zip(vehicle, gang, strict=True):
            if v is not None and g is not None:
                gang_of.setdefault(vehicle_numbers[v], gangs[g])
        return cls(
            np.array([-1 if t is None else trip_numbers[t] for t in trips], dtype=np.int64),
            np.array([vehicle_numbers[t[0]] for t in trip_numbers], dtype=np.int64),
            np.array([gang_of.get(k, -1) for k in range(len(vehicle_numbers))], dtype=np.int64),
            streams,
        )

    @property
    def are_known(self) -> bool:
        """True if there are several streams and two loads share a vehicle or a gang."""
        if self.streams < 2 or not self.vehicle.size:
            return False
        gangs = self.gang[self.gang >= 0]
        return bool((self.trip >= 0).sum() > self.gang.size) or gangs.size > np.unique(gangs).size

    def agreement(self, belief: Array, keeping: Keeping) -> Agreement:
        """Return how far vehicles and gangs keep to a machine, from beliefs that no truck has influenced.

        Args:
            belief: probability of each stream for each load, shape (n, M), as in `messages`.
            keeping: prior of the field.
        """
        share = np.maximum(belief.sum(axis=0) / max(belief.sum(), SMALLEST), SMALLEST_SHARE)
        share /= share.sum()
        trip, _, _ = self._trips(belief, share)
        vehicles = stray_evidence(_scaled(trip, share), self.vehicle, share)
        of_vehicle = mean_keeping(vehicles, keeping.of_vehicle)
        known = np.flatnonzero(self.gang >= 0)
        if not known.size:
            return Agreement(of_vehicle, 0.0, share, vehicles, None)
        # By the stretch alone: the evidence of gangs on other fields must not depend on that of other fields.
        alone = mean_keeping(vehicles, Keeping().of_vehicle)
        of_home = _spread(_scaled(trip, share), 1 - alone, share)
        own = _sums(np.log(of_home), self.vehicle, self.gang.size)[known]
        gangs = stray_evidence(_scaled(own, share), self.gang[known], share)
        return Agreement(of_vehicle, mean_keeping(gangs, keeping.of_gang), share, vehicles, gangs)

    def messages(self, belief: Array, agreement: Agreement) -> Array:
        """Return the messages t_i(m) of (2.7), shape (n, M), with mean 1; 1 for loads without a vehicle.

        Args:
            belief: probability of each stream for each load without its vehicle, shape (n, M), rows that sum to at
                most 1; the remainder is the probability of no stream and carries no knowledge.
            agreement: result of `agreement`.
        """
        known, share, stray = np.flatnonzero(self.trip >= 0), agreement.share, 1 - agreement.of_vehicle
        trip, ticket, single = self._trips(belief, share)
        each = np.log(_spread(_scaled(trip, share), stray, share))
        vehicle = _sums(each, self.vehicle, self.gang.size)
        from_gang = self._gang_messages(vehicle, agreement)
        home = _scaled((from_gang + vehicle)[self.vehicle] - each, share)
        to_trip = np.log(_spread(SURE * home + (1 - SURE), stray, share))
        others = _scaled((to_trip + trip)[self.trip[known]] - ticket, share)
        out = np.ones((self.trip.size, self.streams))
        out[known] = np.where(single, others, _spread(others, 1 - SAME_TRIP, share))
        return out

    def _trips(self, belief: Array, share: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
        """Return log odds of trips against chance, shape (t, M), and of tickets, and which tickets are alone."""
        known = np.flatnonzero(self.trip >= 0)
        odds = np.maximum(belief / share + (1 - belief.sum(axis=1, keepdims=True)), SMALLEST)[known]
        # A trip of one ticket has no other: its machine is that of the trip itself.
        single = np.bincount(self.trip[known], minlength=self.vehicle.size)[self.trip[known], None] == 1
        ticket = np.log(np.where(single, odds, _spread(odds, 1 - SAME_TRIP, share)))
        return _sums(ticket, self.trip[known], self.vehicle.size), ticket, single

    def _gang_messages(self, vehicle: Array, agreement: Agreement) -> Array:
        """Return the logarithm of the message of each gang to its vehicles, shape (v, M); 0 without gang."""
        known = np.flatnonzero(self.gang >= 0)
        out = np.zeros(vehicle.shape)
        if not known.size:
            return out
        share, stray, gang = agreement.share, 1 - agreement.of_gang, self.gang[known]
        each = np.log(_spread(_scaled(vehicle[known], share), stray, share))
        total = _sums(each, gang, int(gang.max()) + 1)
        out[known] = np.log(_spread(_scaled(total[gang] - each, share), stray, share))
        return out


def leak(keeps: float, share: Array) -> float:
    """Return the share of trips away from home, (1 - keeps) (1 - sum of squared shares).

    Args:
        keeps: share of trips that stay at the home machine, 0 to 1.
        share: share of trips by machine, summing to 1, shape (machines,).
    """
    return (1 - keeps) * (1 - float((share**2).sum()))


def _spread(odds: Array, stray: float, share: Array) -> Array:
    """Return odds seen through a link that strays, (2.6), shape (k, M)."""
    return np.asarray(np.maximum((1 - stray) * odds + stray * (odds @ share)[:, None], SMALLEST))


def _scaled(log_odds: Array, share: Array) -> Array:
    """Return odds with mean 1 over the streams' shares in each row, from their logarithms."""
    out = np.exp(log_odds - log_odds.max(axis=1, keepdims=True))
    return np.asarray(np.maximum(out / (out @ share)[:, None], SMALLEST))


def _sums(rows: Array, group: Ints, size: int) -> Array:
    """Return the sum of the rows of each group, shape (size, M)."""
    out = np.zeros((size, rows.shape[1]))
    np.add.at(out, group, rows)
    return out


def _ids(loads: pl.DataFrame, column: str) -> list[str | None]:
    return loads[column].to_list() if column in loads.columns else [None] * loads.height


def _vehicle(own: str | None, gang: str | None, i: int) -> tuple[str, str] | None:
    """Return the vehicle of load i: its home vehicle, else one of its own if it has a gang."""
    if own is not None:
        return "vehicle", own
    return None if gang is None else ("load", str(i))


def _numbers(values: Iterable[Key | None]) -> dict[Key, int]:
    """Return the number of each distinct value, in order of appearance; None has none."""
    return {v: k for k, v in enumerate(dict.fromkeys(v for v in values if v is not None))}
