"""Ground of dig-behind audits: the newest delivery, the field's yield, and the spacing of rows."""

import datetime as dt
from typing import Any

import polars as pl
import pytest

from transforms.model.root_loss import root_loss
from transforms.storage.warehouse import Warehouse

AT = dt.datetime(2025, 10, 1, 8, tzinfo=dt.UTC)
FIELD = {
    "grower_id": "G1",
    "station_id": "S1",
    "lat_deg": 50.0,
    "lon_deg": 15.0,
    "area_ha": 9.0,
    "sand_pct": 30.0,
    "clay_pct": 20.0,
    "organic_matter_pct": 2.0,
    "yield_t_ha": 76.0,
    "row_spacing_cm": 45.0,
}
SETUP = {"valid_from_at": AT, "generation": "two", "rows_count": 6.0, "row_spacing_cm": 55.0, "tank_capacity_t": 20.0}
AUDIT = {
    "audited_at": AT,
    "plot_length_m": 20.0,
    "plot_rows_count": 3.0,
    "broken_count": 50.0,
    "root_mass_kg": 0.8,
    "whole_roots_count": 3.0,
}


def add(warehouse: Warehouse, name: str, row: dict[str, Any], source: str = "s1") -> None:
    warehouse.append(name, pl.DataFrame([{"source_sha256": source, "line": 1, **row}]))


@pytest.fixture
def warehouse():
    with Warehouse.in_memory() as opened:
        for source, day in (("s1", 0), ("s2", 1)):
            counts = dict.fromkeys(("rows_in", "rows_accepted", "rows_rejected", "rows_repeated"), 0)
            file = {"source_sha256": source, "file": f"{source}.csv", "header": "", **counts, "received_at": AT}
            file["file_at"] = AT + dt.timedelta(days=day)
            opened.append("source_file", pl.DataFrame([file]))
        add(opened, "received_field", {"field_id": "F1", **FIELD})
        add(opened, "received_machine_setup", {"machine_id": "M1", **SETUP})
        yield opened


@pytest.mark.parametrize(
    ("audit", "spacing", "area"),
    [
        ({"machine_id": "M1", "field_id": "F1", "row_spacing_cm": 50.0}, 50.0, 30.0),
        ({"machine_id": "M1", "field_id": "F1"}, 45.0, 27.0),
        ({"machine_id": "M1", "field_id": "unlisted"}, 55.0, 33.0),
    ],
)
def test_the_spacing_of_rows_is_the_audits_own_else_the_fields_else_the_machines(warehouse, audit, spacing, area):
    add(warehouse, "received_loss_audit", {"audit_id": "A1", **AUDIT, **audit})
    ground = warehouse.query("audit_ground")
    assert ground["row_spacing_cm"].to_list() == [spacing]
    lost = root_loss(ground).row(0, named=True)
    assert lost["plot_m2"] == pytest.approx(area)
    assert lost["root_loss_t_ha"] > 0


def test_without_any_spacing_rows_are_no_plot(warehouse):
    add(warehouse, "received_loss_audit", {"audit_id": "A1", **AUDIT, "machine_id": "M2", "field_id": "unlisted"})
    lost = root_loss(warehouse.query("audit_ground")).row(0, named=True)
    assert lost["root_loss_t_ha"] is lost["tip_loss_t_ha"] is lost["root_loss_log_var"] is None


def test_the_newest_delivery_counts_with_its_file(warehouse):
    for source, broken in (("s2", 40.0), ("s1", 50.0)):
        row = {"audit_id": "A1", **AUDIT, "machine_id": "M1", "field_id": "F1", "broken_count": broken}
        add(warehouse, "received_loss_audit", row, source)
    ground = warehouse.query("audit_ground")
    assert ground.select("file", "broken_count", "yield_t_ha").rows() == [("s2.csv", 40.0, 76.0)]
    assert warehouse.table("loss_audit")["broken_count"].to_list() == [40.0]
    assert "file" not in warehouse.table("loss_audit").columns
