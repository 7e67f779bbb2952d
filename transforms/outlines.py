"""Field outlines: polygons in degrees of WGS 84, their area, and which of them a place lies in."""

import numpy as np
import polars as pl
import shapely
from numpy.typing import NDArray

EQUATOR_M, FLATTENING = 6_378_137.0, 1 / 298.257223563
"""The WGS 84 ellipsoid."""
DECIMALS = 1e-7


def metres_per_degree(lat_deg: float) -> tuple[float, float]:
    """Return the length of one degree of longitude and of latitude at a latitude, in metres, on WGS 84."""
    lat, e2 = np.radians(lat_deg), FLATTENING * (2 - FLATTENING)
    w = 1 - e2 * np.sin(lat) ** 2
    return (
        float(np.radians(EQUATOR_M * np.cos(lat) / np.sqrt(w))),
        float(np.radians(EQUATOR_M * (1 - e2) / w**1.5)),
    )


def mended_outline(geometry: shapely.Geometry | None) -> shapely.Geometry | None:
    """Return a valid (multi)polygon, mended where its line crosses itself; None where there is none in degrees."""
    if geometry is None or geometry.is_empty or geometry.geom_type not in {"Polygon", "MultiPolygon"}:
        return None
    if not np.isfinite(shapely.get_coordinates(geometry)).all():
        return None
    west, south, east, north = geometry.bounds
    if west < -180 or east > 180 or south < -90 or north > 90:
        return None
    geometry = shapely.set_precision(shapely.make_valid(shapely.force_2d(geometry)), DECIMALS)
    parts = [p for p in shapely.get_parts(geometry) if p.geom_type in {"Polygon", "MultiPolygon"} and p.area > 0]
    return shapely.normalize(shapely.union_all(parts)) if parts else None


def area_ha(outline: shapely.Geometry) -> float:
    """Return the area of an outline, flat at its own latitude: right to some 0.01 % for fields."""
    x, y = metres_per_degree(outline.centroid.y)
    return float(outline.area * x * y / 10_000)


def fields_of_places(lat_deg: NDArray[np.float64], lon_deg: NDArray[np.float64], fields: pl.DataFrame) -> pl.Series:
    """Return the field whose outline each place lies in; null where it lies in none.

    Args:
        lat_deg: latitudes; NaN where unknown.
        lon_deg: longitudes.
        fields: `field_id, boundary` (GeoJSON geometry text). Of two that overlap the one first by id counts.
    """
    ids = fields.filter(pl.col("boundary").is_not_null()).sort("field_id")
    found = np.full(lat_deg.size, None, dtype=object)
    if ids.height and lat_deg.size:
        outlines = shapely.from_geojson(ids["boundary"].to_numpy())
        known = np.flatnonzero(np.isfinite(lat_deg) & np.isfinite(lon_deg))
        points = shapely.points(lon_deg[known], lat_deg[known])
        place, field = shapely.STRtree(outlines).query(points, predicate="within")
        names = ids["field_id"].to_numpy()
        order = np.argsort(-field, kind="stable")
        found[known[place[order]]] = names[field[order]]
    return pl.Series("field_id", found.tolist(), dtype=pl.String)
