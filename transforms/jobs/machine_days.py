"""Binning of the whole season, repeated only for machine-days whose telemetry, fields, setup or settings changed."""

import datetime as dt
import hashlib
from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.parallel import Executor, serial
from transforms.storage.lake import NO_BINS, Lake, read_frame
from transforms.storage.lake_file import LakeFile
from transforms.storage.lake_record import record_files, recorded_files, telemetry_days
from transforms.storage.warehouse import Warehouse
from transforms.telemetry.bins import make_bins
from transforms.telemetry.sensor_activity import other_days
from transforms.telemetry.sensor_faults import OtherDays, fault_stretches
from transforms.telemetry.set_points import gaps_of_day
from transforms.telemetry.unloads import find_unloads

BIN_VERSION = "8"
"""Part of every fingerprint: increase it when binning changes, so that all machine-days are binned again."""


def _setup_on(setups: pl.DataFrame, machine_id: str, at: dt.datetime) -> dict[str, float] | None:
    own_setups = setups.filter(pl.col("machine_id") == machine_id).sort("valid_from_at")
    if not own_setups.height:
        return None
    number = int((own_setups["valid_from_at"] <= at).sum())
    return own_setups.select("rows_count", "row_spacing_cm", "tank_capacity_t").row(max(number - 1, 0), named=True)


def _last_instant(records: pl.DataFrame) -> dt.datetime:
    instant: dt.datetime = records.select(pl.col("logged_at").max()).item()
    return instant


def _fingerprint(files: list[LakeFile], surroundings: str, others: OtherDays) -> str:
    text = "\n".join([BIN_VERSION, surroundings, *others.words(), *(f"{f.stem}:{f.size_bytes}" for f in files)])
    return hashlib.sha256(text.encode()).hexdigest()


def find_expired_days(warehouse: Warehouse) -> set[tuple[str, str]]:
    """Return the machine-days (machine folder, day) with expired records, whose bins must not change."""
    return set(warehouse.table("rolled_day").select("machine", "day").iter_rows())


_OF_DAY = ("unload_event", "sensor_fault", "sensor_activity", "set_point_day", "field_day")
DAYS_AT_ONCE = 16
"""Machine-days per transaction: a crash loses at most this many."""
Stale = dict[tuple[str, str], tuple[list[LakeFile], str, OtherDays]]
"""(machine folder, day) -> (telemetry files, fingerprint, results of the machine's other days)."""


def stale_days(warehouse: Warehouse, catalogue: Catalogue, damaged: set[tuple[str, str]]) -> Stale:
    """Return the machine-days to bin.

    Args:
        warehouse: the warehouse of the workspace.
        catalogue: the settings catalogue.
        damaged: machine-days whose bins are missing or damaged.
    """
    fields, setups = (
        warehouse.table("field").sort("field_id"),
        warehouse.table("machine_setup").sort("machine_id", "valid_from_at"),
    )
    surroundings = "|".join([fields.write_csv(), setups.write_csv(), repr(sorted(catalogue.items()))])
    done = {(m, d): f for m, d, f in warehouse.table("binned_day").iter_rows()}
    whole = {f.key for f in recorded_files(warehouse, "bin")} - damaged
    rolled, out = find_expired_days(warehouse), {}
    others = other_days(warehouse.table("sensor_activity"))
    for key, files in telemetry_days(warehouse).items():
        if key in rolled:
            continue
        known = others.get(key, OtherDays())
        fingerprint = _fingerprint(files, surroundings, known)
        if done.get(key) != fingerprint or key not in whole:
            out[key] = (files, fingerprint, known)
    return out


def delete_vanished_days(warehouse: Warehouse, lake: Lake) -> None:
    """Delete the results of machine-days without telemetry, which rereading a corrected source file may leave.

    Args:
        warehouse: the warehouse of the workspace; rows of these days are deleted.
        lake: the lake of the workspace; bins of these days are deleted.
    """
    present = set(telemetry_days(warehouse)) | find_expired_days(warehouse)
    removed = {(m, d) for m, d, _ in warehouse.table("binned_day").iter_rows()} - present
    for key in sorted(removed):
        lake.bin_path(*key).unlink(missing_ok=True)
        with warehouse.transaction():
            for name in (*_OF_DAY, "binned_day", "machine_day", "lake_file"):
                warehouse.delete_day(name, *key)


@dataclass(frozen=True)
class DayJob:
    """Inputs for binning one machine-day.

    Attributes:
        key: (machine folder, day).
        files: its telemetry files.
        setups: the setups of all machines.
        fields: the field list.
        catalogue: the settings catalogue.
        lake: the lake.
        others: results of the machine's other days.
    """

    key: tuple[str, str]
    files: list[LakeFile]
    setups: pl.DataFrame
    fields: pl.DataFrame
    catalogue: Catalogue
    lake: Lake
    others: OtherDays | None = None


@dataclass(frozen=True)
class DayBins:
    """The bins of a machine-day.

    Attributes:
        file: the lake file of the bins.
        found: unloading events, faults and fields by table; None if no machine list has the machine.
    """

    file: LakeFile
    found: dict[str, pl.DataFrame] | None


