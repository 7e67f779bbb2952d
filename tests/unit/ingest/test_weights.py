"""Weights of a ticket: derivation of the third, rejection of impossible ones, and mappings with earlier names."""

import datetime as dt
from pathlib import Path

import duckdb
import polars as pl
import pytest

from flows import stages
from flows.runtime.progress import Reporter
from tests.support.taking import take
from transforms.config.problems import ConfigError
from transforms.config.workspace import Workspace, init_workspace
from transforms.ingest.mapping_file import read_mapping
from transforms.storage.warehouse import Warehouse

QUIET = Reporter(quiet=True)
AT = dt.datetime(2025, 10, 1, 12, tzinfo=dt.UTC)
WEIGHTS = ("truck_full_t", "truck_empty_t", "delivered_t", "clean_t")
HEAD = """
kind = "load"
files = ["t*.csv"]
time_zone = "UTC"
[columns.load_id]
from = "No"
[columns.cancelled]
from = "Void"
[columns.field_id]
value = "F1"
[columns.site_id]
value = "north"
[columns.weighed_at]
value = 2025-10-01T12:00:00Z
"""
EARLIER = {"gross_t": "delivered_t", "net_t": "clean_t"}


def mapping_text(*columns: str) -> str:
    return HEAD + "".join(f'[columns.{c}]\nfrom = "{EARLIER.get(c, c)}"\nunit = "t"\n' for c in columns)


def mapping_of(folder: Path, catalogue, *columns: str):
    (folder / "tickets.toml").write_text(mapping_text(*columns))
    return read_mapping(folder / "tickets.toml", catalogue)


def rejection(folder: Path, catalogue, *weights: float | None, void: str = "") -> str | None:
    """Code of the reason for rejecting a ticket with these weights, in the order of `WEIGHTS`; None if accepted."""
    cells = ",".join("" if w is None else str(w) for w in weights)
    (folder / "t1.csv").write_text(f"No,Void,{','.join(WEIGHTS)}\n1,{void},{cells}\n")
    taken = take(folder / "t1.csv", mapping_of(folder, catalogue, *WEIGHTS), catalogue)
    return next((code for code, _ in taken.reasons), None)


@pytest.mark.parametrize(
    ("weights", "code"),
    [
        ((None, None, 25.0, None), None),
        ((40.0, 15.0, None, None), None),
        ((40.0, None, 25.0, 22.0), None),
        ((40.0, 15.0, 25.1, 22.0), None),
        ((40.0, 15.0, 25.2, 22.0), "weights_disagree"),
        ((40.0, 15.0, 24.8, 22.0), "weights_disagree"),
        ((None, None, None, None), "delivered_unknown"),
        ((None, None, None, 22.0), "delivered_unknown"),
        ((40.0, None, None, 22.0), "delivered_unknown"),
        ((None, 15.0, None, None), "delivered_unknown"),
        ((15.0, 40.0, None, None), "truck_not_above_empty"),
        ((40.0, 40.0, None, None), "truck_not_above_empty"),
        ((100.0, 15.0, None, None), "truck_load_too_heavy"),
        ((40.0, 15.0, None, 25.5), "clean_above_delivered"),
        ((None, None, 25.0, 25.5), "clean_above_delivered"),
        ((None, None, 0.0, None), "not_above_bound"),
    ],
)
def test_weights_that_lack_or_contradict_each_other_are_rejected(tmp_path, catalogue, weights, code):
    assert rejection(tmp_path, catalogue, *weights) == code


def test_a_cancelled_ticket_needs_no_weight(tmp_path, catalogue):
    assert rejection(tmp_path, catalogue, None, None, None, None, void="yes") is None


@pytest.mark.parametrize(
    ("columns", "is_enough"),
    [
        (("delivered_t",), True),
        (("truck_full_t", "truck_empty_t"), True),
        (("clean_t",), False),
        (("truck_full_t", "clean_t"), False),
        ((), False),
    ],
)
def test_a_mapping_needs_the_delivered_weight_or_both_weights_of_the_truck(tmp_path, catalogue, columns, is_enough):
    if is_enough:
        assert {c.column for c in mapping_of(tmp_path, catalogue, *columns).columns} >= set(columns)
        return
    with pytest.raises(ConfigError) as refused:
        mapping_of(tmp_path, catalogue, *columns)
    (problem,) = refused.value.problems
    assert (problem.code, problem.key) == ("missing_key", "delivered_t")
    assert "delivered_t, truck_full_t + truck_empty_t" in problem.remedy


def ticket(no: int, weights: tuple[float | None, ...]) -> dict[str, object]:
    row = {"source_sha256": "a", "line": no, "load_id": str(no), "revision": 0, "cancelled": False, "field_id": "F1"}
    return row | dict(zip(WEIGHTS, weights, strict=True))


def tare(load_id: str, top_tare_pct: float | None) -> dict[str, object]:
    row = {"source_sha256": "b", "line": int(load_id), "sample_id": load_id, "revision": 0, "cancelled": False}
    return row | {"load_id": load_id, "dirt_tare_pct": 8.0, "top_tare_pct": top_tare_pct}


