"""Mean root mass of fields: the best source that exists counts, and is named."""

import datetime as dt
from typing import Any

import polars as pl
import pytest

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
    "yield_t_ha": 72.0,
    "row_spacing_cm": 45.0,
}
CHECK = {"checked_at": AT, "checked_roots_count": 20.0}
LOAD = {"field_id": "F1", "site_id": "S", "weighed_at": AT, "revision": 0, "cancelled": False, "delivered_t": 20.0}
TARE = {"revision": 0, "cancelled": False, "load_id": "L1", "dirt_tare_pct": 8.0}
AUDIT = {"machine_id": "M1", "audited_at": AT, "plot_m2": 20.0, "broken_count": 50.0}
LARGE_CHECK = {**CHECK, "checked_roots_count": 60.0, "root_mass_kg": 0.9}
OF_CHECKS = [
    ("root_check", {"check_id": "C1", "field_id": "F1", **CHECK, "root_mass_kg": 0.7}),
    ("root_check", {"check_id": "C2", "load_id": "L1", **LARGE_CHECK}),
    ("root_check", {"check_id": "C3", "field_id": "F1", **CHECK}),
]
OF_TARES = [("tare", {"sample_id": "T1", **TARE, "root_mass_kg": 0.8})]
OF_AUDITS = [
    ("loss_audit", {"audit_id": f"A{i}", "field_id": "F1", **AUDIT, "root_mass_kg": kg})
    for i, kg in enumerate((1.0, 1.2))
]
STAND_DUG = [("loss_audit", {"audit_id": "A9", "field_id": "F1", **AUDIT, "stand_plants_per_ha": 80_000.0})]


@pytest.fixture
def warehouse():
    with Warehouse.in_memory() as opened:
        counts = dict.fromkeys(("rows_in", "rows_accepted", "rows_rejected", "rows_repeated"), 0)
        file = {"source_sha256": "s1", "file": "s1.csv", "header": "", **counts, "received_at": AT, "file_at": AT}
        opened.append("source_file", pl.DataFrame([file]))
        add(opened, [("load", {"load_id": "L1", **LOAD})])
        yield opened


def add(warehouse: Warehouse, rows: list[tuple[str, dict[str, Any]]]) -> None:
    for line, (kind, row) in enumerate(rows, 1):
        warehouse.append(f"received_{kind}", pl.DataFrame([{"source_sha256": "s1", "line": line, **row}]))


@pytest.mark.parametrize(
    ("rows", "plants_per_ha", "kg", "source"),
    [
        (OF_CHECKS + OF_TARES + OF_AUDITS + STAND_DUG, 90_000.0, 0.85, "root_check"),
        (OF_TARES + OF_AUDITS + STAND_DUG, 90_000.0, 0.8, "tare"),
        (OF_AUDITS + STAND_DUG, 90_000.0, 1.1, "audit"),
        (STAND_DUG, 90_000.0, 0.8, "plants_per_ha"),
        (STAND_DUG, None, 0.9, "plants_per_ha"),
        ([], None, None, None),
    ],
    ids=["root checks by roots", "lab", "audits", "field list", "plants counted by an audit", "unknown"],
)
def test_the_best_source_counts(warehouse, rows, plants_per_ha, kg, source):
    add(warehouse, [("field", {"field_id": "F1", **FIELD, "stand_plants_per_ha": plants_per_ha}), *rows])
    warehouse.build("field_root_mass")
    row = warehouse.table("field_root_mass").row(0, named=True)
    assert row["root_mass_kg"] == (None if kg is None else pytest.approx(kg))
    assert row["root_mass_source"] == source
