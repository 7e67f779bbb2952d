"""Seasons of other haulage (`other_haulage.py`): rows as the tracing reads them, and the truth of each load."""

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from tests.validation.other_haulage import (
    HEAP_ORDERS,
    Haulage,
    Parts,
    empty_tanks,
    fill_in_turn,
    lift_field,
    load_heap,
)
from transforms.trace.field_work import TracedFieldWork
from transforms.trace.mass_streams import field_stretches, machine_signals

START = dt.datetime(2025, 10, 6, 4, tzinfo=dt.UTC)
ZONE, SHIFT_STARTS = "Europe/Berlin", dt.time(5)
SITES = ("mill", "works", "plant")
DAY_MIN, SHIFT_MIN = 1440.0, 780.0


@dataclass
class HauledSeason:
    """A season of other haulage.

    Attributes:
        works: fields as the tracing reads them.
        truth: `load_id, machine_id, bin_at, share`.
        kinds: `load_id, field_id, order` (of the heap, or `direct`), `is_crossed, machine_id, is_shared`. A load is
            crossed if its rank by weighing less the usual lag among the loads of its machine in a field and day is not
            its rank by departure.
    """

    works: list[TracedFieldWork]
    truth: pl.DataFrame
    kinds: pl.DataFrame


@dataclass
class _World:
    """Rows of a season as they arise; bins are numbered through the season."""

    at_min: list[np.ndarray] = field(default_factory=list)
    area: list[np.ndarray] = field(default_factory=list)
    place: list[tuple[int, str, int]] = field(default_factory=list)
    count: int = 0
    unloads: list[tuple[int, float]] = field(default_factory=list)
    fields: dict[str, tuple[float, float, str, float]] = field(default_factory=dict)
    loads: list[tuple[str, int, float, int, Parts, str]] = field(default_factory=list)


def _work(rng: np.random.Generator, kind: Haulage) -> _World:
    """Lift all fields and fill all trucks; a machine's tanks hold 16 to 28 t."""
    world = _World()
    tank = rng.uniform(16, 28, kind.machines)
    for day in range(kind.days):
        partners = rng.permutation(kind.machines)
        free_at = day * DAY_MIN + rng.uniform(60, 150, kind.machines)
        for k in range(0, kind.machines, 2):
            pair = partners[k : k + 2]
            end = day * DAY_MIN + SHIFT_MIN
            while free_at[pair].min() < end:
                both = pair.size == 2 and rng.random() < kind.shared
                crew = pair if both else pair[[int(free_at[pair].argmin())]]
                _lift(rng, kind, world, crew, free_at, tank)
    return world


def _lift(
    rng: np.random.Generator,
    kind: Haulage,
    world: _World,
    crew: np.ndarray,
    free_at: np.ndarray,
    tank_t: np.ndarray,
) -> None:
    """Lift one field with the machines of a crew, which begin together."""
    name = f"P{len(world.fields):03d}"
    forecast = rng.normal(78, 9)
    true_t_ha = forecast * np.exp(rng.normal(0, 0.06))
    world.fields[name] = (forecast, rng.uniform(*kind.drive_min), str(rng.choice(SITES)), 1 + rng.uniform(0.05, 0.16))
    is_heap = rng.random() < kind.heaps
    hectares = rng.uniform(*kind.field_ha)
    begin = free_at[crew].max()
    tipped = []
    for m in crew.tolist():
        bins = lift_field(rng, begin + rng.uniform(0, 4), hectares, true_t_ha)
        tanks = empty_tanks(rng, bins, float(tank_t[m]), world.count)
        world.at_min.append(bins["at"])
        world.area.append(bins["area"])
        world.place.append((m, name, bins["at"].size))
        world.count += bins["at"].size
        world.unloads += [(m, at) for at, _ in tanks]
        free_at[m] = bins["at"][-1] + rng.uniform(15, 40)
        if is_heap:
            tipped += tanks
        else:
            world.loads += [(name, m, left, truck, parts, "direct") for left, truck, parts in fill_in_turn(rng, kind, tanks)]
    if is_heap:
        order = str(rng.choice(HEAP_ORDERS))
        tipped.sort(key=lambda t: t[0])
        world.loads += [(name, -1, left, truck, parts, order) for left, truck, parts in load_heap(rng, kind, tipped, order)]


