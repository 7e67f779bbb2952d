"""Bins of the whole season, made anew only for machine-days whose telemetry or surroundings changed."""

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
from transforms.telemetry.sensor_activity import sensor_activity, silent_sensors
from transforms.telemetry.sensor_faults import fault_stretches
from transforms.telemetry.unloads import find_unloads

BIN_VERSION = "4"
"""Part of every fingerprint: raise it when binning changes, and all bins are made anew."""


def _setup_on(setups: pl.DataFrame, machine_id: str, at: dt.datetime) -> dict[str, float] | None:
    mine = setups.filter(pl.col("machine_id") == machine_id).sort("valid_from_at")
    before = mine.filter(pl.col("valid_from_at") <= at)
    chosen = before.tail(1) if before.height else mine.head(1)
    return (
        chosen.select("rows_count", "row_spacing_cm", "tank_capacity_t").row(0, named=True) if chosen.height else None
    )


def _last(records: pl.DataFrame) -> dt.datetime:
    moment: dt.datetime = records["logged_at"].max()  # type: ignore[assignment]
    return moment


def _fingerprint(files: list[LakeFile], surroundings: str, silent: frozenset[str]) -> str:
    text = "\n".join([BIN_VERSION, surroundings, *sorted(silent), *(f"{f.stem}:{f.size_bytes}" for f in files)])
    return hashlib.sha256(text.encode()).hexdigest()


def rolled_days(warehouse: Warehouse) -> set[tuple[str, str]]:
    """Return the machine-days (machine folder, day) whose records are let go: their bins stay as they are."""
    return set(warehouse.table("rolled_day").select("machine", "day").iter_rows())


_OF_DAY = ("unload_event", "sensor_fault", "sensor_activity", "field_day")
DAYS_AT_ONCE = 16
"""So many machine-days are stored together: a crash loses no more than these."""
Stale = dict[tuple[str, str], tuple[list[LakeFile], str, frozenset[str]]]
"""(machine folder, day) -> (telemetry files, fingerprint, settings known to be silent by a fault)."""


def stale_days(warehouse: Warehouse, catalogue: Catalogue, damaged: set[tuple[str, str]]) -> Stale:
    """Return the machine-days to bin.

    Args:
        warehouse: the workspace's.
        catalogue: the settings.
        damaged: machine-days whose bins are missing or damaged.
    """
    fields, setups = (
        warehouse.table("field").sort("field_id"),
        warehouse.table("machine_setup").sort("machine_id", "valid_from_at"),
    )
    around = "|".join([fields.write_csv(), setups.write_csv(), repr(sorted(catalogue.items()))])
    done = {(m, d): f for m, d, f in warehouse.table("binned_day").iter_rows()}
    whole = {f.key for f in recorded_files(warehouse, "bin")} - damaged
    rolled, out = rolled_days(warehouse), {}
    silent = silent_sensors(warehouse.table("sensor_activity"))
    for key, files in telemetry_days(warehouse).items():
        if key in rolled:
            continue
        stuck = silent.get(key, frozenset())
        print_ = _fingerprint(files, around, stuck)
        if done.get(key) != print_ or key not in whole:
            out[key] = (files, print_, stuck)
    return out


def drop_gone_days(warehouse: Warehouse, lake: Lake) -> None:
    """Drop bins, emptyings and faults of machine-days that have no telemetry any more: their file was read anew."""
    here = set(telemetry_days(warehouse)) | rolled_days(warehouse)
    gone = {(m, d) for m, d, _ in warehouse.table("binned_day").iter_rows()} - here
    for key in sorted(gone):
        lake.bin_path(*key).unlink(missing_ok=True)
        with warehouse.transaction():
            for name in (*_OF_DAY, "binned_day", "machine_day", "lake_file"):
                warehouse.delete_day(name, *key)


@dataclass(frozen=True)
class DayJob:
    """A machine-day to bin: its telemetry files, its machine's set-ups, the fields it may have worked in."""

    key: tuple[str, str]
    files: list[LakeFile]
    setups: pl.DataFrame
    fields: pl.DataFrame
    catalogue: Catalogue
    lake: Lake
    silent: frozenset[str] = frozenset()


