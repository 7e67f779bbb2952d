"""Trucks of an invented season: the truck of every ticket, its tare weighing and its contacts with machines.

Trucks queue for a machine in the order of their arrival. A truck that is not back cannot be filled; if none waits,
another truck joins the fleet. Numbers of one season depend only on its tickets and the seed.
"""

from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from transforms.demo.district import km_between
from transforms.demo.season import DemoSeason

ROAD_FACTOR, KM_PER_MIN = 1.3, 0.7
FIRST_FILL_MIN = 15.0
"""Minutes from the arrival of a machine's first truck to its departure."""


@dataclass(frozen=True)
class Fleet:
    """Habits of trucks.

    Attributes:
        leak: share of loads that are taken by a truck of another machine's queue.
        pooled: all trucks of a field queue together and go to whichever machine is free.
        tare_min: shortest and longest time from weighing full to weighing empty, minutes.
        gang_slip: share of trucks whose gang is not that of their machine.
    """

    leak: float = 0.1
    pooled: bool = False
    tare_min: tuple[float, float] = (6.0, 14.0)
    gang_slip: float = 0.1


@dataclass
class _Truck:
    name: str
    queue: int
    free_min: float


@dataclass(frozen=True)
class Trip:
    """One trip of a truck, in minutes since the season's midnight."""

    field_index: int
    machine: int
    from_min: float
    left_min: float
    weighed_min: float
    truck: str = ""
    queue: int = -1
    tared_min: float = 0.0
    orders: tuple[int, ...] = field(default=())