def source(sha: str, kind: str, **other: object) -> dict[str, object]:
    counts = {f"rows_{c}": 0 for c in ("in", "accepted", "rejected", "repeated")}
    row = {"source_sha256": sha, "file": f"{kind}.csv", "kind": kind, "header": "", "file_at": AT, "received_at": AT}
    return row | counts | other


def test_the_missing_weights_are_derived_from_the_others():
    rows = {
        1: ((40.0, 15.1, None, None), (40.0, 15.1, 24.9, 21.912)),
        2: ((40.0, None, 24.9, 20.0), (40.0, 15.1, 24.9, 20.0)),
        3: ((None, 15.1, 24.9, None), (40.0, 15.1, 24.9, None)),
        4: ((None, None, 24.9, None), (None, None, 24.9, None)),
        5: ((40.0, 15.0, 25.1, None), (40.0, 15.0, 25.1, None)),
    }
    tares = [tare("1", 4.0), tare("2", 4.0), tare("3", None)]
    with Warehouse.in_memory() as warehouse:
        warehouse.append("source_file", pl.DataFrame([source("a", "load"), source("b", "tare")]))
        warehouse.append("received_load", pl.DataFrame([ticket(n, w) for n, (w, _) in rows.items()]))
        warehouse.append("received_tare", pl.DataFrame(tares))
        weights = warehouse.table("load_weight").sort("load_id").select(WEIGHTS).rows()
        own = warehouse.table("load").sort("load_id").select(WEIGHTS[:3]).rows()
    assert weights == [derived for _, derived in rows.values()]
    assert own == [derived[:3] for _, derived in rows.values()]


def test_a_mapping_with_earlier_names_is_read_and_its_fingerprint_does_not_change(tmp_path, catalogue):
    now = mapping_of(tmp_path, catalogue, "delivered_t", "clean_t")
    earlier = mapping_of(tmp_path, catalogue, *EARLIER)
    assert earlier.columns == now.columns
    assert earlier.renamed == tuple(EARLIER.items())
    assert now.renamed == ()
    assert earlier.fingerprint() == now.fingerprint()


def test_an_earlier_name_beside_its_present_name_is_refused_by_both_names(tmp_path, catalogue):
    with pytest.raises(ConfigError) as refused:
        mapping_of(tmp_path, catalogue, "gross_t", "delivered_t")
    (problem,) = refused.value.problems
    assert (problem.code, problem.key) == ("unknown_key", "gross_t")
    assert "'gross_t' is now called 'delivered_t'" in problem.what


def test_an_error_of_a_column_with_an_earlier_name_is_where_the_file_has_it(tmp_path, catalogue):
    (tmp_path / "tickets.toml").write_text(mapping_text("gross_t").replace('unit = "t"', 'unit = "kgs"'))
    with pytest.raises(ConfigError) as refused:
        read_mapping(tmp_path / "tickets.toml", catalogue)
    assert [p.where.endswith("[columns.gross_t]") for p in refused.value.problems] == [True]


class Notices(Reporter):
    """Reporter that keeps its lines."""

    def __init__(self) -> None:
        super().__init__(quiet=True)
        self.lines: list[str] = []

    def line(self, text: str) -> None:
        self.lines.append(text)


def earlier_workspace(folder: Path) -> Workspace:
    """A workspace that read a ticket before the weights were renamed: its mapping and tables have the earlier names."""
    made = init_workspace(folder)
    (made.mappings / "tickets.toml").write_text(mapping_text(*EARLIER))
    (made.inbox / "t1.csv").write_text("No,Void,delivered_t,clean_t\n1,,27.0,24.0\n2,,24.0,27.0\n")
    stages.receive_files(made, QUIET)
    con = duckdb.connect(str(made.warehouse))
    for earlier, now in EARLIER.items():
        con.execute(f"alter table received_load rename {now} to {earlier}")
    con.execute("alter table received_load drop truck_full_t")
    con.execute("alter table received_load drop truck_empty_t")
    con.execute("update rejected_row set rule = 'net_above_gross', reason_code = 'net_above_gross'")
    con.execute("comment on table source_file is 'earlier'")
    con.close()
    return made


def test_a_workspace_of_earlier_names_keeps_its_tickets_and_reads_new_ones(tmp_path):
    made = earlier_workspace(tmp_path / "w")
    (made.inbox / "t2.csv").write_text("No,Void,delivered_t,clean_t\n3,,26.0,23.0\n")
    notices = Notices()
    received = stages.receive_files(made, notices)
    assert [r.file for r in received] == ["t2.csv"]
    assert sum("delivered_t" in line and "clean_t" in line for line in notices.lines) == 1
    with Warehouse(made.warehouse) as warehouse:
        loads = warehouse.table("load").sort("load_id").select("load_id", *WEIGHTS).rows()
        rejected = warehouse.table("rejected_row").select("rule", "reason_code").rows()
    assert loads == [("1", None, None, 27.0, 24.0), ("3", None, None, 26.0, 23.0)]
    assert rejected == [("clean_above_delivered", "clean_above_delivered")]
