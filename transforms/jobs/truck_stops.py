"""Stops of trucks of the season, found again only for days whose positions, bins or sites changed."""

import datetime as dt
import hashlib

import polars as pl

from transforms.config.workspace import Season
from transforms.storage.lake import NO_BINS, Lake, read_frame
from transforms.storage.warehouse import Warehouse
from transforms.trace.truck_points import MAX_GAP_S
from transforms.trace.truck_stops import truck_stops

STOP_VERSION = "1"
"""Part of every fingerprint: increase it if the method changes, so that the stops of all days are found again."""
BIN_COLUMNS = ["machine_id", "bin_at", "lat_deg", "lon_deg", "field_id"]
PLACED_BINS = {**NO_BINS, "lat_deg": pl.Float64, "lon_deg": pl.Float64}


def update_truck_stops(warehouse: Warehouse, lake: Lake, season: Season) -> int:
    """Find the stops of trucks of the days that changed, and store them; return the number of days.

    Args:
        warehouse: the warehouse of the workspace; receives the rows of `truck_stop`.
        lake: the lake of the workspace, with the bins.
        season: the season, with the positions of its sites.

    Raises:
        DamagedError: a bin file is missing or damaged.
    """
    known = f"{STOP_VERSION}|{sorted(season.sites.items())}"
    due = {
        day: hashlib.sha256(f"{known}|{content}".encode()).hexdigest()
        for day, content in warehouse.query("truck_stop_due").select("day", "fingerprint").iter_rows()
    }
    done = dict(warehouse.table("truck_stop_day").iter_rows())
    changed = sorted(day for day, fingerprint in due.items() if done.get(day) != fingerprint)
    for day in changed:
        found = _stops_of_day(warehouse, lake, season, dt.date.fromisoformat(day))
        _store(warehouse, day, found, due[day])
    for day in sorted(set(done) - set(due)):
        _store(warehouse, day, None, None)
    return len(changed)


def _stops_of_day(warehouse: Warehouse, lake: Lake, season: Season, day: dt.date) -> pl.DataFrame:
    """Return the stops of one UTC day; positions around midnight join those of the day."""
    begins = dt.datetime.combine(day, dt.time(), dt.UTC)
    margin = dt.timedelta(seconds=MAX_GAP_S)
    ends = begins + dt.timedelta(days=1)
    positions = warehouse.query("truck_position_between", first=begins - margin, last=ends + margin)
    days = warehouse.query("binned_between", first=str(day), last=str(day))
    frames = [read_frame(lake.bin_path(m, d)) for m, d in days.iter_rows()]
    bins = pl.concat([pl.DataFrame(schema=PLACED_BINS), *frames], how="diagonal").select(BIN_COLUMNS)
    emptied = warehouse.query("emptied_on", day=str(day))
    found = truck_stops(positions, bins, emptied, season.sites)
    clipped = found.with_columns(
        pl.max_horizontal("arrived_at", pl.lit(begins)).alias("arrived_at"),
        pl.min_horizontal("left_at", pl.lit(ends)).alias("left_at"),
    )
    return clipped.filter(pl.col("arrived_at") < pl.col("left_at"))


def stops_by_field(stops: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Return field -> stops beside machines in it, and stops of the same trucks at sites on the same days.

    Args:
        stops: rows of `truck_stop`.
    """
    beside = stops.filter(pl.col("field_id").is_not_null())
    at_sites = stops.filter(pl.col("site_id").is_not_null())
    out = {}
    for (field_id,), own in beside.group_by("field_id", maintain_order=True):
        yards = at_sites.join(own, on=["day", "truck_id"], how="semi", maintain_order="left")
        rows = pl.concat([own, yards]).drop("day", "field_id")
        out[str(field_id)] = rows.sort("truck_id", "arrived_at", "machine_id", "site_id")
    return out


def _store(warehouse: Warehouse, day: str, found: pl.DataFrame | None, fingerprint: str | None) -> None:
    """Replace the stops of a day; None deletes them."""
    key = pl.DataFrame({"day": [day]})
    with warehouse.transaction():
        warehouse.delete_matching("truck_stop", key)
        warehouse.delete_matching("truck_stop_day", key)
        if found is not None:
            warehouse.append("truck_stop", found.with_columns(pl.lit(day).alias("day")))
            warehouse.append("truck_stop_day", key.with_columns(pl.lit(fingerprint).alias("fingerprint")))
