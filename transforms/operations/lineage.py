"""Lineage of a load: from the load to its minutes of harvest, and to the source files and lines."""

import datetime as dt
from dataclasses import dataclass

import polars as pl

from transforms.errors import WorkspaceError
from transforms.storage.lake import PREFIX, Lake, read_frame
from transforms.storage.warehouse import Warehouse

TELEMETRY_LINES: dict[str, pl.DataType | type[pl.DataType]] = {
    "machine_id": pl.String,
    "from_at": pl.Datetime("us", "UTC"),
    "to_at": pl.Datetime("us", "UTC"),
    "share": pl.Float64,
    "file": pl.String,
    "part": pl.String,
    "first_line": pl.Int64,
    "last_line": pl.Int64,
    "records": pl.Int64,
}


@dataclass(frozen=True)
class Explanation:
    """Sources of everything known about a load.

    Attributes:
        load_id: the load.
        tickets: its weigh tickets, newest first, with `file, part, line`.
        labs: its lab results, newest first.
        grade: one row with the reliability of its trace; no row before tracing.
        minutes: `machine_id, from_at, to_at, share, file, part, first_line, last_line, records`, one row per stretch of
            minutes and log file; the untraced part of a load has no machine.
        weighing: one row with the weighing time as printed on the ticket and by the corrected clock.
    """

    load_id: str
    tickets: pl.DataFrame
    labs: pl.DataFrame
    grade: pl.DataFrame
    minutes: pl.DataFrame
    weighing: pl.DataFrame


STRETCH: dict[str, pl.DataType | type[pl.DataType]] = {
    "file": pl.String,
    "part": pl.String,
    "first_line": pl.Int64,
    "last_line": pl.Int64,
    "records": pl.Int64,
}


def _lines(
    machine_id: str, from_at: dt.datetime, to_at: dt.datetime, lake: Lake, files: dict[str, str]
) -> pl.DataFrame:
    """Return the source lines of a machine's records from `from_at` to `to_at`: file, part, first and last line."""
    days = {from_at.date(), to_at.date()}
    paths = [p for d in sorted(days) for p in lake.telemetry_of(machine_id, d, set(files))]
    inside = (pl.col("logged_at") >= from_at) & (pl.col("logged_at") < to_at)
    frames = [
        read_frame(p, columns=["logged_at", "line", "part"])
        .filter(inside)
        .with_columns(pl.lit(files[p.stem[:PREFIX]]).alias("file"))
        for p in paths
    ]
    expired = [_expired_lines(machine_id, d, lake, files, from_at, to_at) for d in sorted(days)]
    return (
        pl.concat([pl.DataFrame(schema=STRETCH), *(_line_of_record(f) for f in frames), *expired])
        .group_by("file", "part", maintain_order=True)
        .agg(pl.col("first_line").min(), pl.col("last_line").max(), pl.col("records").sum())
    )


def _line_of_record(frame: pl.DataFrame) -> pl.DataFrame:
    """Return each record as a stretch of one line."""
    line = pl.col("line")
    return frame.select(
        "file", "part", line.alias("first_line"), line.alias("last_line"), pl.lit(1, pl.Int64).alias("records")
    )


def _expired_lines(
    machine_id: str, day: dt.date, lake: Lake, files: dict[str, str], from_at: dt.datetime, to_at: dt.datetime
) -> pl.DataFrame:
    """Return the source lines of a machine-day with expired records: by whole bins, not by second."""
    path = lake.rolled_path(lake.folder_name(machine_id), str(day))
    if not path.exists():
        return pl.DataFrame(schema=STRETCH)
    rows = read_frame(path).filter((pl.col("bin_at") >= from_at) & (pl.col("bin_at") < to_at))
    named = rows.with_columns(pl.col("source").replace_strict(files, default=None).alias("file"))
    return named.select(pl.col(c).cast(kind) for c, kind in STRETCH.items())


def explain_load(load_id: str, warehouse: Warehouse, lake: Lake) -> Explanation:
    """Return the sources of one load.

    Args:
        load_id: the load.
        warehouse: the warehouse of the workspace.
        lake: the lake of the workspace, with the records and the source lines of expired ones.

    Raises:
        WorkspaceError: no weigh ticket names the load.
        DamagedError: a lake file with its records or their source lines is damaged.
    """
    tickets = warehouse.query("load_ticket", load_id=load_id)
    if not tickets.height:
        raise WorkspaceError(
            "no weigh ticket names load '{load}'", where="the warehouse", remedy="check the load number", load=load_id
        )
    files = {
        sha[:PREFIX]: file for sha, file in warehouse.table("source_file").select("source_sha256", "file").iter_rows()
    }
    frames = [pl.DataFrame(schema=TELEMETRY_LINES)]
    for row in warehouse.query("load_minutes", load_id=load_id).iter_rows(named=True):
        stretch = pl.DataFrame([row], schema_overrides={k: TELEMETRY_LINES[k] for k in row})
        found = pl.DataFrame()
        if row["machine_id"] is not None and row["from_at"] is not None:
            found = _lines(row["machine_id"], row["from_at"], row["to_at"], lake, files)
        frames.append(stretch.join(found, how="cross") if found.height else stretch)
    minutes = pl.concat(frames, how="diagonal")
    return Explanation(
        load_id,
        tickets,
        warehouse.query("load_lab", load_id=load_id),
        warehouse.query("load_grade", load_id=load_id),
        minutes,
        warehouse.query("load_weighing", load_id=load_id),
    )
