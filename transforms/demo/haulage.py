"""Trucks, heaps and the weighbridge of the demo: which minutes truly ended up in which load."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.demo.district import km_between


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


def fill_trucks(rng: np.random.Generator, batches: list[Batch]) -> list[TruckLoad]:
    """Fill trucks one after the other from one machine's emptied tanks in one field on one day.

    A tank is stirred: each truck takes an even part of every bin of a batch. The day's last truck leaves as it is.
    """
    loads: list[TruckLoad] = []
    bins: list[np.ndarray] = []
    mass: list[np.ndarray] = []
    room = capacity = float(rng.normal(27.5, 1.2))
    for batch in batches:
        left = float(batch.gross_t.sum())
        total = left
        while left > 1e-9:
            taken = min(left, room)
            bins.append(batch.bins)
            mass.append(batch.gross_t * (taken / total))
            left, room = left - taken, room - taken
            if room < 0.5:
                last = batches[-1]
                loads.append(_load(last, batch.at_s + rng.uniform(60, 240), bins, mass))
                bins, mass = [], []
                room = capacity = float(rng.normal(27.5, 1.2))
    if bins and capacity - room > 4:
        loads.append(_load(batches[-1], batches[-1].at_s + rng.uniform(200, 500), bins, mass))
    return loads


def _load(batch: Batch, left_s: float, bins: list[np.ndarray], mass: list[np.ndarray]) -> TruckLoad:
    return TruckLoad(batch.field_index, batch.machine, left_s, np.concatenate(bins), np.concatenate(mass))


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
    rng: np.random.Generator, loads: list[TruckLoad], fields: pl.DataFrame, sites: dict[str, tuple[float, float]]
) -> pl.DataFrame:
    """Drive every load to its factory; return `load_id, field_id, site_id, left_s, weighed_s, gross_t, machine, order`.

    Rows are in order of weighing; `order` points back into `loads`.
    """
    rows = []
    for order, load in enumerate(loads):
        place = fields.row(load.field_index, named=True)
        distance = 1.3 * km_between(place["lat_deg"], place["lon_deg"], *sites[place["site_id"]])
        drive = distance / 42 * 3600 * rng.uniform(0.92, 1.12)
        waits = 240 + 480 * rng.lognormal(0, 0.35)
        rows.append((order, place["field_id"], place["site_id"], load.left_s, load.left_s + drive + waits,
                     float(load.gross_t.sum()), load.machine))  # fmt: skip
    names = ["order", "field_id", "site_id", "left_s", "weighed_s", "gross_t", "machine"]
    table = pl.DataFrame(rows, schema=names, orient="row").sort("weighed_s", "order")
    return table.with_row_index("n", offset=100_001).with_columns(("T" + pl.col("n").cast(pl.String)).alias("load_id"))
