"""Export of the public tables as Parquet, CSV or one workbook, safe from spreadsheet formula injection."""

from pathlib import Path

import polars as pl
import xlsxwriter

from transforms.storage.atomic_file import replace_atomically, unfinished
from transforms.storage.lake import Lake, write_atomic
from transforms.storage.lake_record import recorded_files
from transforms.storage.warehouse import Warehouse

TABLES = (
    "source_file",
    "source_finding",
    "rejected_row",
    "field",
    "machine",
    "machine_setup",
    "load",
    "tare",
    "loss_audit",
    "root_check",
    "weather_filled",
    "field_hour",
    "machine_day",
    "unload_event",
    "sensor_fault",
    "set_point_offset",
    "clock_offset",
    "mass_balance",
    "truck_stop",
    "missing_data",
    "load_trace",
    "load_trace_grade",
    "field_root_mass",
    "load_fact",
    "audit_fact",
    "audit_finding",
    "root_check_fact",
    "fit_run",
    "effect",
    "curve",
    "confounding",
    "variance_share",
    "interaction_gain",
    "setting_pair",
    "part_effect",
    "fit_check",
    "fit_posterior",
    "last_season",
    "setting_reliability",
    "expected_load",
    "load_why",
    "advice",
    "advice_issued",
    "part_advice",
    "advice_uptake",
    "realised_shift",
    "realised_saving",
    "advice_calibration",
    "advice_verdict",
    "next_condition",
    "benchmark",
    "season_change",
    "guide",
    "guide_class",
    "guide_curve",
    "guide_worth",
    "season_cost",
    "storability",
    "pile_ledger",
    "trial_load",
    "trial_result",
    "trial_wanted",
    "variation_option",
    "varied_load",
    "setting_decision",
    "product_basis",
)
FORMATS = ("parquet", "csv", "xlsx")
WORKBOOK = "taretrace.xlsx"
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
SHEET_ROWS = 50_000


def _escape_formulas(frame: pl.DataFrame) -> pl.DataFrame:
    """Prefix text with an apostrophe if a spreadsheet would run it as a formula."""
    text = [c for c, t in frame.schema.items() if t == pl.String]
    return frame.with_columns(
        pl.when(pl.any_horizontal(pl.col(c).str.starts_with(s) for s in FORMULA_STARTS))
        .then("'" + pl.col(c))
        .otherwise(c)
        .alias(c)
        for c in text
    )


def exported_tables(warehouse: Warehouse, lake: Lake) -> dict[str, pl.DataFrame]:
    """Return every existing table of `TABLES` and the recorded bins, by name.

    Args:
        warehouse: the warehouse of the workspace.
        lake: the lake of the workspace, with the bins.

    Raises:
        DamagedError: a recorded bin file is missing or damaged.
    """
    tables = {name: warehouse.table(name) for name in TABLES if warehouse.has(name)}
    bins = lake.read_bins([f.path for f in recorded_files(warehouse, "bin")])
    return {**tables, "bin": bins} if bins.height else tables


def write_tables(tables: dict[str, pl.DataFrame], folder: Path, form: str) -> list[Path]:
    """Write tables as `parquet` or `csv`, one file each, or as `xlsx`, one workbook with a sheet each.

    A table with more than `SHEET_ROWS` rows is written as Parquet beside the workbook, so that no row is lost. Each
    file is written atomically; unfinished files of an interrupted export are removed.

    Args:
        tables: the tables by name.
        folder: the folder to write to; created if missing.
        form: `parquet`, `csv` or `xlsx`.

    Returns:
        The files written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name in [*TABLES, "bin", *tables, WORKBOOK.removesuffix(".xlsx")]:
        for end in FORMATS:
            unfinished(folder / f"{name}.{end}").unlink(missing_ok=True)
    if form != "xlsx":
        return [_write_file(table, folder / f"{name}.{form}") for name, table in tables.items()]
    long = {name: table for name, table in tables.items() if table.height > SHEET_ROWS}
    book = _write_workbook({n: t for n, t in tables.items() if n not in long}, folder / WORKBOOK)
    return [book, *(_write_file(table, folder / f"{name}.parquet") for name, table in long.items())]


def _write_file(table: pl.DataFrame, target: Path) -> Path:
    if target.suffix == ".csv":
        with replace_atomically(target) as partial:
            _escape_formulas(table).write_csv(partial)
    else:
        write_atomic(table, target)
    return target


def _write_workbook(tables: dict[str, pl.DataFrame], target: Path) -> Path:
    options = {"strings_to_formulas": False, "strings_to_urls": False}
    with replace_atomically(target) as partial, xlsxwriter.Workbook(str(partial), options) as book:
        for name, table in tables.items():
            # A worksheet has no time zones; all times are UTC.
            naive = table.with_columns(pl.col(pl.Datetime(time_zone="UTC")).dt.replace_time_zone(None))
            naive.write_excel(book, worksheet=name[:31])
    return target
