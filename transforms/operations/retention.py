"""Retention: deletion of old raw records; their bins and the source lines of each bin are kept.

A row that arrives later for such a day cannot be distinguished from a repeated one, so ingest rejects it with a reason.
"""

import datetime as dt
from dataclasses import dataclass

import polars as pl

from transforms.storage.lake import PREFIX, Lake, read_frame
from transforms.storage.lake_file import LakeFile
from transforms.storage.lake_record import content_of, record_files, recorded_files, telemetry_days
from transforms.storage.warehouse import Warehouse
from transforms.telemetry.bins import BIN

LINES = ["machine_id", "logged_at", "line", "part"]


@dataclass(frozen=True)
class ExpiredRecords:
    """Summary of deleted records.

    Attributes:
        machine_days: number of machine-days that expired.
        records: number of their records.
        size: bytes freed.
    """

    machine_days: int = 0
    records: int = 0
    size: int = 0


def lines_of(files: list[LakeFile], lake: Lake) -> pl.DataFrame:
    """Return the source, first line, last line and number of records of each bin.

    Args:
        files: telemetry files of one machine-day, at least one.
        lake: the lake with the files.

    Returns:
        `machine_id, bin_at, source, part, first_line, last_line, records`, one row per bin and source part, by time.

    Raises:
        DamagedError: a file is missing or altered.
    """
    frames = [
        read_frame(lake.at(f.path), LINES, f.sha256).with_columns(pl.lit(f.stem[:PREFIX]).alias("source"))
        for f in files
    ]
    return (
        pl.concat(frames)
        .with_columns(pl.col("logged_at").dt.truncate(BIN).alias("bin_at"))
        .group_by("machine_id", "bin_at", "source", "part", maintain_order=True)
        .agg(
            pl.col("line").min().alias("first_line"), pl.col("line").max().alias("last_line"), pl.len().alias("records")
        )
        .sort("bin_at", "source", "first_line")
    )


def expire_records(
    warehouse: Warehouse, lake: Lake, keep_days: int, now: dt.datetime, stale: set[tuple[str, str]]
) -> ExpiredRecords:
    """Delete the records of machine-days that are more than `keep_days` older than the newest one.

    Args:
        warehouse: the warehouse of the workspace.
        lake: the lake of the workspace.
        keep_days: number of days whose records are kept.
        now: the current time, UTC.
        stale: machine-days whose bins do not match their current records; these are kept.
    """
    sources = {s[:PREFIX] for s in warehouse.table("source_file")["source_sha256"].to_list()}
    days, files = lake.machine_days(sources), telemetry_days(warehouse)
    binned = {f.key: f for f in recorded_files(warehouse, "bin")}
    rolled = {(m, d) for m, d in warehouse.table("rolled_day").select("machine", "day").iter_rows()}
    if not days:
        return ExpiredRecords()
    oldest = str(dt.date.fromisoformat(max(d for _, d in days)) - dt.timedelta(days=keep_days))
    expired, records, size = 0, 0, 0
    for key, paths in days.items():
        if key[1] >= oldest or key in stale or key not in binned:
            continue
        if key not in rolled:
            if key not in files or content_of(lake, binned[key]) != binned[key]:
                continue  # damaged bins can be recreated only from the records
            # Write the lines to the lake, then the warehouse, then delete: a crash in between loses no information.
            lines = lines_of(files[key], lake)
            written = lake.put_day(lines, "rolled", key)
            count = int(lines["records"].sum())
            row = {
                "machine": key[0],
                "machine_id": lines["machine_id"][0],
                "day": key[1],
                "records": count,
                "rolled_at": now,
            }
            with warehouse.transaction():
                warehouse.append("rolled_day", pl.DataFrame([row]))
                warehouse.delete_matching("lake_file", pl.DataFrame({"path": [f.path for f in files[key]]}))
                record_files(warehouse, [written])
            expired, records = expired + 1, records + count
        for path in paths:
            size += lake.size_of(path)
            path.unlink()
    return ExpiredRecords(expired, records, size)
