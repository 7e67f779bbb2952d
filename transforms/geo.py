"""Field outlines: polygons in degrees of WGS 84, with repair, area and point-in-field lookup."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import polars as pl
import shapely
from numpy.typing import NDArray

from transforms.contracts.reason import Reason, reason

Points = NDArray[np.float64]
EQUATOR_M, FLATTENING = 6_378_137.0, 1 / 298.257223563
"""The WGS 84 ellipsoid."""
METRES_PER_DEG = 111_320.0
KM_PER_DEG = METRES_PER_DEG / 1000
"""Length of a degree on a sphere, for distances of which a third of a percent does not matter."""
DECIMALS = 1e-7
MAX_POINTS = 200_000
"""Maximum points of one outline; a boundary recorded at every step of a walk has some thousands."""
MAX_CROSSINGS = 500
"""Maximum crossings or overlaps of an outline's own lines: repair time grows faster than their square."""
NEAR_PAIRS, NEAR_PAIRS_PER_LINE = 50_000, 100
"""Maximum pairs of lines with overlapping boxes, in total plus per line: limits the search for crossings."""
PAIRS_AT_ONCE, TESTED_AT_ONCE = 4_000_000, 200_000
"""Pairs looked up and tested at a time: limits memory."""


@dataclass
class CrossingBudget:
    """Crossings that may still be repaired in a chunk of a file, over all outlines."""

    left: int = 2 * MAX_CROSSINGS


class OutlineError(Exception):
    """An outline that would take too long to repair; `rule` and `reason` as in a rejected row."""

    def __init__(self, rule: str, reason: Reason) -> None:
        self.rule, self.reason = rule, reason
        super().__init__(rule, reason)


def metres_per_degree(lat_deg: float) -> tuple[float, float]:
    """Return the length of one degree of longitude and of latitude at a latitude, in metres, on WGS 84.

    >>> [round(m) for m in metres_per_degree(52.0)]
    [68678, 111267]
    """
    lat, e2 = np.radians(lat_deg), FLATTENING * (2 - FLATTENING)
    w = 1 - e2 * np.sin(lat) ** 2
    return (
        float(np.radians(EQUATOR_M * np.cos(lat) / np.sqrt(w))),
        float(np.radians(EQUATOR_M * (1 - e2) / w**1.5)),
    )


def repair_outline(geometry: shapely.Geometry | None, budget: CrossingBudget) -> shapely.Geometry | None:
    """Return a valid (multi)polygon, repaired if its line crosses itself; None if it is not a polygon in degrees.

    Args:
        geometry: the outline as read.
        budget: the crossings that may still be repaired; reduced by those of this outline.

    Raises:
        OutlineError: the outline has too many points, or crosses itself too often.
    """
    if geometry is None or geometry.is_empty or geometry.geom_type not in {"Polygon", "MultiPolygon"}:
        return None
    points = shapely.get_coordinates(geometry)
    if len(points) > MAX_POINTS:
        why = reason("outline_too_many_points", points=len(points), max_points=MAX_POINTS)
        raise OutlineError("too_many_points", why)
    if not np.isfinite(points).all():
        return None
    west, south, east, north = geometry.bounds
    if west < -180 or east > 180 or south < -90 or north > 90:
        return None
    allowed = min(MAX_CROSSINGS, budget.left)
    crossings = _count_crossings(geometry, allowed)
    if crossings > allowed:
        raise OutlineError("tangled_outline", reason("outline_crosses_itself", max_crossings=allowed))
    budget.left -= crossings
    geometry = shapely.set_precision(shapely.make_valid(shapely.force_2d(geometry)), DECIMALS)
    parts = [p for p in shapely.get_parts(geometry) if p.geom_type in {"Polygon", "MultiPolygon"} and p.area > 0]
    return shapely.normalize(shapely.union_all(parts)) if parts else None


