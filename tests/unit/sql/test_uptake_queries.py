"""Queries on the uptake of advised moves: counts and savings by period and machine, settings undone, own fields."""

import datetime as dt

import polars as pl
import pytest

from tests.support.invented_outcome import fill_outcome, uptake_rows
from transforms.storage.warehouse import Warehouse

MONDAY = dt.date(2025, 9, 29)
CODES = {"followed": "followed", "partly": "partly", "not": "not_made", "opposite": "opposite", "unknown": "unknown"}


@pytest.fixture(scope="module")
def warehouse():
    with Warehouse.in_memory() as opened:
        fill_outcome(opened)
        yield opened


@pytest.mark.parametrize(
    ("query", "key", "values"),
    [
        ("uptake_period", "starts_on", {"period": "week"}),
        ("uptake_period", "starts_on", {"period": "month"}),
        ("uptake_machine", "machine_id", {}),
    ],
)
def test_groups_add_up_to_the_season(warehouse, query, key, values):
    rows, total = warehouse.query(query, **values), warehouse.query("uptake_total").row(0, named=True)
    uptake, saving = warehouse.table("advice_uptake"), warehouse.table("realised_saving").row(0, named=True)
    assert rows[key].n_unique() == rows.height
    assert total["moves"] == rows["moves"].sum() == uptake.height == 800
    for code, column in CODES.items():
        assert total[column] == rows[column].sum() == uptake.filter(uptake_code=code).height > 0, code
    assert rows["shifts"].sum() == saving["shifts"]
    for column, of_season in (("promised_per_t", "promised_per_t"), ("saved_per_t", "realised_per_t")):
        known = rows.drop_nulls(column)
        mean = (known[column] * known["clean_t"]).sum() / known["clean_t"].sum()
        assert mean == pytest.approx(saving[of_season]), column
    assert rows.drop_nulls("saved_half")["saved_half"].min() > 0


def test_moves_withheld_by_lot_are_in_no_count():
    with Warehouse.in_memory(
        "advice_uptake", "realised_shift", "realised_saving", "advice_calibration", "advice_verdict"
    ) as warehouse:
        fill_outcome(warehouse, hold_back=0.2)
        shown = warehouse.table("advice_uptake").filter(~pl.col("is_withheld"))
        assert 600 < shown.height < 700
        assert warehouse.query("uptake_total")["moves"].item() == shown.height
        assert warehouse.query("uptake_machine")["moves"].sum() == shown.height
        assert warehouse.query("uptake_period", period="month")["moves"].sum() == shown.height
        unknown = shown.filter(uptake_code="unknown").height
        assert warehouse.query("uptake_unknown")["moves"].sum() == unknown
        key = ["machine_id", "shift_date", "setting"]
        assert warehouse.query("uptake_recent").join(shown, on=key, how="anti").height == 0


def test_operators_are_counted_with_their_own_moves_and_unknown_ones_are_not():
    rows = moves_of(
        ("M1", "a", "followed", None),
        ("M2", "a", "not", None),
        ("M1", "b", "unknown", "no_log"),
        ("M3", "a", "followed", None),
    )
    with Warehouse.in_memory("advice_uptake") as warehouse:
        warehouse.append("advice_uptake", rows.with_columns(pl.Series("operator_id", ["P10", "P2", "P10", None])))
        assert warehouse.query("uptake_operator").rows() == [("P2", 1, 0, 0, 1, 0, 0), ("P10", 2, 1, 0, 0, 0, 1)]


def test_weeks_start_on_monday_and_machines_are_in_natural_order(warehouse):
    weeks = warehouse.query("uptake_period", period="week")
    assert weeks["starts_on"].to_list() == [MONDAY + dt.timedelta(weeks=k) for k in range(weeks.height)]
    assert warehouse.query("uptake_machine")["machine_id"].to_list() == [f"M{k}" for k in range(10)]


