"""Uptake in own fields: counts and differences by hand."""

import datetime as dt

import polars as pl
import pytest

from transforms.outcome.own_uptake import ComparedLoads, own_uptake

DAY = dt.date(2025, 10, 9)
KEY = {"machine_id": pl.String, "shift_date": pl.Date, "field_id": pl.String}
VISITS = {**KEY, **dict.fromkeys(("moves", "followed", "partly", "not_made", "opposite", "unknown"), pl.Int64)}
LOADS = {**KEY, "delivered_t": pl.Float64, "observed_pct": pl.Float64, "expected_pct": pl.Float64}


def visits(*rows: tuple[object, ...]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema={**VISITS, "made_share": pl.Float64}, orient="row")


def test_loads_are_compared_in_shifts_that_made_their_moves_and_in_others():
    moves = visits(
        ("M1", DAY, "F1", 2, 1, 1, 0, 0, 0, 0.7),
        ("M2", DAY, "F1", 2, 0, 0, 0, 1, 1, -0.4),
        ("M3", DAY, "F1", 1, 0, 0, 0, 0, 1, None),
    )
    loads = pl.DataFrame(
        [
            ("M1", DAY, "F1", 20.0, 8.0, 10.0),
            ("M1", DAY, "F1", 30.0, 9.0, 10.0),
            ("M1", DAY, "F2", 30.0, 1.0, 10.0),
            ("M1", DAY, "F1", 30.0, None, 10.0),
            ("M2", DAY, "F1", 10.0, 12.0, 10.0),
            ("M3", DAY, "F1", 10.0, 0.0, 10.0),
        ],
        schema=LOADS,
        orient="row",
    )
    found = own_uptake(moves, loads)
    assert found is not None
    assert (found.moves, found.followed, found.partly, found.not_made) == (5, 1, 1, 0)
    assert (found.opposite, found.unknown) == (1, 2)
    assert (found.with_moves.loads, found.without.loads) == (2, 1)
    assert found.with_moves.soil_t == pytest.approx(0.02 * 20 + 0.01 * 30)
    assert found.with_moves.points == pytest.approx(1.4)
    assert (found.without.soil_t, found.without.points) == pytest.approx((-0.2, -2.0))
    withheld = own_uptake(moves, loads.with_columns(expected_pct=pl.lit(None, pl.Float64)))
    assert withheld is not None
    assert withheld.moves == 5
    assert withheld.with_moves == withheld.without == ComparedLoads(0, None, None)
    assert own_uptake(visits(), loads) is None
