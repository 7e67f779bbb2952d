"""Invented districts for tests of the map: fields in rows, with or without outlines and loads."""

import datetime as dt
import json
from typing import Any

import numpy as np
import polars as pl

from reports.sections.district_map_data import FIELD_SCHEMA, MACHINE_SCHEMA, DistrictMapData

SHIFT = dt.date(2025, 10, 31)
KM_LAT = 1 / 111.2
"""Degrees of latitude per kilometre, to 0.1 %."""


def outline(lat: float, lon: float, side_deg: float = 0.006, points: int = 4, seed: int = 0) -> str:
    """Return an outline about a place as GeoJSON, irregular if it has many points."""
    rng = np.random.default_rng(seed)
    angle = np.linspace(0, 2 * np.pi, points, endpoint=False)
    reach = side_deg * (1 if points == 4 else rng.uniform(0.6, 1.4, points))
    ring = np.column_stack([lon + reach * np.cos(angle), lat + reach * np.sin(angle)]).round(7).tolist()
    return json.dumps({"type": "Polygon", "coordinates": [[*ring, ring[0]]]})


def field(name: str, lat: float | None, lon: float | None, **values: Any) -> dict[str, Any]:
    """Return a row of `map_field`, with 40 loads of 8 visits unless values say otherwise."""
    usual = {
        "field_id": name,
        "lat_deg": lat,
        "lon_deg": lon,
        "area_ha": 30.0,
        "boundary": None,
        "n": 40,
        "n_clusters": 8,
        "observed_pct": 9.0,
        "expected_pct": 8.0,
        "difference_pct": 1.0,
        "difference_half": 0.5,
    }
    return usual | values


def with_dirt(difference: float, half: float | None = 0.4) -> dict[str, Any]:
    """Return the values of a field with this difference."""
    return {
        "observed_pct": 10.0 + difference,
        "expected_pct": 10.0,
        "difference_pct": difference,
        "difference_half": half,
    }


UNMEASURED: dict[str, Any] = {
    "n": 0,
    "n_clusters": 0,
    "observed_pct": None,
    "expected_pct": None,
    "difference_pct": None,
    "difference_half": None,
}


def machine(name: str, lat: float, lon: float) -> dict[str, Any]:
    """Return a row of `map_machine`."""
    at = dt.datetime(2025, 10, 31, 15, tzinfo=dt.UTC)
    return {"machine_id": name, "bin_at": at, "field_id": "F1", "lat_deg": lat, "lon_deg": lon}


def district(
    fields: list[dict[str, Any]],
    machines: list[dict[str, Any]] | None = None,
    sites: dict[str, tuple[float, float]] | None = None,
    shift: dt.date | None = None,
) -> DistrictMapData:
    """Return the data of a map of the season, or of a shift."""
    return DistrictMapData(
        shift, pl.DataFrame(fields, FIELD_SCHEMA), pl.DataFrame(machines or [], MACHINE_SCHEMA), sites or {}
    )


def many_fields(n: int, points: int = 30) -> list[dict[str, Any]]:
    """Return irregular measured fields in rows of twenty, their differences from -5 to 5 points."""
    rows = []
    for i in range(n):
        lat, lon = 50 + i // 20 * 0.02, 15 + i % 20 * 0.03
        values = with_dirt(-5 + 10 * i / max(1, n - 1)) | {"boundary": outline(lat, lon, points=points, seed=i)}
        rows.append(field(f"F{i + 1:03}", lat, lon, **values))
    return rows
