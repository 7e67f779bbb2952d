"""Every relation is one named file with a header; every check runs, and finds what it is for."""

import re
from pathlib import Path

import polars as pl
import pytest

from flows import stages
from tests.validation.seasons import Season
from transforms.storage.sql_files import TABLE_FOLDERS, sql_names, sql_text, table_names
from transforms.storage.warehouse import Warehouse

ROOT = Path(__file__).parents[3]
FILES = [
    (folder, name) for folder in (*TABLE_FOLDERS, "staging", "marts", "queries", "checks") for name in sql_names(folder)
]


@pytest.mark.parametrize(("folder", "name"), FILES, ids=lambda v: v)
def test_a_header_says_what_a_row_is(folder, name):
    first = sql_text(folder, name).splitlines()[0]
    assert re.match(r"-- (A row is|One row)", first)
    if folder in {"marts", "queries", "checks"}:
        assert "Reads" in "".join(line for line in sql_text(folder, name).splitlines() if line.startswith("--"))


def test_no_sql_stands_in_python():
    for room in ("flows", "reports", "transforms"):
        for path in (ROOT / room).rglob("*.py"):
            if path.name != "warehouse.py":
                assert not re.search(
                    r"\b(select|insert into|create table)\b.+\bfrom\b", path.read_text(), re.IGNORECASE
                ), path


@pytest.mark.parametrize("name", sql_names("checks"))
def test_a_good_season_breaks_no_check(season: Season, name):
    with stages.open_warehouse(season.workspace) as warehouse:
        assert warehouse.check(name).height == 0


TROUBLE = {
    "rows_accounted": ("source_file", {"rows_in": pl.col("rows_in") + 1}),
    "stored_rows_accounted": ("received_load", {"source_sha256": pl.col("source_sha256").str.reverse()}),
    "shares_sum_to_one": ("load_trace", {"share": pl.col("share") * 0.9}),
    "every_load_traced": ("load_trace", {"load_id": pl.col("load_id") + "x"}),
    "variance_shares_sum_to_one": ("variance_share", {"share": pl.col("share") * 0.9}),
    "contributions_add_up": ("load_why", {"points": pl.col("points") + pl.int_range(pl.len()) * 1e-3}),
    "benchmark_adds_up": ("benchmark", {"unexplained": pl.col("unexplained") + 0.01}),
    "advice_within_tried": ("advice", {"to_value": pl.col("to_value") + 1000}),
}
"""Check -> a table and a change of it that the check must find."""
KEPT = (
    "source_file",
    "rejected_row",
    "load_trace",
    "load_why",
    "expected_load",
    "advice",
    "effect",
    "variance_share",
    "benchmark",
    *(t for t in table_names() if t.startswith("received_")),
)


@pytest.mark.parametrize("name", sorted(TROUBLE))
def test_a_check_finds_what_it_is_for(season: Season, tmp_path, name):
    table, change = TROUBLE[name]
    with stages.open_warehouse(season.workspace) as whole:
        frames = {t: whole.table(t) for t in KEPT}
    if table == "advice" and not frames["advice"].height:
        frames["advice"] = one_advice(frames["effect"])
    if not frames["benchmark"].height:
        frames["benchmark"] = one_subject(frames["benchmark"])
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        for frame, rows in frames.items():
            warehouse.append(frame, rows)
        assert warehouse.check(name).height == 0
        warehouse.replace(table, frames[table].with_columns(**change))
        assert warehouse.check(name).height > 0


def one_subject(benchmark: pl.DataFrame) -> pl.DataFrame:
    """A machine compared, for a season too small to compare any."""
    reported = {
        "subject_kind": "machine",
        "subject_id": "M1",
        "response": "dirt_tare_pct",
        "observed": 8.0,
        "expected": 7.0,
        "from_settings": 0.4,
        "from_outliers": 0.0,
        "unexplained": 0.6,
        "n": 50,
    }
    return pl.concat([benchmark, pl.DataFrame([reported])], how="diagonal_relaxed").select(benchmark.columns)


def one_advice(effect: pl.DataFrame) -> pl.DataFrame:
    cell = (
        effect.drop_nulls(["wetness_class", "soil_class", "tried_hi"])
        .filter(pl.col("response") == "dirt_tare_pct")
        .head(1)
    )
    return cell.select(
        pl.lit("M1").alias("machine_id"),
        pl.lit(None).cast(pl.Date).fill_null(pl.date(2025, 10, 9)).alias("shift_date"),
        pl.lit("move").alias("verdict"),
        "setting",
        pl.col("tried_hi").alias("to_value"),
        "wetness_class",
        "soil_class",
        pl.lit("no_change_better").alias("reason_code"),
        pl.lit("{}").alias("reason_args"),
    )


def test_only_names_of_ours_become_identifiers(tmp_path):
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        with pytest.raises(ValueError, match="is not a table"):
            warehouse.store('x"; drop table load; --', pl.DataFrame({"a": [1]}))
        warehouse.append("unload_event", hostile())
        assert warehouse.table("unload_event")["machine_id"].to_list() == ["'; drop table unload_event; --"]


def hostile() -> pl.DataFrame:
    at = pl.Series(["2025-10-01 00:00:00"]).str.to_datetime(time_zone="UTC", time_unit="us")
    return pl.DataFrame(
        {
            "machine": ["m"],
            "day": ["d"],
            "machine_id": ["'; drop table unload_event; --"],
            "started_at": at,
            "ended_at": at,
            "found_by": ["flag"],
        }
    )
