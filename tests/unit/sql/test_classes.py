"""Classes of topsoil and soil: SQL and frames have the same cut points, and what is not known has no class."""

import datetime as dt
import re

import polars as pl
import pytest

from transforms.contracts.classes import (
    DRY_BELOW,
    HEAVY_ABOVE,
    LIGHT_BELOW,
    WET_FROM,
    classes_at,
    soil_class,
    wetness_class,
)
from transforms.storage.sql_files import sql_names, sql_text
from transforms.storage.warehouse import Warehouse

DAY = dt.date(2025, 10, 9)
NAN = float("nan")


def loads(wetness: list[float | None], clay: list[float | None]) -> pl.DataFrame:
    n = len(wetness)
    return pl.DataFrame(
        {
            "load_id": [f"L{i}" for i in range(n)],
            "machine_id": ["M1"] * n,
            "field_id": ["F1"] * n,
            "shift_date": [DAY] * n,
            "topsoil_wetness": wetness,
            "clay_pct": clay,
            "delivered_t": [10.0] * n,
            "dirt_tare_pct": [10.0] * n,
        },
        schema_overrides={"topsoil_wetness": pl.Float64, "clay_pct": pl.Float64},
    )


def test_sql_and_frames_agree_at_and_around_every_cut_point():
    wetness = [None, NAN, 0.0, DRY_BELOW - 1e-9, DRY_BELOW, 0.5, WET_FROM - 1e-9, WET_FROM, 1.0]
    clay = [None, NAN, 0.0, LIGHT_BELOW - 1e-9, LIGHT_BELOW, 25.0, HEAVY_ABOVE, HEAVY_ABOVE + 1e-9, 60.0]
    facts = loads(wetness, clay)
    with Warehouse.in_memory() as warehouse:
        warehouse.store("load_fact", facts)
        warehouse.build("load_class")
        found = warehouse.table("load_class").sort("load_id")
    frames = facts.select(
        wetness_class(pl.col("topsoil_wetness")).alias("wetness_class"),
        soil_class(pl.col("clay_pct")).alias("soil_class"),
    )
    assert found.drop("load_id").equals(frames)
    known = facts.select("topsoil_wetness", "clay_pct").drop_nulls().drop_nans()
    assert [classes_at(w, c) for w, c in known.iter_rows()] == frames.drop_nulls().rows()
    assert frames["wetness_class"].to_list() == [None, None, "dry", "dry", "moist", "moist", "moist", "wet", "wet"]
    assert frames["soil_class"].to_list() == [None, None, "light", "light", *["medium"] * 3, "heavy", "heavy"]


@pytest.mark.parametrize("folder", ["raw", "results", "state", "staging", "marts", "queries", "checks", "macros"])
def test_no_relation_compares_conditions_with_a_number(folder):
    compared = re.compile(r"(topsoil_wetness|wetness|clay_pct)\s*[<>]=?\s*[\d.]")
    assert [n for n in sql_names(folder) if compared.search(sql_text(folder, n))] == []


def test_loads_of_unknown_conditions_are_not_lifted_in_such_conditions():
    """Of six loads of 9 t clean beet two are known to be wet and heavy; the others lack wetness, clay or both."""
    facts = loads([0.8, 0.9, None, 0.8, None, 0.2], [40.0, 50.0, 40.0, None, None, 40.0])
    advice = pl.DataFrame(
        {
            "machine_id": ["M1"],
            "shift_date": [DAY],
            "verdict": ["move"],
            "setting": ["share_depth_cm"],
            "reason_code": ["move_in_conditions"],
            "reason_args": ["{}"],
            "field_id": ["F1"],
            "total_gain_per_t": [0.5],
            "total_lo95": [0.1],
            "total_hi95": [0.9],
            "wetness_class": ["wet"],
            "soil_class": ["heavy"],
        }
    )
    with Warehouse.in_memory() as warehouse:
        warehouse.store("load_fact", facts)
        warehouse.build("load_class")
        warehouse.append("advice", advice)
        worth = warehouse.query("advice_worth", shift_date=DAY).row(0, named=True)
    assert worth["such_t"] == pytest.approx(18.0)
    assert worth["gain_per_season"] == pytest.approx(9.0)
    assert worth["soil_free_t"] == pytest.approx(54.0)
