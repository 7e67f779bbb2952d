"""Shifts of machines with and without advised moves are counted once, by the reason why none was advised."""

import datetime as dt

import polars as pl

from transforms.contracts.result_tables import schema_of
from transforms.outcome.verdicts import advice_verdicts

DAY = dt.date(2025, 10, 9)


def test_each_machine_and_shift_counts_once_by_its_reason():
    rows = [
        ("M1", DAY, "move", "move_in_conditions", False),
        ("M1", DAY, "move", "dirt_for_roots", False),
        ("M2", DAY, "hold", "no_change_better", False),
        ("M2", DAY + dt.timedelta(days=1), "hold", "no_change_better", False),
        ("M3", DAY, "hold", "advice_too_few_loads", False),
        ("M4", DAY, "try", "move_in_conditions", None),
        ("M5", DAY, "move", "move_in_conditions", True),
        ("M5", DAY, "move", "dirt_for_roots", True),
    ]
    names = ["machine_id", "shift_date", "verdict", "reason_code", "is_withheld"]
    found = advice_verdicts(pl.DataFrame(rows, schema=names, orient="row"))
    assert found.schema == schema_of("advice_verdict")
    assert found.rows() == [
        ("hold", "advice_too_few_loads", 1),
        ("hold", "advice_withheld", 1),
        ("hold", "no_change_better", 2),
        ("move", None, 1),
        ("try", None, 1),
    ]