def _lags(rng: np.random.Generator, kind: Haulage, world: _World) -> np.ndarray:
    """Return the lag of each load, min: road, truck, queue of site and hour, and breaks."""
    busy = {(s, d): rng.uniform(100, 700, 2) for s in SITES for d in range(kind.days + 7)}
    out = []
    for name, _, left, truck, _, _ in world.loads:
        _, drive, site, _ = world.fields[name]
        is_slow = truck >= (len(kind.capacities_t) + 1) // 2
        drive *= (kind.detour if rng.random() < 0.5 else 1.0) * (kind.slow if is_slow else 1.0) * rng.normal(1, 0.04)
        hour = left % DAY_MIN
        rush = 1 + 1.2 * float((np.abs(busy[site, min(int(left // DAY_MIN), kind.days + 6)] - hour) < 30).any())
        queue = 3 + rng.gamma(2.5, kind.queue_min * rush / 2.5)
        out.append(drive + queue + (rng.uniform(15, 45) if rng.random() < kind.breaks else 0.0))
    return np.array(out)


def _minute(minutes: np.ndarray) -> pl.Series:
    us = np.round(minutes * 60e6).astype(np.int64) + int(START.timestamp() * 1e6)
    return pl.Series(us).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")


def haul_season(kind: Haulage, seed: int) -> HauledSeason:
    """Invent a season; the same kind and seed give the same season."""
    rng = np.random.default_rng(seed)
    world = _work(rng, kind)
    machine = np.concatenate([np.full(n, m) for m, _, n in world.place])
    name = np.concatenate([np.full(n, f) for _, f, n in world.place])
    bins = pl.DataFrame(
        {
            "machine_id": [f"H{m}" for m in machine],
            "bin_at": _minute(np.concatenate(world.at_min)).dt.truncate("30s"),
            "state": "working",
            "area_ha": np.concatenate(world.area),
            "silent_s": 0.0,
            "field_id": name,
        }
    )
    loads, truth = _tickets(rng, kind, world, bins)
    is_silent = rng.permutation(kind.machines) < round(kind.silent * kind.machines)
    logged = [(f"H{m}", at) for m, at in world.unloads if not is_silent[m]]
    unloads = pl.DataFrame({"machine_id": [m for m, _ in logged], "started_at": _minute(np.array([a for _, a in logged]))})
    unloads = unloads.with_columns(pl.lit(None, dtype=pl.Float64).alias("unloaded_t"))
    signals = machine_signals(unloads, {f"H{m}": 22.0 for m in range(kind.machines)})
    works = []
    by_field = loads.partition_by("field_id", as_dict=True)
    for (f,), own in bins.sort("machine_id", "bin_at").group_by("field_id", maintain_order=True):
        stretches = field_stretches(own, signals, world.fields[str(f)][0], ZONE, SHIFT_STARTS)
        works.append(TracedFieldWork(str(f), stretches, by_field[f,] if (f,) in by_field else loads.clear()))
    return HauledSeason(works, truth, _kinds(loads, world))


def _tickets(
    rng: np.random.Generator, kind: Haulage, world: _World, bins: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the tickets, with `number` in `world.loads` and true `left_min`, and the true shares of each load."""
    count = len(world.loads)
    left = np.array([at for _, _, at, _, _, _ in world.loads])
    weighed = left + _lags(rng, kind, world)
    own = [world.loads[i] for i in range(count)]
    named = rng.random(count) < kind.named
    reported = rng.random(count) < kind.reported
    km = np.array([world.fields[o[0]][1] for o in own]) / 1.5
    delivered = np.array([o[4][1].sum() * world.fields[o[0]][3] for o in own])
    table = pl.DataFrame(
        {
            "number": np.arange(count),
            "field_id": [o[0] for o in own],
            "site_id": [world.fields[o[0]][2] for o in own],
            "machine_id": pl.Series([f"H{o[1]}" if n and o[1] >= 0 else None for o, n in zip(own, named, strict=True)], dtype=pl.String),
            "left_field_at": _minute(left + rng.normal(0, 1.0, count)).dt.truncate("1m"),
            "weighed_at": _minute(weighed).dt.truncate("1m"),
            "delivered_t": delivered * np.exp(rng.normal(0, 0.012, count)),
            "km": km,
            "left_min": left,
            "weighed_min": weighed,
        }
    ).with_columns(pl.when(pl.Series(reported)).then("left_field_at").alias("left_field_at"))
    table = table.sort("weighed_min").with_row_index("n").with_columns(pl.format("S{}", "n").alias("load_id"))
    table = table.filter(pl.Series(rng.random(count) >= kind.missing))
    rows = []
    for load, number in table.select("load_id", "number").iter_rows():
        index, mass = own[number][4]
        rows.append(bins[index].select("machine_id", "bin_at").with_columns(pl.lit(load).alias("load_id"), pl.Series("share", mass / mass.sum())))
    return table, pl.concat(rows)


def _kinds(loads: pl.DataFrame, world: _World) -> pl.DataFrame:
    """Return `HauledSeason.kinds`."""
    own = pl.DataFrame(
        {
            "number": np.arange(len(world.loads)),
            "machine": [m for _, m, _, _, _, _ in world.loads],
            "order": [o for _, _, _, _, _, o in world.loads],
        }
    )
    group = ["field_id", "machine"]
    crews = own.join(loads, on="number").with_columns(
        (pl.col("left_min").rank().over(group) != pl.col("weighed_min").rank().over(group)).alias("is_crossed"),
        (pl.col("machine").n_unique().over("field_id") > 1).alias("is_shared"),
    )
    return crews.select("load_id", "field_id", "order", "is_crossed", "is_shared", pl.format("H{}", "machine").alias("true_machine"))
