"""The advice of every run is kept; the issue before the shift's first load is the one compared with what was done."""

import datetime as dt

import polars as pl
import pytest

from tests.unit.sql.earlier_layouts import layouts
from tests.unit.sql.test_migrations import VALUES, columns, insert, made_of
from transforms.contracts.result_tables.advice import Advice, AdviceIssued
from transforms.storage.advice_record import ADVICE_ISSUED, record_advice
from transforms.storage.warehouse import Warehouse

DAY = dt.date(2025, 10, 9)
NEXT = DAY + dt.timedelta(days=1)
DAWN, MORNING, NOON, EVENING = (dt.datetime(2025, 10, 9, h, tzinfo=dt.UTC) for h in (4, 8, 12, 18))
FITTED = dt.datetime(2025, 10, 9, 3, tzinfo=dt.UTC)
SETTING = "cleaner_1_speed_rpm"


def advice(*moves: tuple[str, float, float], shift_date: dt.date = DAY, verdict: str = "move") -> pl.DataFrame:
    rows = [
        {
            "machine_id": machine,
            "shift_date": shift_date,
            "verdict": verdict,
            "setting": SETTING,
            "from_value": from_value,
            "to_value": to_value,
            "unit": "rpm",
            "reason_code": "move_in_conditions",
            "reason_args": "{}",
        }
        for machine, from_value, to_value in moves
    ]
    return pl.DataFrame(rows, schema_overrides={"shift_date": pl.Date})


def facts(*loads: tuple[str, str, dt.date, float | None], lifted_at: dt.datetime = MORNING) -> pl.DataFrame:
    schema = {"load_id": pl.String, "machine_id": pl.String, "shift_date": pl.Date, SETTING: pl.Float64}
    lifted = pl.lit(lifted_at).cast(pl.Datetime("us", "UTC")).alias("lifted_at")
    return pl.DataFrame(loads, schema=schema, orient="row").with_columns(lifted)


@pytest.fixture
def warehouse():
    with Warehouse.in_memory() as opened:
        fit = {"response": "dirt_tare_pct", "fitted_at": FITTED, "data_fingerprint": "f", "n": 9, "reml_deviance": 1.0}
        fit |= {"iterations": 1, "converged": True, "residual_sd": 0.3}
        fit |= {"variances_from": "estimated", "variances_shift_date": FITTED.date(), "variances_n": 9}
        opened.append("fit_run", pl.DataFrame([fit]).cast({"fitted_at": pl.Datetime("us", "UTC")}))
        yield opened


def set_facts(warehouse: Warehouse, rows: pl.DataFrame) -> None:
    """Replace the mart, whose columns depend on the catalogue."""
    warehouse._con.register("facts_now", rows)
    warehouse._con.execute("create or replace table load_fact as select * from facts_now")
    warehouse._con.unregister("facts_now")


def in_force(warehouse: Warehouse) -> list[tuple[object, ...]]:
    return warehouse.query("advice_in_force").select("shift_date", "from_value", "issued_at").rows()


def test_the_columns_are_those_of_advice_and_of_the_run(warehouse):
    added = ["issued_at", "fitted_at", "had_loads", "is_withheld"]
    assert warehouse.columns(ADVICE_ISSUED) == [*warehouse.columns("advice"), *added]
    assert warehouse._schema(ADVICE_ISSUED)["issued_at"] == pl.Datetime("us", "UTC")
    assert list(AdviceIssued.columns()) == [*Advice.columns(), *added]


def test_a_later_run_adds_its_advice_and_changes_no_row(warehouse):
    set_facts(warehouse, facts())
    record_advice(warehouse, advice(("M1", 30.0, 40.0), ("M2", 30.0, 40.0)), DAWN)
    first = warehouse.table(ADVICE_ISSUED)
    assert first["fitted_at"].to_list() == [FITTED] * 2
    set_facts(warehouse, facts(("L1", "M1", DAY, 40.0)))
    record_advice(warehouse, advice(("M1", 99.0, 100.0)), NOON)
    kept = warehouse.table(ADVICE_ISSUED)
    assert kept.filter(pl.col("issued_at") == DAWN).equals(first)
    assert kept.sort("issued_at")["had_loads"].to_list() == [False, False, True]