def bin_day(job: DayJob) -> DayBins:
    """Bin a machine-day and write the bins to the lake.

    Raises:
        DamagedError: a telemetry file is missing or altered.
    """
    records = _read_ordered(job.files, job.lake)
    setup = _setup_on(job.setups, records["machine_id"][0], _last_instant(records))
    if setup is None:
        # Without a machine list entry there is nothing to bin; store empty bins so that the day is not read again.
        return DayBins(job.lake.put_day(pl.DataFrame(schema=NO_BINS), "bin", job.key), None)
    bins, flagged, steps, activity = make_bins(records, job.catalogue, setup, job.fields, job.others)
    found = {
        "unload_event": find_unloads(flagged, setup["tank_capacity_t"]),
        "sensor_fault": pl.concat([steps, fault_stretches(flagged)], how="diagonal_relaxed"),
        "sensor_activity": activity,
        "set_point_day": gaps_of_day(bins, job.catalogue),
        "field_day": bins.select("field_id").drop_nulls().unique().sort("field_id"),
    }
    return DayBins(job.lake.put_day(bins, "bin", job.key), found)


def bin_days(
    stale: Stale,
    warehouse: Warehouse,
    lake: Lake,
    catalogue: Catalogue,
    advance: Callable[[], None],
    executor: Executor = serial,
) -> int:
    """Bin every stale machine-day and store its bins, unloading events and faults; return the number binned.

    A machine-day has no bins if no machine list has its machine.

    Args:
        stale: the machine-days, from `stale_days`.
        warehouse: the warehouse of the workspace.
        lake: the lake of the workspace.
        catalogue: the settings catalogue.
        advance: called for each machine-day.
        executor: the executor of the binning.
    """
    fields, setups = warehouse.table("field"), warehouse.table("machine_setup")
    before = {(m, d) for m, d, _ in warehouse.table("binned_day").iter_rows()}
    count, batch = 0, list[_Binned]()
    jobs = [DayJob(key, files, setups, fields, catalogue, lake, others) for key, (files, _, others) in stale.items()]
    for job, bins in zip(jobs, executor(bin_day, jobs), strict=True):
        batch.append(_Binned(job.key, stale[job.key][1], bins, again=job.key in before))
        if len(batch) == DAYS_AT_ONCE or job is jobs[-1]:
            _store_days(warehouse, batch)
            batch.clear()
        count += bins.found is not None
        advance()
    return count


def _read_ordered(files: list[LakeFile], lake: Lake) -> pl.DataFrame:
    """Return the records of a machine-day in file order, with files ordered by their first time."""
    ordered = sorted(files, key=lambda f: (Lake.time_span(f.stem)[0], f.path))
    read = [read_frame(lake.at(f.path), sha256=f.sha256) for f in ordered]
    frames = [frame.with_columns(pl.lit(i).alias("file")) for i, frame in enumerate(read)]
    return pl.concat(frames, how="diagonal").sort("file", "part", "line", maintain_order=True)


@dataclass(frozen=True)
class _Binned:
    """Result for one machine-day, with its fingerprint; `again` if it replaces an earlier binning."""

    key: tuple[str, str]
    fingerprint: str
    bins: DayBins
    again: bool


def _store_days(warehouse: Warehouse, days: list[_Binned]) -> None:
    """Store the results of machine-days: unloading events, faults, and the fields of their bins."""
    schema = {"machine": pl.String, "day": pl.String}
    again = pl.DataFrame([d.key for d in days if d.again], schema=schema, orient="row")
    with warehouse.transaction():
        for name in _OF_DAY:
            warehouse.delete_matching(name, again)
            named = [
                d.bins.found[name].with_columns(pl.lit(k).alias(n) for n, k in zip(schema, d.key, strict=True))
                for d in days
                if d.bins.found is not None and d.bins.found[name].height
            ]
            if named:
                warehouse.append(name, pl.concat(named, how="diagonal_relaxed"))
        warehouse.delete_matching("binned_day", again)
        record_files(warehouse, [d.bins.file for d in days])
        rows = [(*d.key, d.fingerprint) for d in days]
        warehouse.append("binned_day", pl.DataFrame(rows, schema={**schema, "fingerprint": pl.String}, orient="row"))


def machine_days_of_bins(warehouse: Warehouse, lake: Lake) -> int:
    """Summarise the machine-days whose bins changed, directly from the lake; return their number.

    Args:
        warehouse: the warehouse of the workspace; receives the rows of `machine_day`.
        lake: the lake of the workspace, with the bins.

    Raises:
        DamagedError: a bin file is missing or damaged.
    """
    pending = warehouse.query("machine_day_due")
    if not pending.height:
        return 0
    paths = [lake.bin_path(m, d) for m, d in pending.select("machine", "day").iter_rows()]
    found = warehouse.query_lake("machine_day", paths).join(
        pending, on=["machine", "day"], how="inner", maintain_order="left"
    )
    with warehouse.transaction():
        warehouse.delete_matching("machine_day", pending.select("machine", "day"))
        warehouse.append("machine_day", found)
    return found.height
