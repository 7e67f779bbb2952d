"""Writes the tables others rely on as Parquet, CSV or one workbook; text never opens as a spreadsheet formula."""

from pathlib import Path

import polars as pl
import xlsxwriter

from transforms.lake import Lake, write_whole
from transforms.warehouse import Warehouse

TABLES = (
    "source_file", "rejected_row", "field", "machine", "machine_setup", "load", "tare", "loss_audit", "weather_filled",
    "field_hour", "unload_event", "sensor_fault", "clock_offset", "mass_balance", "load_trace", "load_trace_grade",
    "load_fact", "audit_fact", "fit_run", "effect", "expected_load", "load_why", "advice",
)  # fmt: skip
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
SHEET_ROWS = 1_000_000


def _harmless(frame: pl.DataFrame) -> pl.DataFrame:
    """Put an apostrophe before text that a spreadsheet would run as a formula."""
    text = [c for c, t in frame.schema.items() if t == pl.String]
    return frame.with_columns(
        pl.when(pl.any_horizontal(pl.col(c).str.starts_with(s) for s in FORMULA_STARTS))
        .then("'" + pl.col(c))
        .otherwise(c)
        .alias(c)
        for c in text
    )


def exported_tables(warehouse: Warehouse, lake: Lake) -> dict[str, pl.DataFrame]:
    """Return every table of the contract that exists, and the bins."""
    tables = {name: warehouse.table(name) for name in TABLES if warehouse.has(name)}
    bins = lake.read_bins()
    return {**tables, "bin": bins} if bins.height else tables


def write_tables(tables: dict[str, pl.DataFrame], folder: Path, form: str) -> list[Path]:
    """Write tables as `parquet`, `csv` (a file each) or `xlsx` (one workbook, a sheet each, cut at a sheet's rows)."""
    folder.mkdir(parents=True, exist_ok=True)
    if form == "xlsx":
        target = folder / "taretrace.xlsx"
        with xlsxwriter.Workbook(target, {"strings_to_formulas": False, "strings_to_urls": False}) as book:
            for name, table in tables.items():
                naive = table.head(SHEET_ROWS).with_columns(
                    pl.col(pl.Datetime(time_zone="UTC")).dt.replace_time_zone(None)
                )
                naive.write_excel(book, worksheet=name[:31])
        return [target]
    written = []
    for name, table in tables.items():
        target = folder / f"{name}.{form}"
        if form == "csv":
            _harmless(table).write_csv(target)
        else:
            write_whole(table, target)
        written.append(target)
    return written
