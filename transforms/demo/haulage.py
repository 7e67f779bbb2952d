"""Haulage of the demo season: trucks, field piles and weighbridge, with the true source bins of each load."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.demo.district import km_between
from transforms.demo.scenario import Scenario

MIN_LOAD_T = 4.0
"""A smaller remainder at the end of a day is never hauled."""


@dataclass(frozen=True)
class Batch:
    """Mass of one unloaded tank.

    Attributes:
        at_s: start of unloading, seconds since the season's first midnight.
        machine: index of the machine.
        field_index: index of the field.
        bins: index of each bin in the season's bin table.
        delivered_t: mass of each bin with its soil.
    """

    at_s: float
    machine: int
    field_index: int
    bins: np.ndarray
    delivered_t: np.ndarray


@dataclass
class TruckLoad:
    """One truck load: its departure from the field, and its mass from each bin."""

    field_index: int
    machine: int
    left_s: float
    bins: np.ndarray
    delivered_t: np.ndarray


def fill_trucks(rng: np.random.Generator, batches: list[Batch], scenario: Scenario) -> list[TruckLoad]:
    """Fill trucks one after the other from one machine's unloaded tanks in one field on one day.

    A tank is well mixed: each truck takes the same fraction of every bin of a batch. The last truck of the day leaves
    partly filled. A truck with a trailer fills one, then the other; both leave together and are weighed separately.

    Args:
        rng: the random generator of the season.
        batches: the unloaded tanks, ordered by time.
        scenario: truck capacities and the share of trailers.
    """
    loads: list[TruckLoad] = []
    truck = _Truck.create(rng, scenario)
    for batch in batches:
        left = total = float(batch.delivered_t.sum())
        while left > 1e-9:
            taken = truck.take(batch, left, total)
            left -= taken
            if truck.is_full:
                loads += truck.depart(batch, batch.at_s + rng.uniform(60, 240))
                truck = _Truck.create(rng, scenario)
    if truck.holds_t > MIN_LOAD_T:
        loads += truck.depart(batches[-1], batches[-1].at_s + rng.uniform(200, 500))
    return loads


@dataclass
class _Truck:
    """A truck being filled: one container, or truck and trailer."""

    room_t: list[float]
    contents: list[list[tuple[Batch, float]]]
    holds_t: float = 0.0

    @classmethod
    def create(cls, rng: np.random.Generator, scenario: Scenario) -> "_Truck":
        """Return an empty truck, with a trailer by chance."""
        capacity = float(rng.normal(27.5, scenario.capacity_sd_t))
        split = rng.random() < scenario.split
        rooms = [capacity * 0.55, capacity * 0.45] if split else [capacity]
        return cls(rooms, [[] for _ in rooms])

    @property
    def is_full(self) -> bool:
        """Return True if there is no room left."""
        return self.room_t[-1] < 0.5

    def take(self, batch: Batch, left: float, total: float) -> float:
        """Load mass of a batch into the first container with room; return the mass taken, t."""
        index = next(i for i, r in enumerate(self.room_t) if r >= 1e-9)
        taken = min(left, self.room_t[index])
        self.contents[index].append((batch, taken / total))
        self.room_t[index] -= taken
        self.holds_t += taken
        return taken

    def depart(self, batch: Batch, left_s: float) -> list[TruckLoad]:
        """Return the loads of the truck and its trailer."""
        return [
            TruckLoad(
                batch.field_index,
                batch.machine,
                left_s,
                np.concatenate([b.bins for b, _ in parts]),
                np.concatenate([b.delivered_t * part for b, part in parts]),
            )
            for parts in self.contents
            if parts
        ]


def heap_loads(rng: np.random.Generator, batches: list[Batch], days_later: float) -> list[TruckLoad]:
    """Return the loads of a field-edge pile, hauled days later: overlapping parts of the pile, roughly in order."""
    bins = np.concatenate([b.bins for b in batches])
    mass = np.concatenate([b.delivered_t for b in batches])
    count = max(1, round(mass.sum() / 27.5))
    start = batches[-1].at_s + days_later * 86_400
    start = (start // 86_400) * 86_400 + 7 * 3600
    position = np.cumsum(mass) / mass.sum()
    loads = []
    weights = np.empty((count, mass.size))
    for k in range(count):
        weights[k] = np.exp(-0.5 * ((position - (k + 0.5) / count) / 0.25) ** 2)
    weights /= weights.sum(axis=0)
    for k in range(count):
        left = start + k * 1100 + rng.uniform(0, 240)
        loads.append(TruckLoad(batches[0].field_index, -1, left, bins, weights[k] * mass))
    return loads


def weigh(
    rng: np.random.Generator,
    loads: list[TruckLoad],
    fields: pl.DataFrame,
    sites: dict[str, tuple[float, float]],
    scenario: Scenario,
) -> pl.DataFrame:
    """Return the tickets: `load_id, field_id, true_field, site_id, left_s, weighed_s, delivered_t, machine, order`.

    Rows are ordered by weighing time; `true_field` is the index of the field, `order` is the index in `loads`.

    Args:
        rng: the random generator of the season.
        loads: all truck loads.
        fields: the field list, with `site_id`.
        sites: site_id -> (lat, lon).
        scenario: the variation of driving and waiting times.
    """
    rows = []
    for order, load in enumerate(loads):
        place = fields.row(load.field_index, named=True)
        distance = 1.3 * km_between(place["lat_deg"], place["lon_deg"], *sites[place["site_id"]])
        variation = scenario.lag_scale
        drive = distance / 42 * 3600 * (1.02 + 0.1 * variation * rng.uniform(-1, 1))
        wait = 240 + 480 * rng.lognormal(0, 0.35 * variation)
        rows.append(
            (
                order,
                place["field_id"],
                load.field_index,
                place["site_id"],
                load.left_s,
                load.left_s + drive + wait,
                float(load.delivered_t.sum()),
                load.machine,
            )
        )
    names = ["order", "field_id", "true_field", "site_id", "left_s", "weighed_s", "delivered_t", "machine"]
    table = pl.DataFrame(rows, schema=names, orient="row").sort("weighed_s", "order")
    return table.with_row_index("n", offset=100_001).with_columns(("T" + pl.col("n").cast(pl.String)).alias("load_id"))


def spoil_tickets(rng: np.random.Generator, tickets: pl.DataFrame, scenario: Scenario) -> pl.DataFrame:
    """Return the tickets with some missing and some with a wrong field, as in real data."""
    n = len(tickets)
    fields = tickets["field_id"].to_numpy()
    # Take the wrong field from a recent ticket, because that field also has trucks on the road.
    earlier = np.maximum(np.arange(n) - rng.integers(3, 40, n), 0)
    wrong = rng.random(n) < scenario.wrong_field
    kept = rng.random(n) >= scenario.missing
    named = pl.Series("field_id", np.where(wrong, fields[earlier], fields))
    return tickets.with_columns(named).filter(pl.Series(kept))