def test_the_last_issue_before_the_first_load_is_in_force(warehouse):
    set_facts(warehouse, facts())
    record_advice(warehouse, advice(("M1", 30.0, 40.0), ("M2", 30.0, 40.0)), DAWN)
    record_advice(warehouse, advice(("M1", 31.0, 40.0), shift_date=NEXT), DAWN)
    record_advice(warehouse, advice(("M1", 35.0, 45.0)), DAWN + dt.timedelta(hours=1))
    # The shift is on, but its tickets have not come in.
    record_advice(warehouse, advice(("M1", 77.0, 78.0)), NOON)
    set_facts(warehouse, facts(("L1", "M1", DAY, 40.0)))
    record_advice(warehouse, advice(("M1", 99.0, 100.0)), EVENING)
    assert in_force(warehouse) == [(DAY, 35.0, DAWN + dt.timedelta(hours=1)), (NEXT, 31.0, DAWN)]


def test_in_a_season_read_after_its_end_the_last_issue_without_loads_is_in_force(warehouse):
    set_facts(warehouse, facts())
    record_advice(warehouse, advice(("M1", 30.0, 40.0)), NOON)
    record_advice(warehouse, advice(("M1", 35.0, 45.0)), EVENING)
    set_facts(warehouse, facts(("L1", "M1", DAY, 40.0)))
    record_advice(warehouse, advice(("M1", 99.0, 100.0)), EVENING + dt.timedelta(hours=1))
    assert in_force(warehouse) == [(DAY, 35.0, EVENING)]


def test_a_row_issued_twice_is_found(warehouse):
    set_facts(warehouse, facts())
    record_advice(warehouse, advice(("M1", 30.0, 40.0)), DAWN)
    record_advice(warehouse, advice(("M1", 30.0, 40.0)), NOON)
    assert warehouse.check("issued_advice_unique").height == 0
    record_advice(warehouse, advice(("M1", 31.0, 40.0)), NOON)
    assert warehouse.check("issued_advice_unique").height == 1


def test_advice_of_an_earlier_layout_stays_in_force(tmp_path):
    layout = max((v for v in layouts() if "tables/given_advice" in v), key=len)
    con = made_of(layout, tmp_path / "warehouse.duckdb")
    row = {c: VALUES[kind] for c, kind in columns(con)["given_advice"].items()}
    insert(con, "given_advice", row | {"shift_date": DAY, "given_at": DAWN})
    con.close()
    with Warehouse(tmp_path / "warehouse.duckdb") as upgraded:
        assert not upgraded.has("given_advice")
        set_facts(upgraded, facts(("L1", "M1", DAY, 40.0)))
        assert in_force(upgraded) == [(DAY, 1.5, DAWN)]
        assert upgraded.table(ADVICE_ISSUED)["fitted_at"].to_list() == [None]


def test_uptake_is_shown_with_the_dirt_of_the_shift_and_the_dirt_that_the_advice_expected(warehouse):
    set_facts(warehouse, facts())
    moves = advice(("M1", 30.0, 40.0), ("M10", 30.0, 40.0), ("M2", 30.0, 40.0)).with_columns(dirt_after_pct=6.5)
    record_advice(warehouse, moves, DAWN)
    set_facts(warehouse, facts(("L1", "M1", DAY, 34.0), ("L2", "M1", DAY, 36.0), ("L6", "M1", NEXT, 99.0)))
    loads = [("L1", 8.0, 7.0, 5.0, 9.0, 7.0), ("L2", 10.0, 8.0, 6.0, 10.0, 8.0), ("L6", 50.0, 50.0, 40.0, 60.0, 50.0)]
    warehouse.append("expected_load", pl.DataFrame(loads, schema=warehouse.columns("expected_load"), orient="row"))
    judged = moves.select("machine_id", "shift_date", "setting", "unit", "from_value", "to_value").with_columns(
        issued_at=pl.lit(DAWN).cast(pl.Datetime("us", "UTC")),
        uptake_code=pl.Series(["followed", "unknown", "not"]),
        judged_s=3600.0,
        fingerprint=pl.lit(""),
        is_withheld=pl.lit(value=False),
    )
    withheld = judged.head(1).with_columns(machine_id=pl.lit("M3"), is_withheld=pl.lit(value=True))
    judged = pl.concat([judged, withheld])
    warehouse.append("advice_uptake", pl.concat([judged, judged.with_columns(shift_date=pl.lit(NEXT))]))
    shown = warehouse.query("advice_followed", shift_date=DAY)
    columns_ = ("machine_id", "uptake_code", "n", "measured", "observed_pct", "expected_pct", "advised_dirt_pct")
    assert shown.select(columns_).rows() == [
        ("M1", "followed", 2, 2, 9.0, 7.5, 6.5),
        ("M2", "not", 0, 0, None, None, 6.5),
        ("M10", "unknown", 0, 0, None, None, 6.5),
    ]
