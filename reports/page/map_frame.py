"""Frame of a map: equirectangular projection at the mean latitude, fitted to a drawing; outlines as SVG paths."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from transforms.geo import metres_per_degree

WIDTH = 4000
"""Width of the drawing; whole units keep paths short."""
MIN_HEIGHT, MAX_HEIGHT = 1800, 4400
MARGIN = 160
MIN_SPAN_KM = 1.0
"""Minimum width and height of the mapped ground, for maps of a single place."""
MIN_FIELD, MAX_ENLARGED, ROOM = 70.0, 150.0, 0.35
"""Smallest and largest side to which small outlines are enlarged, and its share of the room that a field has."""
TOLERANCE = 4.0
"""Initial tolerance of simplification: less than half a pixel on a phone."""

Points = NDArray[np.float64]


def unwrap(lon_deg: Points, about_deg: float) -> Points:
    """Return longitudes within 180 degrees of a meridian, so that a district across the antimeridian is contiguous.

    >>> unwrap(np.array([179.9, -179.9]), 180.0).round(1).tolist()
    [179.9, 180.1]
    """
    return (lon_deg - about_deg + 180.0) % 360.0 - 180.0 + about_deg


def middle(lat_deg: Points, lon_deg: Points) -> tuple[float, float]:
    """Return the median latitude and longitude in degrees; longitudes are unwrapped about their circular mean."""
    angles = np.radians(lon_deg)
    about = float(np.degrees(np.arctan2(np.sin(angles).mean(), np.cos(angles).mean())))
    return float(np.median(lat_deg)), float(np.median(unwrap(lon_deg, about)))


def kilometres(lat_deg: Points, lon_deg: Points, centre: tuple[float, float], mean_lat_deg: float) -> Points:
    """Return kilometres east and north of a centre, one row per point.

    Args:
        lat_deg: latitudes.
        lon_deg: longitudes.
        centre: latitude and longitude of the origin, degrees.
        mean_lat_deg: latitude at which the length of a degree is taken.
    """
    x_m, y_m = metres_per_degree(mean_lat_deg)
    east = (unwrap(lon_deg, centre[1]) - centre[1]) * x_m / 1000
    return np.column_stack([east, (lat_deg - centre[0]) * y_m / 1000])


@dataclass(frozen=True)
class MapFrame:
    """Projection onto a drawing with north at the top.

    Attributes:
        centre: latitude and longitude of the origin, degrees.
        mean_lat_deg: latitude at which the length of a degree is taken.
        west_km: eastward position of the left edge.
        north_km: northward position of the upper edge.
        per_km: drawing units per kilometre.
        height: height of the drawing, units.
    """

    centre: tuple[float, float]
    mean_lat_deg: float
    west_km: float
    north_km: float
    per_km: float
    height: int

    def place(self, lat_deg: Points, lon_deg: Points) -> Points:
        """Return drawing positions, one row (x, y) per point."""
        km = kilometres(lat_deg, lon_deg, self.centre, self.mean_lat_deg)
        return np.column_stack([km[:, 0] - self.west_km, self.north_km - km[:, 1]]) * self.per_km


def fit_frame(centre: tuple[float, float], lat_deg: Points, lon_deg: Points) -> MapFrame:
    """Return the frame that contains all points with a margin.

    Args:
        centre: latitude and longitude of the origin, degrees.
        lat_deg: latitudes of all points to be drawn, at least one.
        lon_deg: their longitudes.
    """
    mean_lat = float(lat_deg.mean())
    km = kilometres(lat_deg, lon_deg, centre, mean_lat)
    low, high = km.min(axis=0), km.max(axis=0)
    span = np.maximum(high - low, MIN_SPAN_KM)
    inner = WIDTH - 2 * MARGIN
    height = int(np.clip(inner * span[1] / span[0] + 2 * MARGIN, MIN_HEIGHT, MAX_HEIGHT))
    per_km = float(min(inner / span[0], (height - 2 * MARGIN) / span[1]))
    east, north = (low + high) / 2
    return MapFrame(
        centre, mean_lat, float(east - WIDTH / 2 / per_km), float(north + height / 2 / per_km), per_km, height
    )


def outline_on(frame: MapFrame, outline: shapely.Geometry) -> list[Points]:
    """Return the outer rings of an outline in drawing units, largest first, without duplicate last points.

    Holes are left out: at the scale of a district they are smaller than a stroke.
    """
    rings = []
    for part in shapely.get_parts(outline):
        ring = shapely.get_coordinates(shapely.get_exterior_ring(part))
        rings.append(frame.place(ring[:, 1], ring[:, 0])[:-1])
    return sorted(rings, key=lambda r: -_area(r))


def _area(ring: Points) -> float:
    x, y = ring[:, 0], ring[:, 1]
    return abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2


def square(x: float, y: float, side: float) -> Points:
    """Return a square about a point."""
    half = side / 2
    return np.array([[x - half, y - half], [x + half, y - half], [x + half, y + half], [x - half, y + half]])


def circle(x: float, y: float, diameter: float, corners: int = 12) -> Points:
    """Return a regular polygon that approximates a circle about a point."""
    angle = 2 * np.pi * np.arange(corners) / corners
    return np.column_stack([x + diameter / 2 * np.cos(angle), y + diameter / 2 * np.sin(angle)])


def visible_side(height: float, n: int) -> float:
    """Return the side of the smallest outline to draw, so that its colour is visible and `n` fields have room.

    >>> [round(visible_side(3500, n)) for n in (10, 100, 400)]
    [150, 131, 70]
    """
    return float(np.clip(ROOM * math.sqrt(WIDTH * height / max(1, n)), MIN_FIELD, MAX_ENLARGED))


def enlarged(rings: Sequence[Points], min_side: float) -> list[Points]:
    """Return rings enlarged about their common centre if both sides of their box are below `min_side`."""
    points = np.concatenate(rings)
    low, high = points.min(axis=0), points.max(axis=0)
    side = float((high - low).max())
    if side >= min_side:
        return list(rings)
    centre = (low + high) / 2
    if side < 1.0:
        return [square(float(centre[0]), float(centre[1]), min_side)]
    return [centre + (r - centre) * (min_side / side) for r in rings]


def simplified(rings: Sequence[Points], max_points: int) -> list[Points]:
    """Return rings by Douglas and Peucker (1973) with at most about `max_points` points in all, the largest ring first.

    The tolerance doubles until the points fit; a ring that shrinks below three points is dropped unless it is the
    largest.
    """
    tolerance = TOLERANCE
    kept = list(rings)
    while sum(map(len, kept)) > max_points and tolerance < WIDTH / 4:
        polygons = shapely.simplify([shapely.Polygon(r) for r in rings], tolerance, preserve_topology=True)
        kept = [shapely.get_coordinates(p)[:-1] for p in polygons]
        kept = kept[:1] + [r for r in kept[1:] if len(r) > 2 and _area(r) > tolerance**2]
        tolerance *= 2
    return kept[: max(1, max_points // 3)]


def path_data(rings: Sequence[Points]) -> str:
    """Return rings as the data of an SVG path, in whole units relative to the previous point.

    >>> path_data([np.array([[10.0, 20.0], [15.2, 20.0], [15.0, 26.0]])])
    'M10 20l5 0 0 6z'
    """
    out = []
    for ring in rings:
        whole = np.rint(ring).astype(int)
        steps = np.diff(whole, axis=0)
        steps = steps[(steps != 0).any(axis=1)]
        numbers = " ".join(map(str, steps.ravel().tolist())).replace(" -", "-")
        out.append(f"M{whole[0, 0]} {whole[0, 1]}l{numbers}z" if numbers else "")
    return "".join(out)


def round_length(max_length: float) -> float:
    """Return the largest of 1, 2 and 5 times a power of ten that is not above a length.

    >>> round_length(7.3), round_length(0.34)
    (5.0, 0.2)
    """
    power = 10.0 ** math.floor(math.log10(max_length))
    return max(round(s * power, 9) for s in (1, 2, 5) if s * power <= max_length)
