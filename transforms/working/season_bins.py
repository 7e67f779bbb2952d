"""Bins of the whole season, made anew only for machine-days whose telemetry or surroundings changed."""

import datetime as dt
import hashlib
from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from transforms.catalogue import Catalogue
from transforms.lake import NO_BINS, PREFIX, Lake, LakePath, read_frame, write_whole
from transforms.spread import Spread, here
from transforms.trace.unloads import find_unloads
from transforms.warehouse import Warehouse
from transforms.working.bins import make_bins
from transforms.working.faults import fault_stretches
from transforms.working.sensor_activity import sensor_activity, silent_sensors

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


def _fingerprint(paths: list[LakePath], surroundings: str, lake: Lake, silent: frozenset[str]) -> str:
    text = "\n".join([BIN_VERSION, surroundings, *sorted(silent), *(f"{p.stem}:{lake.size_of(p)}" for p in paths)])
    return hashlib.sha256(text.encode()).hexdigest()


def rolled_days(warehouse: Warehouse) -> set[tuple[str, str]]:
    """Return the machine-days (machine folder, day) whose records are let go: their bins stay as they are."""
    return set(warehouse.table("rolled_day").select("machine", "day").iter_rows())


_OF_DAY = ("unload_event", "sensor_fault", "sensor_activity", "field_day")
DAYS_AT_ONCE = 16
"""So many machine-days are stored together: a crash loses no more than these."""
Stale = dict[tuple[str, str], tuple[list[LakePath], str, frozenset[str]]]
"""(machine folder, day) -> (telemetry files, fingerprint, settings known to be silent by a fault)."""


def stale_days(warehouse: Warehouse, lake: Lake, catalogue: Catalogue) -> Stale:
    """Return the machine-days to bin."""
    sources = {s[:PREFIX] for s in warehouse.table("source_file")["source_sha256"].to_list()}
    fields, setups = (
        warehouse.table("field").sort("field_id"),
        warehouse.table("machine_setup").sort("machine_id", "valid_from_at"),
    )
    around = "|".join([fields.write_csv(), setups.write_csv(), repr(sorted(catalogue.items()))])
    done = {(m, d): f for m, d, f in warehouse.table("binned_day").iter_rows()}
    binned, rolled, out = lake.binned(), rolled_days(warehouse), {}
    silent = silent_sensors(warehouse.table("sensor_activity"))
    for key, paths in lake.machine_days(sources).items():
        if key in rolled:
            continue
        stuck = silent.get(key, frozenset())
        print_ = _fingerprint(paths, around, lake, stuck)
        if done.get(key) != print_ or key not in binned:
            out[key] = (paths, print_, stuck)
    return out


def drop_gone_days(warehouse: Warehouse, lake: Lake) -> None:
    """Drop bins, emptyings and faults of machine-days that have no telemetry any more: their file was read anew."""
    sources = {s[:PREFIX] for s in warehouse.table("source_file")["source_sha256"].to_list()}
    here = set(lake.machine_days(sources)) | rolled_days(warehouse)
    gone = {(m, d) for m, d, _ in warehouse.table("binned_day").iter_rows()} - here
    for key in sorted(gone):
        lake.bin_path(*key).unlink(missing_ok=True)
        with warehouse.transaction():
            for name in (*_OF_DAY, "binned_day", "machine_day"):
                warehouse.delete_day(name, *key)


@dataclass(frozen=True)
class DayJob:
    """A machine-day to bin: its telemetry files, its machine's set-ups, the fields it may have worked in."""

    key: tuple[str, str]
    paths: list[LakePath]
    setups: pl.DataFrame
    fields: pl.DataFrame
    catalogue: Catalogue
    lake: Lake
    silent: frozenset[str] = frozenset()


def bin_day(job: DayJob) -> dict[str, pl.DataFrame] | None:
    """Bin a machine-day onto the lake; return what was found, None where no list names its machine."""
    records = _in_order(job.paths)
    setup = _setup_on(job.setups, records["machine_id"][0], _last(records))
    if setup is None:
        # Nothing to bin until a machine list names the machine: noted, so that it is not read again before.
        write_whole(pl.DataFrame(schema=NO_BINS), job.lake.bin_path(*job.key))
        return None
    bins, flagged, steps = make_bins(records, job.catalogue, setup, job.fields, job.silent)
    write_whole(bins, job.lake.bin_path(*job.key))
    return {
        "unload_event": find_unloads(flagged, setup["tank_capacity_t"]),
        "sensor_fault": pl.concat([steps, fault_stretches(flagged)], how="diagonal_relaxed"),
        "sensor_activity": sensor_activity(flagged, job.catalogue),
        "field_day": bins.select("field_id").drop_nulls().unique().sort("field_id"),
    }


def bin_days(
    stale: Stale,
    warehouse: Warehouse,
    lake: Lake,
    catalogue: Catalogue,
    advance: Callable[[], None],
    spread: Spread = here,
) -> int:
    """Bin every stale machine-day, store its bins, emptyings and faults; return how many were made.

    A machine-day whose machine no list names has no bins.
    """
    fields, setups = warehouse.table("field"), warehouse.table("machine_setup")
    before = {(m, d) for m, d, _ in warehouse.table("binned_day").iter_rows()}
    made, held = 0, list[_Binned]()
    jobs = [DayJob(key, paths, setups, fields, catalogue, lake, silent) for key, (paths, _, silent) in stale.items()]
    for job, found in zip(jobs, spread(bin_day, jobs), strict=True):
        held.append(_Binned(job.key, stale[job.key][1], found or {}, again=job.key in before))
        if len(held) == DAYS_AT_ONCE or job is jobs[-1]:
            _store_days(warehouse, held)
            held.clear()
        made += found is not None
        advance()
    return made


def _in_order(paths: list[LakePath]) -> pl.DataFrame:
    """The records of a machine-day as they stand in its files, the file that begins first before the others."""
    ordered = sorted(paths, key=lambda p: (Lake.span_of(p)[0], p.name))
    frames = [read_frame(p).with_columns(pl.lit(i).alias("file")) for i, p in enumerate(ordered)]
    return pl.concat(frames, how="diagonal").sort("file", "part", "line", maintain_order=True)


@dataclass(frozen=True)
class _Binned:
    """What was found on a machine-day, from what, and whether the warehouse holds an earlier binning of it."""

    key: tuple[str, str]
    fingerprint: str
    found: dict[str, pl.DataFrame]
    again: bool


def _store_days(warehouse: Warehouse, days: list[_Binned]) -> None:
    """Store what was found on machine-days: emptyings, faults, and the fields they have bins in."""
    schema = {"machine": pl.String, "day": pl.String}
    again = pl.DataFrame([d.key for d in days if d.again], schema=schema, orient="row")
    with warehouse.transaction():
        for name in _OF_DAY:
            warehouse.delete_matching(name, again)
            named = [
                d.found[name].with_columns(pl.lit(k).alias(n) for n, k in zip(schema, d.key, strict=True))
                for d in days
                if name in d.found and d.found[name].height
            ]
            if named:
                warehouse.append(name, pl.concat(named, how="diagonal_relaxed"))
        warehouse.delete_matching("binned_day", again)
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