def _trips(season: DemoSeason) -> list[Trip]:
    """Return all trips filled directly by a machine, in order of the start of their filling, without trucks."""
    index = {f: i for i, f in enumerate(season.district.fields["field_id"])}
    tickets = season.tickets.filter(pl.col("machine") >= 0).with_columns((pl.col("left_s") // 86_400).alias("day"))
    together = tickets.group_by("machine", "left_s", "day", maintain_order=True).agg(
        pl.col("field_id").first(), pl.col("weighed_s").max(), pl.col("order")
    )
    out, before = [], dict[tuple[int, int, float], float]()
    for machine, left_s, day, field_id, weighed_s, orders in together.sort("left_s", "machine").iter_rows():
        key = (machine, index[field_id], day)
        left = left_s / 60
        start = before.get(key, left - FIRST_FILL_MIN)
        before[key] = left
        out.append(Trip(index[field_id], machine, start, left, weighed_s / 60, orders=tuple(orders)))
    return sorted(out, key=lambda t: (t.from_min, t.machine))


def _home_km(season: DemoSeason, field_index: int) -> float:
    place = season.district.fields.row(field_index, named=True)
    site = season.district.sites[place["site_id"]]
    return ROAD_FACTOR * km_between(place["lat_deg"], place["lon_deg"], *site)


def truck_trips(season: DemoSeason, fleet: Fleet, seed: int) -> list[Trip]:
    """Return every trip with its truck."""
    rng = np.random.default_rng(seed)
    waiting: dict[tuple[int, float], list[_Truck]] = {}
    out = []
    for trip in _trips(season):
        here = waiting.setdefault((trip.field_index, trip.left_min // 1440), [])
        back = sorted((t for t in here if t.free_min <= trip.from_min), key=lambda t: t.free_min)
        own = [t for t in back if fleet.pooled or t.queue == trip.machine]
        other = [t for t in back if t.queue != trip.machine]
        queues = sorted({t.queue for t in here} - {trip.machine})
        strays = not fleet.pooled and bool(queues) and rng.random() < fleet.leak
        candidates = other if strays else own
        chosen = candidates[0] if candidates else None
        if chosen is None:
            queue = int(rng.choice(queues)) if strays else trip.machine
            chosen = _Truck(f"K{rng.integers(10**8):08d}", queue, 0.0)
            here.append(chosen)
        tared = trip.weighed_min + rng.uniform(*fleet.tare_min)
        km = _home_km(season, trip.field_index)
        chosen.free_min = tared + km / KM_PER_MIN * (1.02 + 0.1 * rng.uniform(-1, 1))
        out.append(replace(trip, truck=chosen.name, queue=chosen.queue, tared_min=tared))
    return out


def truck_columns(season: DemoSeason, trips: list[Trip], fleet: Fleet, seed: int) -> pl.DataFrame:
    """Return `load_id, truck_id, tared_at, gang_id, trailer_id` of the tickets; null for heaps.

    Tare weighings are on the site's clock, like the tickets' other times.
    """
    rng = np.random.default_rng(seed + 1)
    ahead = {site: (minutes, first) for site, minutes, first in season.plan.scenario.site_clocks}
    ids = season.tickets.select("order", "load_id", "site_id")
    gangs: dict[str, str] = {}
    for trip in trips:
        wrong = rng.random() < fleet.gang_slip
        gangs.setdefault(trip.truck, f"G{(trip.queue + wrong) % season.plan.machines}")
    rows = [
        (order, t.truck, t.tared_min, gangs[t.truck], f"{t.truck}-{k}")
        for t in trips
        for k, order in enumerate(t.orders)
    ]
    table = pl.DataFrame(rows, schema=["order", "truck_id", "tared_min", "gang_id", "trailer_id"], orient="row")
    table = ids.join(table, on="order", how="left")
    late = [
        None if m is None else m + (ahead[s][0] if s in ahead and m // 1440 >= ahead[s][1] else 0.0)
        for m, s in table.select("tared_min", "site_id").iter_rows()
    ]
    at = pl.lit(season.midnight) + pl.duration(minutes=1) * pl.Series("late", late, dtype=pl.Float64).floor()
    return table.with_columns(at.cast(pl.Datetime("us", "UTC")).alias("tared_at")).drop("order", "tared_min", "site_id")


def truck_stops(
    season: DemoSeason, trips: list[Trip], unloads: pl.DataFrame, every_min: float, seed: int
) -> dict[str, pl.DataFrame]:
    """Return the stops of trucks beside machines by field, as positions every `every_min` minutes show them.

    A truck is beside its machine at each emptying of its filling, and at every tenth trip for a minute beside another
    machine. Every twentieth truck has no positions. Times are by the machine's own clock.

    Args:
        season: the season.
        trips: its trips.
        unloads: `machine_id, started_at`; emptyings by the machines' own clocks.
        every_min: interval of the positions, minutes.
        seed: seed of the random generator.
    """
    rng = np.random.default_rng(seed + 2)
    machines = season.district.machines
    ids, ahead_s = machines["machine_id"].to_list(), dict(machines.select("machine_id", "clock_offset_s").iter_rows())
    midnight = season.midnight.timestamp() / 60
    emptied = {
        str(m): part["started_at"].dt.timestamp("us").to_numpy() / 60e6
        for (m,), part in unloads.sort("started_at").group_by("machine_id", maintain_order=True)
    }
    silent = {t: rng.random() < 0.05 for t in dict.fromkeys(trip.truck for trip in trips)}
    rows = []
    for trip in trips:
        machine, others = ids[trip.machine], [m for m in ids if m != ids[trip.machine]]
        shift = midnight + ahead_s[machine] / 60
        first, last = trip.from_min + shift, trip.left_min + shift
        own = [(machine, t, t + 1.5) for t in emptied.get(machine, []) if first - 0.5 <= t <= last]
        if rng.random() < 0.1:
            passing, at = str(rng.choice(others)), rng.uniform(first, last)
            own.append((passing, at, at + 1.0))
        if not silent[trip.truck]:
            field_id = season.district.fields["field_id"][trip.field_index]
            rows += [
                (field_id, trip.truck, m, a - rng.uniform(0, every_min), b + rng.uniform(0, every_min))
                for m, a, b in own
            ]
    table = pl.DataFrame(rows, schema=["field_id", "truck_id", "machine_id", "from", "to"], orient="row")
    utc = pl.Datetime("us", "UTC")
    timed = table.select(
        "field_id",
        "truck_id",
        "machine_id",
        pl.lit(None, pl.String).alias("site_id"),
        (pl.col("from") * 60e6).cast(pl.Int64).cast(utc).alias("arrived_at"),
        (pl.col("to") * 60e6).cast(pl.Int64).cast(utc).alias("left_at"),
    )
    return {str(f): part.drop("field_id") for (f,), part in timed.group_by("field_id", maintain_order=True)}
