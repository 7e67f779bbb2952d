"""The conditions table of the shift page: working hours of the next shift, not the hour at which the run is made."""

import datetime as dt

import polars as pl
import pytest

from transforms.storage.warehouse import Warehouse

DAWN = dt.datetime(2025, 10, 11, 5, tzinfo=dt.UTC)


def filled(warehouse: Warehouse, shift_date: dt.date | None) -> dict[str, object]:
    field = {
        "source_sha256": "a",
        "line": 1,
        "field_id": "F1",
        "grower_id": "G1",
        "station_id": "S1",
        "clay_pct": 25.0,
        "sand_pct": 30.0,
        "organic_matter_pct": 2.0,
        "lat_deg": 50.0,
        "lon_deg": 15.0,
        "area_ha": 8.0,
        "yield_t_ha": 80.0,
        "row_spacing_cm": 50.0,
    }
    columns = warehouse.table("received_field").columns
    warehouse.append("received_field", pl.DataFrame([{k: v for k, v in field.items() if k in columns}]))
    file = {
        "source_sha256": "a",
        "file": "a.csv",
        "file_at": DAWN,
        "header": "",
        "rows_in": 1,
        "rows_accepted": 1,
        "rows_rejected": 0,
        "rows_repeated": 0,
        "received_at": DAWN,
    }
    warehouse.append("source_file", pl.DataFrame([file]))
    hour = {
        "field_id": "F1",
        "hour_at": DAWN,
        "topsoil_wetness": 0.66,
        "air_temp_c": 3.0,
        "rain_24h_mm": 1.0,
        "rain_72h_mm": 4.0,
    }
    warehouse.replace("field_hour", pl.DataFrame([hour]))
    if shift_date:
        ahead = {
            "field_id": "F1",
            "shift_date": shift_date,
            "topsoil_wetness": 0.5,
            "air_temp_c": 9.0,
            "rain_mm": None,
            "outlook": "as now",
        }
        warehouse.replace("next_condition", pl.DataFrame([ahead], schema_overrides={"rain_mm": pl.Float64}))
    return warehouse.query("condition_now").row(0, named=True)


@pytest.mark.parametrize(
    ("shift_date", "wetness", "air"),
    [(dt.date(2025, 10, 11), 0.5, 9.0), (dt.date(2025, 10, 9), 0.66, 3.0), (None, 0.66, 3.0)],
)
def test_the_table_is_of_the_next_shift_unless_that_is_over(tmp_path, shift_date, wetness, air):
    with Warehouse(tmp_path / "w.duckdb") as warehouse:
        row = filled(warehouse, shift_date)
    assert (row["topsoil_wetness"], row["air_temp_c"], row["rain_24h_mm"]) == (wetness, air, 1.0)
    assert (row["shift_date"] is not None) == (wetness == 0.5)
