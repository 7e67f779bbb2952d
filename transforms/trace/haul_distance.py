"""Road distance from fields to the sites that receive their loads."""

import math

import polars as pl

from transforms.geo import KM_PER_DEG

ROAD_FACTOR, UNKNOWN_KM = 1.3, 20.0


def road_km(lat: float | None, lon: float | None, site: tuple[float, float] | None) -> float:
    """Return the road distance to a site, km (common practice: 1.3 times the straight line).

    It is UNKNOWN_KM if the position of the field or of the site is unknown.

    Args:
        lat: latitude of the field, degrees; None if unknown.
        lon: longitude of the field, degrees; None if unknown.
        site: latitude and longitude of the site, degrees; None if unknown.

    >>> round(road_km(52.0, 10.0, (52.1, 10.0)), 1)
    14.5
    """
    if site is None or lat is None or lon is None:
        return UNKNOWN_KM
    east = (lon - site[1]) * KM_PER_DEG * math.cos(math.radians(lat))
    return ROAD_FACTOR * math.hypot(east, (lat - site[0]) * KM_PER_DEG)


def add_haul_distance(loads: pl.DataFrame, fields: pl.DataFrame, sites: dict[str, tuple[float, float]]) -> pl.DataFrame:
    """Return loads with `km`, the road distance in km from each load's field to its site.

    Args:
        loads: loads with `field_id, site_id`.
        fields: `field_id, lat_deg, lon_deg`.
        sites: site -> latitude and longitude, degrees.
    """
    pairs = loads.select("field_id", "site_id").unique()
    placed = pairs.join(fields.select("field_id", "lat_deg", "lon_deg"), on="field_id", how="left")
    km = [road_km(lat, lon, sites.get(s)) for s, lat, lon in placed.select("site_id", "lat_deg", "lon_deg").iter_rows()]
    known = placed.select("field_id", "site_id").with_columns(pl.Series("km", km, dtype=pl.Float64))
    return loads.join(known, on=["field_id", "site_id"], how="left", maintain_order="left")
