"""Data of the district map."""

import datetime as dt
from dataclasses import dataclass

import polars as pl

from transforms.config.workspace import Season
from transforms.storage.warehouse import Warehouse

FIELD_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "field_id": pl.String,
    "lat_deg": pl.Float64,
    "lon_deg": pl.Float64,
    "area_ha": pl.Float64,
    "boundary": pl.String,
    "n": pl.Int64,
    "n_clusters": pl.Int64,
    "observed_pct": pl.Float64,
    "expected_pct": pl.Float64,
    "difference_pct": pl.Float64,
    "difference_half": pl.Float64,
}
"""Columns of `map_field`."""
MACHINE_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "machine_id": pl.String,
    "bin_at": pl.Datetime("us", "UTC"),
    "field_id": pl.String,
    "lat_deg": pl.Float64,
    "lon_deg": pl.Float64,
}
"""Columns of `map_machine`."""


@dataclass(frozen=True)
class DistrictMapData:
    """Contents of the district map.

    Attributes:
        shift: the shift; None for the whole season.
        fields: rows of `map_field`.
        machines: rows of `map_machine`.
        sites: factory -> latitude and longitude in degrees.
    """

    shift: dt.date | None
    fields: pl.DataFrame
    machines: pl.DataFrame
    sites: dict[str, tuple[float, float]]


def load_district_map(warehouse: Warehouse, season: Season, shift: dt.date | None = None) -> DistrictMapData:
    """Return the fields, machines and factories of one shift, or of the season if `shift` is None.

    Args:
        warehouse: the workspace's warehouse; its marts may be missing.
        season: the season, for factories and the hours of a shift.
        shift: date of the shift.
    """
    starts = season.shift_starts
    hours = {"zone": season.time_zone, "shift_starts": dt.timedelta(hours=starts.hour, minutes=starts.minute)}
    has_loads, has_passes = warehouse.has("load_fact"), warehouse.has("shift_pass")
    return DistrictMapData(
        shift=shift,
        fields=warehouse.query("map_field", shift_date=shift) if has_loads else pl.DataFrame(schema=FIELD_SCHEMA),
        machines=warehouse.query("map_machine", shift_date=shift, **hours)
        if has_passes
        else pl.DataFrame(schema=MACHINE_SCHEMA),
        sites=season.sites,
    )
