"""The page of one load: its machine's timeline, its minutes, and the passes of its field."""

import datetime as dt
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from reports.charts.field_passes import field_passes
from reports.charts.load_timeline import load_timeline
from reports.page import embedded, render
from reports.units import Shown, number
from transforms.catalogue import Catalogue
from transforms.errors import WorkspaceError
from transforms.trace.load_picture import LoadPicture
from transforms.workspace import Season

METRES_PER_DEG = 111_320.0
BIN_S = 30
MOST_DOTS = 2500
"""More half minutes than this are thinned on the map, the load's own kept: a page must stay light."""


def _local(frame: pl.DataFrame, column: str, zone: str) -> pl.Series:
    return frame[column].dt.convert_time_zone(zone).dt.replace_time_zone(None).alias("at")


def _settings(passes: pl.DataFrame, catalogue: Catalogue, shown: Shown) -> dict[str, str]:
    """Settings the field's machines logged, with the label and unit a person reads."""
    found = [n for n, s in catalogue.items() if s.nature == "numeric" and n in passes.columns and passes[n].count()]
    return {n: f"{catalogue[n].label}, {shown.sign(catalogue[n].unit)}".removesuffix(", ") for n in found}


def _chosen(setting: str | None, settings: dict[str, str]) -> str:
    if setting is None:
        return "share_depth_cm" if "share_depth_cm" in settings else next(iter(settings), "")
    if setting not in settings:
        raise WorkspaceError(
            f"'{setting}' is no setting that was logged in this field", where="--setting",
            mend=f"use one of {', '.join(settings)}",
        )  # fmt: skip
    return setting


def _map_rows(passes: pl.DataFrame, settings: dict[str, str], catalogue: Catalogue, shown: Shown) -> pl.DataFrame:
    every = max(1, -(-passes.height // MOST_DOTS))
    passes = passes.filter((pl.int_range(pl.len()) % every == 0) | (pl.col("share") > 0))
    north = (pl.col("lat_deg") - pl.col("lat_deg").mean()) * METRES_PER_DEG
    east = (pl.col("lon_deg") - pl.col("lon_deg").mean()) * METRES_PER_DEG * pl.col("lat_deg").mean().radians().cos()
    values = []
    for name in settings:
        unit = catalogue[name].unit
        zero = shown.convert(0.0, unit)
        values.append((pl.col(name) * (shown.convert(1.0, unit) - zero) + zero).round(2))
    return passes.select(
        north.round(1).alias("north_m"), east.round(1).alias("east_m"), "machine_id",
        _local(passes, "bin_at", shown.zone),
        (100 * pl.col("share")).round(3).alias("share_pct"), *values,
    )  # fmt: skip


def _timeline(picture: LoadPicture, row: dict[str, Any], shown: Shown) -> dict[str, Any]:
    minutes = picture.minutes
    level = "tank_t" if minutes["tank_t"].count() else "lifted_t"
    rows = minutes.select(
        _local(minutes, "bin_at", shown.zone), "state",
        (pl.col(level) * shown.convert(1.0, "t")).round(2).alias("level"),
        (100 * pl.col("share")).round(3).alias("share_pct"),
    ).with_columns((pl.col("at") + pl.duration(seconds=BIN_S)).alias("until"))  # fmt: skip
    ahead = dt.timedelta(minutes=row["machine_ahead_min"])
    moments = [("weighed in", row["weighed_true_at"] + ahead)]
    if row["left_field_at"] is not None:
        moments.insert(0, ("left the field", row["left_field_at"] + ahead))
    marks = pl.DataFrame(moments, schema={"what": pl.String, "when": pl.Datetime("us", "UTC")}, orient="row")
    marks = marks.select("what", _local(marks, "when", shown.zone))
    emptied = picture.emptied.select(_local(picture.emptied, "started_at", shown.zone))
    return load_timeline(rows, emptied, marks, shown.sign("t"))


def _minutes_table(picture: LoadPicture, zone: ZoneInfo) -> list[dict[str, str]]:
    """Stretches of minutes that filled the load, a row each."""
    own = picture.passes.filter(pl.col("share") > 0).sort("machine_id", "bin_at")
    begins = (pl.col("bin_at").diff() > dt.timedelta(minutes=2)).fill_null(value=True)
    begins = begins | (pl.col("machine_id") != pl.col("machine_id").shift(1))
    stretches = (
        own.with_columns(begins.cum_sum().alias("nth"))
        .group_by("machine_id", "nth", maintain_order=True)
        .agg(pl.col("bin_at").min().alias("from"), pl.col("bin_at").max().alias("to"), pl.col("share").sum())
    )
    return [
        {
            "machine": r["machine_id"],
            "from": f"{r['from'].astimezone(zone):%Y-%m-%d %H:%M:%S}",
            "to": f"{(r['to'] + dt.timedelta(seconds=BIN_S)).astimezone(zone):%H:%M:%S}",
            "share": number(100 * r["share"], 1),
        }
        for r in stretches.iter_rows(named=True)
    ]


def write_load_page(picture: LoadPicture, season: Season, out: Path, setting: str | None = None) -> Path:
    """Write `load-<id>.html` into `out` and return it.

    Raises:
        WorkspaceError: the setting was not logged in the load's field.
    """
    shown = Shown(season.units, season.currency, season.time_zone)
    row = picture.load.row(0, named=True)
    settings = _settings(picture.passes, season.catalogue, shown)
    first = _chosen(setting, settings)
    rows = _map_rows(picture.passes, settings, season.catalogue, shown)
    name = "".join(c if c.isalnum() or c in "-_" else "_" for c in row["load_id"])[:60]
    return render(
        "load.html.j2",
        out / f"load-{name}.html",
        season=season,
        shown=shown,
        load=row,
        weighed=shown.moment(row["weighed_true_at"]),
        gross=shown.quantity(row["gross_t"], "t", digits=2),
        quality=number(row["trace_quality"], 2),
        chance=number(100 * row["machine_chance"], 0),
        ahead=number(row["machine_ahead_min"], 0, sign=True) if row["machine_ahead_min"] else None,
        site_ahead=number(row["site_ahead_min"], 0, sign=True) if row["site_ahead_min"] else None,
        minutes=_minutes_table(picture, ZoneInfo(season.time_zone)),
        logs_level=bool(picture.minutes["tank_t"].count()),
        timeline_spec=embedded(_timeline(picture, row, shown)),
        map_spec=embedded(field_passes(rows, settings, first)) if settings else None,
    )
