"""Uptake of the advice of a season, repeated only for machine-shifts whose advice, bins or conditions changed."""

import datetime as dt
import hashlib

import polars as pl

from transforms.config.workspace import Season
from transforms.contracts.classes import wetness_class
from transforms.contracts.result_tables import schema_of
from transforms.outcome.uptake import uptake
from transforms.storage.lake import NO_BINS, Lake, read_frame
from transforms.storage.warehouse import Warehouse

UPTAKE_VERSION = "2"
"""Part of every fingerprint: increase it when the method changes, so that all shifts are judged again."""
SHIFT = ["machine_id", "shift_date"]


def season_uptake(warehouse: Warehouse, lake: Lake, season: Season) -> pl.DataFrame:
    """Return `advice_uptake` for all shifts worked; rows whose inputs are unchanged are those of the last run.

    Args:
        warehouse: the warehouse, with the facts of loads.
        lake: the lake with the bins.
        season: the season.
    """
    worked = warehouse.table("load_fact").select("shift_date").drop_nulls().unique()
    in_force = warehouse.query("advice_in_force").with_columns(pl.col("is_withheld").fill_null(value=False))
    advised = in_force.filter(verdict="move").join(worked, on="shift_date", how="semi")
    days, hours = _days_of_shifts(advised, warehouse.table("machine_day")), warehouse.table("field_hour")
    moves = _add_fingerprint(_add_operator(advised, warehouse.table("machine_setup"), season), days, hours, season)
    before, same = warehouse.table("advice_uptake"), [*SHIFT, "setting", "fingerprint"]
    kept = before.join(moves.select(same), on=same, how="semi")
    due = moves.join(kept.select(same), on=same, how="anti", maintain_order="left")
    rows = [kept]
    if due.height:
        due_days = days.join(due, on=SHIFT, how="semi").select("machine", "day").unique().sort("machine", "day")
        rows.append(uptake(due, _lifting(lake, due_days, season), hours))
    return pl.concat(rows).select(schema_of("advice_uptake").names()).sort("shift_date", "machine_id", "move_number")


def _shift_of(at: str, season: Season) -> pl.Expr:
    """Return the shift of an instant, as in `load_fact`."""
    starts = dt.timedelta(hours=season.shift_starts.hour, minutes=season.shift_starts.minute)
    local = pl.col(at).dt.convert_time_zone(season.time_zone).dt.replace_time_zone(None)
    return (local - starts).dt.date().alias("shift_date")


def _days_of_shifts(moves: pl.DataFrame, machine_days: pl.DataFrame) -> pl.DataFrame:
    """Return the binned UTC days on which a shift with moves may lie: its own day and those beside it."""
    near = [pl.col("shift_date").dt.offset_by(by).cast(pl.String).alias("day") for by in ("-1d", "0d", "1d")]
    shifts = moves.select(SHIFT).unique(maintain_order=True)
    each = pl.concat([shifts.with_columns(day) for day in near])
    return each.join(machine_days.select("machine_id", "machine", "day", "fingerprint"), on=["machine_id", "day"]).sort(
        *SHIFT, "machine", "day"
    )


def _add_operator(moves: pl.DataFrame, setups: pl.DataFrame, season: Season) -> pl.DataFrame:
    """Add the operator of the machine's last setup up to the shift, else of its first; null if unknown."""
    known = setups.select("machine_id", "operator_id", _shift_of("valid_from_at", season)).sort("shift_date")
    first = known.group_by("machine_id", maintain_order=True).first().select("machine_id", first_operator="operator_id")
    latest = moves.sort("shift_date", maintain_order=True).join_asof(
        known, on="shift_date", by="machine_id", check_sortedness=False
    )
    return latest.join(first, on="machine_id", how="left", maintain_order="left").with_columns(
        pl.coalesce("operator_id", "first_operator").alias("operator_id")
    )


def _add_fingerprint(moves: pl.DataFrame, days: pl.DataFrame, hours: pl.DataFrame, season: Season) -> pl.DataFrame:
    """Add a hash of all that the uptake of a move is made from."""
    read = days.group_by(SHIFT, maintain_order=True).agg(pl.col("fingerprint").str.join("|").alias("bins"))
    classes = (
        hours.select(
            "field_id",
            "hour_at",
            _shift_of("hour_at", season),
            wetness_class(pl.col("topsoil_wetness")).alias("class_now"),
        )
        .join(moves, on=["field_id", "shift_date"], how="semi")
        .sort("hour_at")
        .group_by("field_id", "shift_date", maintain_order=True)
        .agg(pl.col("class_now").fill_null("").str.join("|").alias("classes"))
    )
    inputs = ("issued_at", "from_value", "to_value", "field_id", "wetness_class", "operator_id", "bins", "classes")
    joined = moves.join(read, on=SHIFT, how="left", maintain_order="left").join(
        classes, on=["field_id", "shift_date"], how="left", maintain_order="left"
    )
    texts = [repr((UPTAKE_VERSION, *row)) for row in joined.select(inputs).iter_rows()]
    marks = [hashlib.sha256(text.encode()).hexdigest()[:16] for text in texts]
    return joined.drop("bins", "classes").with_columns(pl.Series("fingerprint", marks, pl.String))


def _lifting(lake: Lake, days: pl.DataFrame, season: Season) -> pl.DataFrame:
    """Return the half minutes of lifting of machine-days, with their shift and the settings that are logged."""
    paths = [lake.bin_path(machine, day) for machine, day in days.iter_rows()]
    bins = pl.concat([pl.DataFrame(schema=NO_BINS), *map(read_frame, paths)], how="diagonal")
    settings = [name for name in season.catalogue if name in bins.columns]
    return bins.filter(pl.col("area_ha") > 0).select(
        "machine_id", _shift_of("bin_at", season), "bin_at", "field_id", "work_s", *settings
    )
