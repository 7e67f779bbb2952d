"""Trucks, heaps and the weighbridge of the demo: which minutes truly ended up in which load."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.demo.district import km_between
from transforms.demo.scenario import Scenario

SMALLEST_LOAD_T = 4.0
"""Less than this is not worth a truck at the end of a day: it is never hauled."""


@dataclass(frozen=True)
class Batch:
    """Mass that left a machine at one moment: one emptied tank.

    Attributes:
        at_s: when the emptying began, seconds since the season's first midnight.
        bins: index of each bin in the season's bin table.
        gross_t: gross mass of each bin.
    """

    at_s: float
    machine: int
    field_index: int
    bins: np.ndarray
    gross_t: np.ndarray


@dataclass
class TruckLoad:
    """One truck: when it left the field, and the mass of each bin in it."""

    field_index: int
    machine: int
    left_s: float
    bins: np.ndarray
    gross_t: np.ndarray


def fill_trucks(rng: np.random.Generator, batches: list[Batch], hardship: Scenario) -> list[TruckLoad]:
    """Fill trucks one after the other from one machine's emptied tanks in one field on one day.

    A tank is stirred: each truck takes an even part of every bin of a batch. The day's last truck leaves as it is. A
    truck with a trailer fills the one, then the other; both leave together and are weighed apart.
    """
    loads: list[TruckLoad] = []
    truck = _Truck.arrives(rng, hardship)
    for batch in batches:
        left = total = float(batch.gross_t.sum())
        while left > 1e-9:
            taken = truck.take(batch, left, total)
            left -= taken
            if truck.full:
                loads += truck.leaves(batch, batch.at_s + rng.uniform(60, 240))
                truck = _Truck.arrives(rng, hardship)
    if truck.holds_t > SMALLEST_LOAD_T:
        loads += truck.leaves(batches[-1], batches[-1].at_s + rng.uniform(200, 500))
    return loads


@dataclass
class _Truck:
    """A truck being filled: one container, or truck and trailer."""

    room_t: list[float]
    held: list[list[tuple[Batch, float]]]
    holds_t: float = 0.0

    @classmethod
    def arrives(cls, rng: np.random.Generator, hardship: Scenario) -> "_Truck":
        capacity = float(rng.normal(27.5, hardship.capacity_sd_t))
        split = rng.random() < hardship.split
        rooms = [capacity * 0.55, capacity * 0.45] if split else [capacity]
        return cls(rooms, [[] for _ in rooms])

    @property
    def full(self) -> bool:
        return self.room_t[-1] < 0.5

    def take(self, batch: Batch, left: float, total: float) -> float:
        index = next(i for i, r in enumerate(self.room_t) if r >= 1e-9)
        taken = min(left, self.room_t[index])
        self.held[index].append((batch, taken / total))
        self.room_t[index] -= taken
        self.holds_t += taken
        return taken

    def leaves(self, batch: Batch, left_s: float) -> list[TruckLoad]:
        return [
            TruckLoad(
                batch.field_index,
                batch.machine,
                left_s,
                np.concatenate([b.bins for b, _ in parts]),
                np.concatenate([b.gross_t * part for b, part in parts]),
            )
            for parts in self.held
            if parts
        ]


def heap_loads(rng: np.random.Generator, batches: list[Batch], days_later: float) -> list[TruckLoad]:
    """Load a field-edge heap days later: every load is an even part of all that was tipped, roughly in order."""
    bins = np.concatenate([b.bins for b in batches])
    mass = np.concatenate([b.gross_t for b in batches])
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
    hardship: Scenario,
) -> pl.DataFrame:
    """Drive every load to its factory; return `load_id, field_id, site_id, left_s, weighed_s, gross_t, machine, order`.

    Rows are in order of weighing; `order` points back into `loads`.
    """
    rows = []
    for order, load in enumerate(loads):
        place = fields.row(load.field_index, named=True)
        distance = 1.3 * km_between(place["lat_deg"], place["lon_deg"], *sites[place["site_id"]])
        swings = hardship.lag_scale
        drive = distance / 42 * 3600 * (1.02 + 0.1 * swings * rng.uniform(-1, 1))
        waits = 240 + 480 * rng.lognormal(0, 0.35 * swings)
        rows.append(
            (
                order,
                place["field_id"],
                place["site_id"],
                load.left_s,
                load.left_s + drive + waits,
                float(load.gross_t.sum()),
                load.machine,
            )
        )
    names = ["order", "field_id", "site_id", "left_s", "weighed_s", "gross_t", "machine"]
    table = pl.DataFrame(rows, schema=names, orient="row").sort("weighed_s", "order")
    return table.with_row_index("n", offset=100_001).with_columns(("T" + pl.col("n").cast(pl.String)).alias("load_id"))


def spoil_tickets(rng: np.random.Generator, tickets: pl.DataFrame, hardship: Scenario) -> pl.DataFrame:
    """Lose some tickets and write a wrong field on others: what offices really get."""
    n = len(tickets)
    fields = tickets["field_id"].to_numpy()
    # The wrong field is one whose ticket was written shortly before: it has trucks on the road as well.
    earlier = np.maximum(np.arange(n) - rng.integers(3, 40, n), 0)
    wrong = rng.random(n) < hardship.wrong_field
    kept = rng.random(n) >= hardship.missing
    named = pl.Series("field_id", np.where(wrong, fields[earlier], fields))
    return tickets.with_columns(named).filter(pl.Series(kept))
