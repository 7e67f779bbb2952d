"""Haulage in the exports of the demo season: columns of tickets, positions of trucks, and the true trips."""

from pathlib import Path

import numpy as np
import polars as pl

from transforms.demo.season import DemoSeason
from transforms.demo.sensors import at
from transforms.demo.truck_tracks import truck_positions
from transforms.demo.trucks import Trip, truck_columns

NAMED_SEED = 67_867_967
WEEK_S = 7 * 86_400


def with_haulage(season: DemoSeason, tickets: pl.DataFrame, ahead_min: pl.Expr, trips: list[Trip]) -> pl.DataFrame:
    """Return tickets with `truck_id, trailer_id, tared_at, gang_id`, of the share of tickets that name them.

    Args:
        season: the season.
        tickets: tickets with `order`.
        ahead_min: minutes by which the weighbridge's clock is ahead.
        trips: trips of the season's trucks.
    """
    rng = np.random.default_rng(season.plan.seed + NAMED_SEED)
    is_named = pl.Series("named", rng.random(tickets.height) < season.plan.scenario.truck_ids)
    known = truck_columns(trips).with_columns(pl.col("order").cast(tickets.schema["order"]))
    joined = tickets.with_columns(is_named).join(known, on="order", how="left", maintain_order="left")
    tared = at(season, pl.col("tared_s") + 60 * ahead_min)
    return joined.with_columns(
        pl.when("named").then(c).alias(c) for c in ("truck_id", "trailer_id", "gang_id")
    ).with_columns(pl.when("named").then(tared).alias("tared_at"))


def write_positions(season: DemoSeason, trips: list[Trip], inbox: Path) -> None:
    """Write the positions that trucks log, a file a week; none if no truck logs any."""
    interval_s = season.plan.scenario.truck_positions_s
    if not interval_s or not trips:
        return
    rows = truck_positions(season, trips, interval_s).with_columns((pl.col("second") // WEEK_S).alias("week"))
    for (week,), part in rows.group_by("week", maintain_order=True):
        table = part.select(
            pl.col("truck_id").alias("Truck"),
            at(season, pl.col("second")).dt.strftime("%Y-%m-%dT%H:%M:%SZ").alias("Time"),
            pl.col("lat_deg").round(6).alias("Latitude"),
            pl.col("lon_deg").round(6).alias("Longitude"),
        )
        table.write_csv(inbox / f"truck_positions_w{int(str(week).split('.')[0]) + 1}.csv")


def true_trips(season: DemoSeason, trips: list[Trip]) -> pl.DataFrame:
    """Return the true truck, machine, filling and departure of each ticket, also of tickets that do not name them."""
    ids = [*season.district.machines["machine_id"], None]
    rows = [(o, f"LK {t.truck}", ids[t.machine], t.from_s, t.left_s) for t in trips for o in t.orders]
    schema = {"order": pl.Int64, "truck_id": pl.String, "machine_id": pl.String}
    table = pl.DataFrame(rows, schema={**schema, "from_s": pl.Float64, "left_s": pl.Float64}, orient="row")
    named = season.tickets.select(pl.col("order").cast(pl.Int64), "load_id")
    moments = [at(season, pl.col(f"{c}_s")).alias(f"{c}_at") for c in ("from", "left")]
    joined = named.join(table, on="order", how="left", maintain_order="left")
    return joined.select("load_id", "truck_id", "machine_id", *moments)
