"""Bins of the whole season, made anew only for machine-days whose telemetry or surroundings changed."""

import datetime as dt
import hashlib
from collections.abc import Callable
from pathlib import Path

import polars as pl

from transforms.catalogue import Catalogue
from transforms.lake import NO_BINS, PREFIX, Lake, write_whole
from transforms.trace.unloads import find_unloads
from transforms.warehouse import Warehouse
from transforms.working.bins import make_bins
from transforms.working.faults import fault_stretches

BIN_VERSION = "3"
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


def _fingerprint(paths: list[Path], surroundings: str) -> str:
    text = "\n".join([BIN_VERSION, surroundings, *(f"{p.stem}:{p.stat().st_size}" for p in paths)])
    return hashlib.sha256(text.encode()).hexdigest()


def stale_days(warehouse: Warehouse, lake: Lake, catalogue: Catalogue) -> dict[tuple[str, str], tuple[list[Path], str]]:
    """Return the machine-days to bin: (machine, day) -> (telemetry files, fingerprint)."""
    sources = {s[:PREFIX] for s in warehouse.table("source_file")["source_sha256"].to_list()}
    fields, setups = (
        warehouse.table("field").sort("field_id"),
        warehouse.table("machine_setup").sort("machine_id", "valid_from_at"),
    )
    around = "|".join([fields.write_csv(), setups.write_csv(), repr(sorted(catalogue.items()))])
    done = {(m, d): f for m, d, f in warehouse.table("binned_day").iter_rows()}
    out = {}
    for key, paths in lake.machine_days(sources).items():
        print_ = _fingerprint(paths, around)
        if done.get(key) != print_ or not lake.bin_path(*key).exists():
            out[key] = (paths, print_)
    return out


def drop_gone_days(warehouse: Warehouse, lake: Lake) -> None:
    """Drop bins, emptyings and faults of machine-days that have no telemetry any more: their file was read anew."""
    sources = {s[:PREFIX] for s in warehouse.table("source_file")["source_sha256"].to_list()}
    gone = {(m, d) for m, d, _ in warehouse.table("binned_day").iter_rows()} - set(lake.machine_days(sources))
    for key in sorted(gone):
        lake.bin_path(*key).unlink(missing_ok=True)
        with warehouse.transaction():
            for name in ("unload_event", "sensor_fault", "field_day", "binned_day"):
                warehouse.delete_day(name, *key)


def bin_days(
    stale: dict[tuple[str, str], tuple[list[Path], str]],
    warehouse: Warehouse,
    lake: Lake,
    catalogue: Catalogue,
    advance: Callable[[], None],
) -> int:
    """Bin every stale machine-day, store its bins, emptyings and faults; return how many were made.

    A machine-day whose machine no list names has no bins.
    """
    fields, setups = warehouse.table("field"), warehouse.table("machine_setup")
    before = {(m, d) for m, d, _ in warehouse.table("binned_day").iter_rows()}
    made = 0
    for key, (paths, fingerprint) in stale.items():
        records = _in_order(paths)
        setup = _setup_on(setups, records["machine_id"][0], _last(records))
        if setup is None:
            # Nothing to bin until a machine list names the machine: noted, so that it is not read again before.
            write_whole(pl.DataFrame(schema=NO_BINS), lake.bin_path(*key))
            _store_day(warehouse, key, fingerprint, {}, again=key in before)
        else:
            bins, flagged, steps = make_bins(records, catalogue, setup, fields)
            write_whole(bins, lake.bin_path(*key))
            found = {
                "unload_event": find_unloads(flagged, setup["tank_capacity_t"]),
                "sensor_fault": pl.concat([steps, fault_stretches(flagged)], how="diagonal_relaxed"),
                "field_day": bins.select("field_id").drop_nulls().unique().sort("field_id"),
            }
            _store_day(warehouse, key, fingerprint, found, again=key in before)
            made += 1
        advance()
    return made


def _in_order(paths: list[Path]) -> pl.DataFrame:
    """The records of a machine-day as they stand in its files, the file that begins first before the others."""
    ordered = sorted(paths, key=lambda p: (Lake.span_of(p)[0], p.name))
    frames = [pl.read_parquet(p).with_columns(pl.lit(i).alias("file")) for i, p in enumerate(ordered)]
    return pl.concat(frames, how="diagonal").sort("file", "part", "line", maintain_order=True)


def _store_day(
    warehouse: Warehouse, key: tuple[str, str], fingerprint: str, found: dict[str, pl.DataFrame], *, again: bool
) -> None:
    """Store what was found on a machine-day: emptyings, faults, and the fields it has bins in."""
    machine, day = (pl.lit(k).alias(n) for k, n in zip(key, ("machine", "day"), strict=True))
    with warehouse.transaction():
        for name in ("unload_event", "sensor_fault", "field_day", "binned_day"):
            if again:
                warehouse.delete_day(name, *key)
            if name in found and found[name].height:
                warehouse.append(name, found[name].with_columns(machine, day))
        warehouse.append("binned_day", pl.select(machine, day, pl.lit(fingerprint).alias("fingerprint")))
