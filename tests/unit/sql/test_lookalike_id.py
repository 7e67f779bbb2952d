"""Ids that look alike within a kind."""

import datetime as dt
import json
import unicodedata

import polars as pl

from flows import stages
from tests.support.program import taretrace_here
from transforms.config.workspace import init_workspace
from transforms.operations.health import check_workspace
from transforms.storage.warehouse import Warehouse

AT = dt.datetime(2025, 10, 1, 8, tzinfo=dt.UTC)
GROUPS = [
    ["F1", "f1", "F 1", "\uff261", "F\u200b1", "F\u00a01"],
    [unicodedata.normalize("NFC", "Mühle"), unicodedata.normalize("NFD", "Mühle"), "MÜHLE"],
]


def boundaries(ids: list[str]) -> pl.DataFrame:
    columns = {
        "source_sha256": ["s"] * len(ids),
        "line": range(len(ids)),
        "field_id": ids,
        "boundary": ["x"] * len(ids),
    }
    return pl.DataFrame(columns)


def test_ids_that_look_alike_are_grouped_by_kind():
    with Warehouse.in_memory() as warehouse:
        warehouse.append("received_field_boundary", boundaries(["F2", "F22", "O1", "01", *GROUPS[0], *GROUPS[1]]))
        found = warehouse.query("lookalike_id")
    assert found.select("kind", "looks_like", "ids").rows() == [("field", "f1", 6), ("field", "mühle", 3)]


def test_a_warehouse_without_rows_has_none():
    with Warehouse.in_memory() as warehouse:
        assert warehouse.query("lookalike_id").height == 0


def test_the_same_id_in_several_tables_is_one():
    with Warehouse.in_memory() as warehouse:
        warehouse.append("received_field_boundary", boundaries(["F1", "F1"]))
        day = {
            "machine": "a",
            "day": "2025-10-01",
            "machine_id": "F 1",
            "first_at": AT,
            "last_at": AT,
            "bins": 1,
            "working_h": 0.0,
            "area_ha": 0.0,
            "fingerprint": "",
        }
        warehouse.append("machine_day", pl.DataFrame([day]))
        assert warehouse.query("lookalike_id").height == 0


def test_doctor_and_status_report_ids_that_look_alike(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    with stages.open_warehouse(workspace) as warehouse:
        warehouse.append("received_field_boundary", boundaries(["F1", "f1", "F2"]))
    found = {f.code: f for f in check_workspace(workspace, dt.datetime.now(dt.UTC))}
    assert found["ids.look_alike"].state == "note"
    ran = taretrace_here("status", workspace.root, "--json")
    (group,) = json.loads(ran.out)["lookalikes"]
    assert (group["kind"], group["ids"]) == ("field", 2)
