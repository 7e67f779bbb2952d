"""Home machines of trucks: within a stretch, a truck mostly hauls for one machine, and a gang mostly serves one.

Equations (2.6) to (2.8) of METHODS.md. A truck or trailer counts only if the office says that trucks keep to machines
(`add_home_vehicle`): beliefs about the loads of one truck of a pool agree by error as well. A load without such a
vehicle is one of its own if its ticket names a gang.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple, TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Key = TypeVar("Key")
USUAL_LEAK = 0.1
"""Share of trips that a truck takes from another machine (common practice, no source)."""
PRIOR_PAIRS = 10.0
"""Weight of the usual leak, in pairs of trips whose machines are known."""
RELIABILITY = 0.7
"""Part of the knowledge in converged beliefs that is real, as they are overconfident (measured on seasons 7100 on)."""
SURE = 0.999
"""No home machine excludes the others altogether."""
SAME_TRIP = 0.98
"""Probability that two tickets of one trip were filled by the same machine."""
SMALLEST = 1e-12
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
    """Excess kappa over chance with which two trips of a vehicle, and two vehicles of a gang, share a machine."""

    of_vehicle: float
    of_gang: float


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

    def agreement(self, belief: Array) -> Agreement:
        """Return how far vehicles and gangs keep to a machine, from beliefs that no truck has influenced.

        Args:
            belief: probability of each stream for each load, shape (n, M), as in `messages`.
        """
        trip, _, _ = self._trips(belief)
        of_vehicle = excess_agreement(_scaled(trip), self.vehicle, self.streams)
        known = np.flatnonzero(self.gang >= 0)
        own = _sums(np.log(_scaled(trip) @ _leaking(of_vehicle, self.streams)), self.vehicle, self.gang.size)[known]
        of_gang = excess_agreement(_scaled(own), self.gang[known], self.streams) if known.size else 0.0
        return Agreement(of_vehicle, of_gang)

    def messages(self, belief: Array, agreement: Agreement) -> Array:
        """Return the messages t_i(m) of (2.7), shape (n, M), with mean 1; 1 for loads without a vehicle.

        Args:
            belief: probability of each stream for each load without its vehicle, shape (n, M), rows that sum to at
                most 1; the remainder is the probability of no stream and carries no knowledge.
            agreement: result of `agreement`.
        """
        m, known = self.streams, np.flatnonzero(self.trip >= 0)
        trip, ticket, single = self._trips(belief)
        of_home = _leaking(agreement.of_vehicle, m)
        each = np.log(_scaled(trip) @ of_home)
        vehicle = _sums(each, self.vehicle, self.gang.size)
        from_gang = self._gang_messages(vehicle, agreement.of_gang)
        home = _scaled((from_gang + vehicle)[self.vehicle] - each)
        to_trip = np.log((SURE * home + (1 - SURE) / m) @ of_home)
        others = _scaled((to_trip + trip)[self.trip[known]] - ticket)
        out = np.ones((self.trip.size, m))
        out[known] = m * np.where(single, others, others @ _same_trip(m))
        return out

    def _trips(self, belief: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
        """Return log beliefs of trips, shape (t, M), and of tickets, and which tickets are alone in their trip."""
        m, known = self.streams, np.flatnonzero(self.trip >= 0)
        b = np.maximum(belief + (1 - belief.sum(axis=1, keepdims=True)) / m, SMALLEST)[known]
        # A trip of one ticket has no other: its machine is that of the trip itself.
        single = np.bincount(self.trip[known], minlength=self.vehicle.size)[self.trip[known], None] == 1
        ticket = np.log(np.where(single, b, b @ _same_trip(m)))
        return _sums(ticket, self.trip[known], self.vehicle.size), ticket, single

    def _gang_messages(self, vehicle: Array, of_gang: float) -> Array:
        """Return the logarithm of the message of each gang to its vehicles, shape (v, M); 0 without gang."""
        known = np.flatnonzero(self.gang >= 0)
        out = np.zeros(vehicle.shape)
        if not known.size:
            return out
        own, gang, leaking = _scaled(vehicle[known]), self.gang[known], _leaking(of_gang, self.streams)
        each = np.log(own @ leaking)
        total = _sums(each, gang, int(gang.max()) + 1)
        out[known] = np.log(_scaled(total[gang] - each) @ leaking)
        return out


def _same_trip(m: int) -> Array:
    """Return P(machine of a ticket | machine of another of its trip), shape (M, M)."""
    out = np.full((m, m), (1 - SAME_TRIP) / (m - 1))
    np.fill_diagonal(out, SAME_TRIP)
    return out


def excess_agreement(b: Array, group: Ints, streams: int) -> float:
    """Return kappa of (2.8), the excess over chance with which two members of a group share a machine, 0 to 1.

    Args:
        b: probability of each stream for each member, shape (k, M), rows that sum to 1.
        group: group of each member, shape (k,).
        streams: number M of streams.
    """
    m, shrunk = streams, RELIABILITY * b + (1 - RELIABILITY) / streams
    agree = [np.zeros(0)]
    for k in np.flatnonzero(np.bincount(group) > 1):
        own = shrunk[group == k]
        agree.append((own @ own.T)[np.triu_indices(len(own), 1)])
    excess = m * np.concatenate(agree) - 1
    agreeing = ((m - 1) * (1 - USUAL_LEAK * m / (m - 1)) ** 2 + 1) / m

    def loss(kappa: float) -> float:
        prior = agreeing * np.log1p(kappa * (m - 1)) + (1 - agreeing) * np.log1p(-kappa)
        return -float(np.log1p(kappa * excess).sum() + PRIOR_PAIRS * prior)

    return float(minimize_scalar(loss, bounds=(0.0, 1.0 - 1e-6), method="bounded").x)


def leak(kappa: float, streams: int) -> float:
    """Return the leak e = (M - 1) / M (1 - sqrt kappa)."""
    return (streams - 1) / streams * (1 - float(np.sqrt(kappa)))


def _leaking(kappa: float, m: int) -> Array:
    """Return P(machine | home), shape (M, M), symmetric."""
    e = leak(kappa, m)
    out = np.full((m, m), e / (m - 1))
    np.fill_diagonal(out, 1 - e)
    return np.asarray(np.maximum(out, SMALLEST))


def _scaled(log_weight: Array) -> Array:
    """Return weights that sum to 1 in each row, from their logarithms."""
    out = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    return np.asarray(np.maximum(out / out.sum(axis=1, keepdims=True), SMALLEST))


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