@dataclass(frozen=True)
class DayBins:
    """The bins of a machine-day.

    Attributes:
        file: the file they are in.
        found: emptyings, faults and fields by table; None if no list names the machine.
    """

    file: LakeFile
    found: dict[str, pl.DataFrame] | None


def bin_day(job: DayJob) -> DayBins:
    """Bin a machine-day onto the lake.

    Raises:
        DamagedError: a telemetry file is not the one that was written.
    """
    records = _in_order(job.files, job.lake)
    setup = _setup_on(job.setups, records["machine_id"][0], _last(records))
    if setup is None:
        # Nothing to bin until a machine list names the machine: noted, so that it is not read again before.
        return DayBins(job.lake.put_day(pl.DataFrame(schema=NO_BINS), "bin", job.key), None)
    bins, flagged, steps = make_bins(records, job.catalogue, setup, job.fields, job.silent)
    found = {
        "unload_event": find_unloads(flagged, setup["tank_capacity_t"]),
        "sensor_fault": pl.concat([steps, fault_stretches(flagged)], how="diagonal_relaxed"),
        "sensor_activity": sensor_activity(flagged, job.catalogue),
        "field_day": bins.select("field_id").drop_nulls().unique().sort("field_id"),
    }
    return DayBins(job.lake.put_day(bins, "bin", job.key), found)


def bin_days(
    stale: Stale,
    warehouse: Warehouse,
    lake: Lake,
    catalogue: Catalogue,
    advance: Callable[[], None],
    spread: Executor = serial,
) -> int:
    """Bin every stale machine-day, store its bins, emptyings and faults; return how many were made.

    A machine-day whose machine no list names has no bins.
    """
    fields, setups = warehouse.table("field"), warehouse.table("machine_setup")
    before = {(m, d) for m, d, _ in warehouse.table("binned_day").iter_rows()}
    made, held = 0, list[_Binned]()
    jobs = [DayJob(key, files, setups, fields, catalogue, lake, silent) for key, (files, _, silent) in stale.items()]
    for job, bins in zip(jobs, spread(bin_day, jobs), strict=True):
        held.append(_Binned(job.key, stale[job.key][1], bins, again=job.key in before))
        if len(held) == DAYS_AT_ONCE or job is jobs[-1]:
            _store_days(warehouse, held)
            held.clear()
        made += bins.found is not None
        advance()
    return made


def _in_order(files: list[LakeFile], lake: Lake) -> pl.DataFrame:
    """The records of a machine-day as they stand in its files, the file that begins first before the others."""
    ordered = sorted(files, key=lambda f: (Lake.span_of(f.stem)[0], f.path))
    read = [read_frame(lake.at(f.path), sha256=f.sha256) for f in ordered]
    frames = [frame.with_columns(pl.lit(i).alias("file")) for i, frame in enumerate(read)]
    return pl.concat(frames, how="diagonal").sort("file", "part", "line", maintain_order=True)


@dataclass(frozen=True)
class _Binned:
    """What was found on a machine-day, from what, and whether the warehouse holds an earlier binning of it."""

    key: tuple[str, str]
    fingerprint: str
    bins: DayBins
    again: bool


def _store_days(warehouse: Warehouse, days: list[_Binned]) -> None:
    """Store what was found on machine-days: emptyings, faults, and the fields they have bins in."""
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
    """Sum up the machine-days whose bins changed, straight from the lake; return how many."""
    due = warehouse.query("machine_day_due")
    if not due.height:
        return 0
    paths = [lake.bin_path(m, d) for m, d in due.select("machine", "day").iter_rows()]
    found = warehouse.of_lake("machine_day", paths).join(due, on=["machine", "day"], how="inner", maintain_order="left")
    with warehouse.transaction():
        warehouse.delete_matching("machine_day", due.select("machine", "day"))
        warehouse.append("machine_day", found)
    return found.height
