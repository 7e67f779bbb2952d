"""Ids in the order of their numbers: the latest lab sample is S10, not S9, whatever came in which order."""

import datetime as dt

import polars as pl
import pytest

from transforms.contracts.natural_order import natural_key
from transforms.storage.warehouse import Warehouse
from transforms.trace.field_work import sort_by_weighing

AT = dt.datetime(2025, 10, 2, 9, tzinfo=dt.UTC)


def sample(sample_id: str, dirt: float, *, revision: int = 0, issued_h: float | None = None, sha: str = "a", **more):
    issued = None if issued_h is None else AT + dt.timedelta(hours=issued_h)
    line = 10 * sum(map(ord, sample_id)) + revision
    return {
        "source_sha256": sha,
        "line": line,
        "sample_id": sample_id,
        "revision": revision,
        "issued_at": issued,
        "cancelled": False,
        "load_id": "L1",
        "dirt_tare_pct": dirt,
    } | more


def counted(rows: list[dict[str, object]], file_h: dict[str, float] | None = None) -> tuple[str, str]:
    """Return the sample that counts for the load, and the first one that its explanation lists."""
    files = [
        {
            "source_sha256": sha,
            "file": f"{sha}.csv",
            "header": "",
            "rows_in": 1,
            "rows_accepted": 1,
            "rows_rejected": 0,
            "rows_repeated": 0,
            "file_at": AT + dt.timedelta(hours=h),
            "received_at": AT,
        }
        for sha, h in (file_h or {"a": 0.0}).items()
    ]
    schema = {"issued_at": pl.Datetime("us", "UTC")}
    with Warehouse.in_memory() as warehouse:
        warehouse.append("received_tare", pl.DataFrame(rows, schema_overrides=schema))
        warehouse.append("source_file", pl.DataFrame(files))
        (row,) = warehouse.table("load_tare").iter_rows(named=True)
        return row["sample_id"], warehouse.query("load_lab", load_id="L1")["sample_id"][0]


@pytest.mark.parametrize(("older", "newer"), [("S9", "S10"), ("2025-99/7", "2025-100/1"), ("a9b9", "a9b10")])
def test_the_latest_sample_has_the_largest_number_if_no_time_decides(older, newer):
    rows = [sample(older, 5.0), sample(newer, 8.0)]
    assert counted(rows) == (newer, newer)
    assert counted(rows[::-1]) == (newer, newer)


def test_the_time_of_issue_decides_before_the_number():
    assert counted([sample("S10", 8.0, issued_h=1), sample("S9", 5.0, issued_h=3)]) == ("S9", "S9")


def test_a_correction_of_an_older_sample_does_not_make_it_the_latest():
    rows = [sample("S9", 5.0, issued_h=1), sample("S10", 8.0, issued_h=2), sample("S9", 5.5, revision=1, issued_h=9)]
    assert counted(rows) == ("S10", "S10")


def test_without_times_of_issue_the_file_that_came_first_decides():
    rows = [sample("X1", 5.0, sha="b"), sample("S2", 8.0, sha="a")]
    assert counted(rows, {"a": 0.0, "b": 24.0})[0] == "X1"
    assert counted(rows, {"a": 24.0, "b": 0.0})[0] == "S2"


def test_a_cancelled_sample_leaves_the_one_before():
    rows = [sample("S9", 5.0), sample("S10", 8.0), sample("S10", 8.0, revision=1, cancelled=True)]
    assert counted(rows)[0] == "S9"


IDS = ["L10", "L9", "L1", "M2", "A100", None, "10", "9", "L9b2", "L9b10"]


def test_one_order_in_sql_and_in_frames():
    keys = pl.DataFrame({"id": IDS}).with_columns(natural_key(pl.col("id")).alias("key"))
    ordered = keys.drop_nulls().sort("key")["id"].to_list()
    assert ordered == ["9", "10", "A100", "L1", "L9", "L9b2", "L9b10", "L10", "M2"]
    offsets = [
        {
            "subject_kind": "site",
            "subject_id": i,
            "from_date": AT.date(),
            "to_date": AT.date(),
            "offset_min": 9.0,
            "lo95": 5.0,
            "hi95": 13.0,
            "n": 50,
            "corrected": True,
            "cause_code": "queue_or_clock",
        }
        for i in IDS
        if i is not None
    ]
    with Warehouse.in_memory() as warehouse:
        warehouse.append("clock_offset", pl.DataFrame(offsets))
        assert warehouse.query("clock_finding")["subject_id"].to_list() == ordered


def test_loads_weighed_in_one_minute_follow_the_numbers_of_their_tickets():
    loads = pl.DataFrame({"load_id": ["T10", "T9", "T2"], "weighed_at": [AT, AT, AT + dt.timedelta(minutes=1)]})
    assert sort_by_weighing(loads)["load_id"].to_list() == ["T9", "T10", "T2"]


def test_loads_lifted_at_once_are_listed_by_their_numbers():
    """Others are listed by time alone, whatever their ids."""
    lifted = {"L10": 0.0, "L9": 0.0, "L100": 0.0, "L1": 1.0, "L2": -1.0}
    times = [AT + dt.timedelta(hours=h) for h in lifted.values()]
    ids = ("machine_id", "site_id", "field_id", "grower_id", "operator_id")
    facts = pl.DataFrame({"load_id": list(lifted), "lifted_at": times}).with_columns(
        pl.lit(AT.date()).alias("shift_date"),
        *(pl.lit("x").alias(name) for name in ids),
        *(pl.lit(0.5).alias(name) for name in ("delivered_t", "trace_quality")),
    )
    with Warehouse.in_memory() as warehouse:
        warehouse.store("load_fact", facts)
        warehouse.store("load_class", facts.select("load_id", wetness_class=pl.lit("dry"), soil_class=pl.lit("light")))
        assert warehouse.query("season_load")["load_id"].to_list() == ["L2", "L9", "L10", "L100", "L1"]
