"""Advice withheld by lot: the same lot in every run, the right share, and rows that people see."""

import datetime as dt

import polars as pl
import pytest

from transforms.advice.advice_rows import ADVICE_SCHEMA
from transforms.outcome.hold_back import is_drawn, mark_withheld, shown_advice

DAYS = [dt.date(2025, 10, 1) + dt.timedelta(days=k) for k in range(100)]


def advice(machine: str, moves: int, day: dt.date = DAYS[0]) -> pl.DataFrame:
    """Return the advice of a machine: its moves, or one row without a move."""
    verdict = "move" if moves else "hold"
    rows = [
        {
            "machine_id": machine,
            "shift_date": day,
            "verdict": verdict,
            "move_number": k + 1 if moves else None,
            "setting": f"s{k}" if moves else None,
            "gain_per_t": 0.2 if moves else None,
            "dirt_before_pct": 8.0 - k,
            "dirt_after_pct": 7.0 - k,
            "cost_per_t": 3.0,
            "reason_code": "move_in_conditions",
            "reason_args": "{}",
        }
        for k in range(max(moves, 1))
    ]
    return pl.DataFrame(rows, schema=ADVICE_SCHEMA)


@pytest.mark.parametrize("share", [0.0, 0.12, 0.5, 1.0])
def test_the_share_of_the_season_is_drawn(share):
    drawn = [is_drawn(f"M{m}", day, "2025", share) for m in range(40) for day in DAYS]
    assert sum(drawn) / 4000 == pytest.approx(share, abs=0.02)
    assert drawn == [is_drawn(f"M{m}", day, "2025", share) for m in range(40) for day in DAYS]


def test_another_season_draws_other_shifts():
    one, other = ([is_drawn("M1", day, season, 0.5) for day in DAYS] for season in ("2025", "2026"))
    assert 20 < sum(a != b for a, b in zip(one, other, strict=True)) < 80


def test_nothing_is_withheld_by_default():
    table = pl.concat([advice("M1", 2), advice("M2", 0)])
    assert shown_advice(mark_withheld(table, "2025", 0.0)).equals(table)


def test_a_machine_whose_moves_are_withheld_has_one_row_that_says_so():
    table = pl.concat([advice("M1", 2), advice("M2", 0), advice("M3", 1)])
    marked = mark_withheld(table, "2025", 1.0)
    assert marked["is_withheld"].to_list() == [True, True, False, True]
    shown = shown_advice(marked)
    assert shown.schema == ADVICE_SCHEMA
    assert shown["machine_id"].to_list() == ["M1", "M2", "M3"]
    assert shown["verdict"].to_list() == ["hold"] * 3
    assert shown["reason_code"].to_list() == ["advice_withheld", "move_in_conditions", "advice_withheld"]
    row = shown.row(0, named=True)
    assert (row["setting"], row["gain_per_t"], row["move_number"]) == (None, None, None)
    assert (row["dirt_before_pct"], row["dirt_after_pct"], row["cost_per_t"]) == (8.0, 8.0, 3.0)