def test_the_last_seven_shifts_have_the_value_that_was_run(warehouse):
    recent = warehouse.query("uptake_recent")
    last = warehouse.table("advice_uptake")["shift_date"].max()
    assert set(recent["shift_date"]) == {last - dt.timedelta(days=k) for k in range(7)}
    assert recent.height == 7 * 20
    for r in recent.iter_rows(named=True):
        if r["uptake_code"] == "unknown":
            assert (r["done_value"], r["made_s"]) == (None, None)
        else:
            assert r["reason_code"] is None
            assert r["made_s"] <= r["judged_s"]
    shares = dict(
        warehouse.table("advice_uptake")
        .filter(machine_id="M3", shift_date=last)
        .select("setting", "made_share")
        .iter_rows()
    )
    done = dict(recent.filter(machine_id="M3", shift_date=last).select("setting", "done_value").iter_rows())
    for setting, share in shares.items():
        start, step = {"share_depth_cm": (6.0, 1.0), "cleaner_1_speed_rpm": (60.0, -10.0)}[setting]
        assert done[setting] == pytest.approx(None if share is None else start + share * step)


def moves_of(*rows: tuple[str, str, str, str | None]) -> pl.DataFrame:
    """Return uptake of one shift: machine, setting, code, reason."""
    names = ["machine_id", "setting", "uptake_code", "reason_code"]
    given = pl.DataFrame(rows, schema=names, orient="row", schema_overrides={"reason_code": pl.String})
    days = [MONDAY + dt.timedelta(days=k) for k in range(given.height)]
    base = given.select("machine_id", pl.Series("shift_date", days), move_number=1, made_share=0.5)
    return uptake_rows(base).with_columns(given["setting"], given["uptake_code"], given["reason_code"])


def test_at_most_three_settings_left_undone_and_the_reasons_why_others_are_unknown():
    rows = moves_of(
        *[("M1", "a", "not", None)] * 3,
        ("M1", "a", "followed", None),
        *[("M1", "b", "opposite", None)] * 2,
        ("M1", "c", "not", None),
        ("M1", "d", "not", None),
        ("M1", "d", "followed", None),
        ("M1", "e", "partly", None),
        *[("M1", "a", "unknown", "no_log")] * 2,
        ("M1", "e", "unknown", "other_field"),
        ("M2", "a", "followed", None),
    )
    with Warehouse.in_memory("advice_uptake") as warehouse:
        warehouse.append("advice_uptake", rows)
        undone = warehouse.query("uptake_undone").rows()
        assert undone == [("M1", "a", 4, 3), ("M1", "b", 2, 2), ("M1", "c", 1, 1)]
        assert warehouse.query("uptake_unknown").rows() == [("M1", "no_log", 2), ("M1", "other_field", 1)]


def test_only_fields_whose_loads_are_all_of_one_grower_are_own_fields():
    base = pl.DataFrame(
        {
            "machine_id": ["M1", "M1", "M2", "M3"],
            "shift_date": [MONDAY] * 4,
            "move_number": [1, 2, 1, 1],
            "made_share": [1.0, 0.0, 1.0, 1.0],
        }
    )
    fields = pl.Series("field_id", ["F1", "F1", "F2", "F3"])
    rows = uptake_rows(base).with_columns(fields, made_share=base["made_share"], uptake_code=pl.lit("followed"))
    grower = pl.Series("grower_id", ["G1", "G1", "G1", "G2", None, "G1"])
    loads = pl.DataFrame({"field_id": ["F1", "F1", "F2", "F2", "F3", "F3"]}).with_columns(grower)
    with Warehouse.in_memory("advice_uptake") as warehouse:
        warehouse.append("advice_uptake", rows)
        warehouse.store("load_fact", loads)
        found = warehouse.query("grower_uptake").row(0, named=True)
        assert warehouse.query("grower_uptake").height == 1
    assert (found["grower_id"], found["machine_id"], found["field_id"], found["moves"]) == ("G1", "M1", "F1", 2)
    assert found["made_share"] == 0.5
