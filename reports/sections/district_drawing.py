"""Drawing of a district: positions, outlines and names of fields, machines and factories near each other."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import compress
from typing import Any, Literal

import numpy as np
import polars as pl
import shapely

from reports.language.display_units import DisplayUnits, number
from reports.page.district_map import Level, MapDrawing, MapField, MapMark
from reports.page.map_frame import (
    MIN_FIELD,
    WIDTH,
    MapFrame,
    Points,
    circle,
    enlarged,
    fit_frame,
    kilometres,
    middle,
    outline_on,
    path_data,
    round_length,
    simplified,
    visible_side,
)
from reports.page.map_labels import FAR, NEAR, LabelPlacer, MapLabel, box_about
from reports.page.theme import FEW
from reports.sections.district_map_data import DistrictMapData

SMALL_CUT, LARGE_CUT = 1.0, 3.0
"""Limits between the classes of difference, percentage points (common practice, no source)."""
CUTS = (-LARGE_CUT, -SMALL_CUT, SMALL_CUT, LARGE_CUT)
MAX_LAT_DEG = 89.0
"""At the poles a degree of longitude has no length."""
MAX_REACH_KM = 300.0
"""Places farther than this from the middle of the fields are left out: a wrong position would shrink the map."""
MAX_FIELD_LABELS = 12
POINTS, MIN_POINTS, MAX_POINTS = 2200, 5, 24
"""Points of all outlines together, and the least and most of one outline: limits the size of the page."""
MAX_SCALE_BAR = 900.0
MARK_SIZE = 90.0

Row = dict[str, Any]


@dataclass(frozen=True)
class Drawn:
    """A drawing with counts of what it leaves out.

    Attributes:
        drawing: the drawing; None if no field has a position.
        circles: fields without an outline, drawn as circles.
        far: fields, machines and factories too far from the others.
        unplaced: fields without a position.
    """

    drawing: MapDrawing | None
    circles: int = 0
    far: int = 0
    unplaced: int = 0


def level_of(difference: float) -> Level:
    """Return the class of a difference in percentage points.

    >>> [level_of(d) for d in (-3.2, -1.5, 0.9, 1.1, 8.0)]
    [-2, -1, 0, 1, 2]
    """
    far = abs(difference)
    if far <= SMALL_CUT:
        return 0
    if difference > 0:
        return 2 if far > LARGE_CUT else 1
    return -2 if far > LARGE_CUT else -1


def _outlines(boundaries: list[str | None]) -> list[shapely.Geometry | None]:
    """Return the polygons of GeoJSON texts; None if a text is missing or is not a polygon."""
    read = shapely.from_geojson(np.array(boundaries, dtype=object), on_invalid="ignore") if boundaries else []
    return [
        g if g is not None and not g.is_empty and g.geom_type in {"Polygon", "MultiPolygon"} else None for g in read
    ]


@dataclass(frozen=True)
class _Mark:
    """Machine or factory with its position in degrees."""

    kind: Literal["machine", "site"]
    name: str
    lat_deg: float
    lon_deg: float


@dataclass(frozen=True)
class _Ground:
    """Fields with a position, their outlines (None for a circle), and marks, before projection."""

    fields: list[Row]
    outlines: list[shapely.Geometry | None]
    marks: list[_Mark]

    def corners(self) -> Points:
        """Return latitude and longitude of all points that the frame must contain."""
        rings = [shapely.get_coordinates(o)[:, ::-1] for o in self.outlines if o is not None]
        return np.concatenate([_positions(self.fields), _mark_positions(self.marks), *rings])


def _positions(fields: Sequence[Row]) -> Points:
    return np.array([(f["lat_deg"], f["lon_deg"]) for f in fields], dtype=float).reshape(-1, 2)


def _mark_positions(marks: Sequence[_Mark]) -> Points:
    return np.array([(m.lat_deg, m.lon_deg) for m in marks], dtype=float).reshape(-1, 2)


def _is_place(lat: float | None, lon: float | None) -> bool:
    return lat is not None and lon is not None and math.isfinite(lat) and math.isfinite(lon) and abs(lat) <= MAX_LAT_DEG


def _ground(data: DistrictMapData) -> _Ground:
    """Return all fields, machines and factories that have a position; an outline replaces a missing one."""
    rows = data.fields.to_dicts()
    fields: list[Row] = []
    outlines: list[shapely.Geometry | None] = []
    for row, outline in zip(rows, _outlines([r["boundary"] for r in rows]), strict=True):
        if not _is_place(row["lat_deg"], row["lon_deg"]) and outline is not None:
            lon, lat = shapely.get_coordinates(outline)[0]
            row |= {"lat_deg": float(lat), "lon_deg": float(lon)}
        if _is_place(row["lat_deg"], row["lon_deg"]):
            fields.append(row)
            outlines.append(outline)
    machines = data.machines.select("machine_id", "lat_deg", "lon_deg").iter_rows()
    marks = [_Mark("machine", name, lat, lon) for name, lat, lon in machines if _is_place(lat, lon)]
    marks += [_Mark("site", name, lat, lon) for name, (lat, lon) in data.sites.items()]
    return _Ground(fields, outlines, marks)


def _within_reach(ground: _Ground, centre: tuple[float, float]) -> _Ground:
    def is_near(positions: Points) -> list[bool]:
        east_north = kilometres(positions[:, 0], positions[:, 1], centre, centre[0])
        near: list[bool] = (np.hypot(*east_north.T) <= MAX_REACH_KM).tolist()
        return near

    fields = is_near(_positions(ground.fields))
    return _Ground(
        list(compress(ground.fields, fields)),
        list(compress(ground.outlines, fields)),
        list(compress(ground.marks, is_near(_mark_positions(ground.marks)))),
    )


def measured_fields(fields: pl.DataFrame) -> pl.DataFrame:
    """Return the fields with measured loads, dirtiest against expected first."""
    known = fields.filter((pl.col("n") > 0) & pl.col("difference_pct").is_not_null())
    return known.sort("difference_pct", descending=True, maintain_order=True)


def draw_district(
    data: DistrictMapData, shown: DisplayUnits, text: Callable[[Row], str], *, is_small: bool = False
) -> Drawn:
    """Return the drawing of a district; fields with fewer than `FEW` measured loads are pale.

    Args:
        data: fields, machines and factories.
        shown: units.
        text: function from a row of `map_field` to its line.
        is_small: True if machines have no label, for a small map below rows that name their fields.
    """
    placed = _ground(data)
    unplaced = data.fields.height - len(placed.fields)
    if not placed.fields:
        return Drawn(None, unplaced=unplaced)
    centre = middle(*_positions(placed.fields).T)
    ground = _within_reach(placed, centre)
    frame = fit_frame(centre, *ground.corners().T)
    order = {f: i for i, f in enumerate(measured_fields(data.fields)["field_id"].to_list())}
    fields = _draw_fields(ground, frame, order, text)
    marks = _draw_marks(ground.marks, frame)
    drawing = MapDrawing(
        frame.height,
        tuple(f.field for f in fields),
        marks,
        _labels(frame, fields, marks, is_small=is_small),
        _scale_bar(frame, shown),
        tuple(number(c, 0, sign=True) for c in CUTS),
    )
    far = len(placed.fields) + len(placed.marks) - len(ground.fields) - len(ground.marks)
    return Drawn(drawing, sum(o is None for o in ground.outlines), far, unplaced)


@dataclass(frozen=True)
class _DrawnField:
    """Field of the drawing with its name."""

    field: MapField
    name: str

    @property
    def rank(self) -> tuple[bool, bool, int, int]:
        """Key that draws the fields that differ most last, above the others."""
        level = self.field.level or 0
        return (self.field.level is not None, not self.field.is_pale, abs(level), level)


def _draw_fields(
    ground: _Ground, frame: MapFrame, order: dict[str, int], text: Callable[[Row], str]
) -> list[_DrawnField]:
    allowed = min(MAX_POINTS, max(MIN_POINTS, POINTS // len(ground.fields)))
    drawn = []
    min_side = visible_side(frame.height, len(order))
    centres = frame.place(*_positions(ground.fields).T)
    for row, outline, (x, y) in zip(ground.fields, ground.outlines, centres, strict=True):
        if outline is not None:
            rings = outline_on(frame, outline)
        else:
            diameter_km = 2 * math.sqrt(max(row["area_ha"] or 0.0, 0.0) / 100 / math.pi)
            rings = [circle(float(x), float(y), diameter_km * frame.per_km, min(12, allowed))]
        own = order.get(row["field_id"])
        rings = simplified(enlarged(rings, MIN_FIELD if own is None else min_side), allowed)
        low, high = rings[0].min(axis=0), rings[0].max(axis=0)
        level = None if own is None else level_of(row["difference_pct"])
        is_pale = level is not None and row["n"] < FEW
        east, south = ((low + high) / 2).round().tolist()
        side = float((high - low).max())
        field = MapField(path_data(rings), east, south, side, level, is_pale, text(row), own)
        drawn.append(_DrawnField(field, row["field_id"]))
    return sorted(drawn, key=lambda d: d.rank)


def _draw_marks(marks: Sequence[_Mark], frame: MapFrame) -> tuple[MapMark, ...]:
    at = frame.place(*_mark_positions(marks).T)
    return tuple(MapMark(m.kind, float(x), float(y), m.name) for m, (x, y) in zip(marks, at, strict=True))


def _labels(
    frame: MapFrame, fields: list[_DrawnField], marks: tuple[MapMark, ...], *, is_small: bool
) -> tuple[MapLabel, ...]:
    """Return labels of factories and machines, and of the largest measured fields where there is room."""
    named = sorted((m for m in marks if m.kind == "site" or not is_small), key=lambda m: m.kind != "site")
    placer = LabelPlacer(WIDTH, frame.height, [box_about(m.x, m.y, MARK_SIZE) for m in marks])
    boxes = [box_about(f.field.x, f.field.y, f.field.side) for f in fields]
    measured = [i for i, f in enumerate(fields) if f.field.level is not None]
    colours = [boxes[i] for i in measured]
    labels = [
        placer.place(m.text, (m.x, m.y), avoid=colours) or placer.place(m.text, (m.x, m.y), gaps=(*NEAR, *FAR))
        for m in named
    ]
    for i in sorted(measured, key=lambda i: -fields[i].field.side)[:MAX_FIELD_LABELS]:
        own = fields[i].field
        others = boxes[:i] + boxes[i + 1 :]
        labels.append(placer.place(fields[i].name, (own.x, own.y), avoid=others))
    return tuple(label for label in labels if label is not None)


def _scale_bar(frame: MapFrame, shown: DisplayUnits) -> tuple[float, str]:
    """Return length and text of the scale bar, a round distance in the displayed unit."""
    per_unit = frame.per_km / shown.convert(1.0, "km")
    length = round_length(MAX_SCALE_BAR / per_unit)
    digits = max(0, -math.floor(math.log10(length)))
    return length * per_unit, f"{number(length, digits)} {shown.sign('km')}"