def _count_crossings(geometry: shapely.Geometry, allowed: int) -> int:
    """Return the number of self-crossings; some number above `allowed` if there are more, or too many close lines."""
    rings = shapely.get_rings(shapely.get_parts(geometry))
    points, ring = shapely.get_coordinates(rings, return_index=True)
    joined = (ring[1:] == ring[:-1]) & (points[1:] != points[:-1]).any(axis=1)
    begin, end = points[:-1][joined], points[1:][joined]
    n = len(begin)
    lines = shapely.linestrings(np.stack([begin, end], axis=1))
    tree = shapely.STRtree(lines)
    at_once = max(1, PAIRS_AT_ONCE // max(1, n))
    near = crossings = 0
    near_allowed = NEAR_PAIRS + NEAR_PAIRS_PER_LINE * n
    for first in range(0, n, at_once):
        own, other = tree.query(lines[first : first + at_once])
        near += own.size
        if near > near_allowed:
            return allowed + 1
        later = other > own + first
        own, other = own[later] + first, other[later]
        for some in range(0, own.size, TESTED_AT_ONCE):
            i, j = own[some : some + TESTED_AT_ONCE], other[some : some + TESTED_AT_ONCE]
            crossings += int(_meets(begin[i], end[i], begin[j], end[j]).sum())
            if crossings > allowed:
                return crossings
    return crossings


def _side(a: Points, b: Points, c: Points) -> NDArray[np.float64]:
    """Return a number that is positive for points `c` left of the line from `a` to `b`, negative for points right."""
    return (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])


def _lies_on(a: Points, b: Points, c: Points) -> NDArray[np.bool_]:
    """Return True for points `c` on the line from `a` to `b`, within the kept precision, but not at its ends."""
    along = b - a
    length2 = (along**2).sum(axis=1)
    share = np.clip(((c - a) * along).sum(axis=1) / length2, 0, 1)
    off = np.hypot(*(a + share[:, None] * along - c).T)
    ends = np.minimum(np.hypot(*(c - a).T), np.hypot(*(c - b).T))
    return np.asarray((off <= DECIMALS) & (ends > DECIMALS), dtype=np.bool_)


def _meets(a: Points, b: Points, c: Points, d: Points) -> NDArray[np.bool_]:
    """Return True for lines a-b and c-d that cross, or that touch other than end to end."""
    crossed = (_side(a, b, c) * _side(a, b, d) < 0) & (_side(c, d, a) * _side(c, d, b) < 0)
    return crossed | _lies_on(a, b, c) | _lies_on(a, b, d) | _lies_on(c, d, a) | _lies_on(c, d, b)


def area_ha(outline: shapely.Geometry) -> float:
    """Return the area of an outline in hectares, planar at its own latitude: accurate to about 0.01 % for fields."""
    x, y = metres_per_degree(outline.centroid.y)
    return float(outline.area * x * y / 10_000)


@lru_cache(maxsize=1)
def _outline_index(boundaries: tuple[str, ...]) -> shapely.STRtree:
    """Return the index of outlines given as GeoJSON geometry texts; kept for the next machine-day."""
    return shapely.STRtree(shapely.from_geojson(np.array(boundaries, dtype=object), on_invalid="ignore"))


def fields_of_places(lat_deg: NDArray[np.float64], lon_deg: NDArray[np.float64], fields: pl.DataFrame) -> pl.Series:
    """Return the field whose outline contains each place; null if none does.

    Args:
        lat_deg: latitudes; NaN if unknown.
        lon_deg: longitudes.
        fields: `field_id, boundary` (GeoJSON geometry text). If outlines overlap, the first by id wins.
    """
    ids = fields.filter(pl.col("boundary").is_not_null()).sort("field_id")
    found = np.full(lat_deg.size, None, dtype=object)
    if ids.height and lat_deg.size:
        known = np.flatnonzero(np.isfinite(lat_deg) & np.isfinite(lon_deg))
        points = shapely.points(lon_deg[known], lat_deg[known])
        place, field = _outline_index(tuple(ids["boundary"].to_list())).query(points, predicate="within")
        names = ids["field_id"].to_numpy()
        order = np.argsort(-field, kind="stable")
        found[known[place[order]]] = names[field[order]]
    return pl.Series("field_id", found.tolist(), dtype=pl.String)
