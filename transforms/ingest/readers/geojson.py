"""Reader of fields and their outlines from GeoJSON (RFC 7946): longitude and latitude in degrees, WGS 84."""

import json
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import polars as pl
import shapely

from transforms.contracts.internal_columns import MARK
from transforms.contracts.reason import Reason, reason
from transforms.errors import SourceFileError
from transforms.geo import CrossingBudget, OutlineError, area_ha, repair_outline
from transforms.ingest.chunk import LINE, Chunk, Source, empty_rejections, rejected_rows
from transforms.ingest.mapping import Mapping
from transforms.ingest.readers.geojson_stream import Feature, FeatureFile

MAX_BYTES = 256 << 20
MAX_PROPERTIES = 500
MAX_FILE_POINTS = 6_000_000
"""Maximum points of all outlines in a file, counted by opening brackets."""
PIECE_CHARACTERS = 2 << 20
GEOMETRY, LAT, LON, AREA = "geometry", "centre lat", "centre lon", "outline ha"
"""Columns of every feature in addition to its properties: outline as text, a point inside it, and its area."""
WGS84_NAMES = ("CRS84", "4326")


def open_geojson(path: Path, mapping: Mapping) -> Source:
    """Open a GeoJSON file; each feature is a row.

    Raises:
        SourceFileError: the file is not GeoJSON, not in longitude and latitude, or too large.
    """
    names = _property_names(path)
    return Source("", _pieces(path, set(mapping.sources()), names))


def geojson_rows(path: Path) -> pl.DataFrame:
    """Return the first features with all their properties, for a file without a mapping.

    Raises:
        SourceFileError: the file is not GeoJSON, not in longitude and latitude, or too large.
    """
    names = _property_names(path)
    first = next(_pieces(path, names, names), None)
    return first().cells if first is not None else pl.DataFrame()


def _property_names(path: Path) -> set[str]:
    """Return the names of all properties; reading the whole file detects every error that makes it unreadable.

    Raises:
        SourceFileError: the file is not GeoJSON, not in longitude and latitude, or too large.
    """
    if path.stat().st_size > MAX_BYTES:
        raise SourceFileError("too_large", reason("file_too_large", max_mb=MAX_BYTES >> 20))
    names: set[str] = {GEOMETRY, LAT, LON, AREA}
    points = 0
    with path.open("rb") as handle:
        features = FeatureFile(handle)
        try:
            for feature in features:
                names.update(_properties(feature.value))
                points += feature.text.count("[")
                if len(names) > MAX_PROPERTIES:
                    why = reason("too_many_properties", max_properties=MAX_PROPERTIES)
                    raise SourceFileError("too_many_columns", why)
                if points > MAX_FILE_POINTS:
                    why = reason("outlines_too_many_points", max_points=MAX_FILE_POINTS)
                    raise SourceFileError("too_many_points", why)
        except (ValueError, RecursionError) as problem:
            raise SourceFileError("not_geojson", reason("not_geojson", detail=str(problem)[:100])) from problem
    if not features.has_features:
        raise SourceFileError("not_geojson", reason("no_feature_collection"))
    crs = json.dumps(features.crs)[:200] if features.crs else ""
    if crs and not any(name in crs for name in WGS84_NAMES):
        raise SourceFileError("not_wgs84", reason("not_wgs84", crs=crs))
    return names


def _pieces(path: Path, wanted: set[str], names: set[str]) -> Iterator[Callable[[], Chunk]]:
    pending: list[Feature] = []
    size = 0
    with path.open("rb") as handle:
        for feature in FeatureFile(handle):
            pending.append(feature)
            size += len(feature.text)
            if size >= PIECE_CHARACTERS:
                yield partial(_piece, pending, wanted, names)
                pending, size = [], 0
    yield partial(_piece, pending, wanted, names)


def _piece(features: list[Feature], wanted: set[str], names: set[str]) -> Chunk:
    rows: list[dict[str, Any]] = []
    bad = [empty_rejections()]
    budget = CrossingBudget()

    def raw(lines: list[int]) -> list[str]:
        return [features[n - 1].text for n in lines]

    for number, feature in enumerate(features, start=1):
        try:
            rows.append({**_row(feature.value, wanted, budget), LINE: number})
        except _RowError as problem:
            bad.append(rejected_rows([number], problem.column, raw([number]), problem.rule, problem.reason))
    schema: dict[str, Any] = {n: pl.Float64 if n in {LAT, LON, AREA} else pl.String for n in sorted(names)}
    cells = pl.DataFrame(rows, schema={**schema, LINE: pl.Int64}, orient="row")
    return Chunk(cells, len(features), raw, pl.concat(bad))


class _RowError(Exception):
    """Error of a feature that cannot be read as a row."""

    def __init__(self, rule: str, reason: Reason, column: str = GEOMETRY) -> None:
        self.rule, self.reason, self.column = rule, reason, column
        super().__init__(rule, reason, column)


def _properties(feature: Any) -> dict[str, Any]:
    properties = feature.get("properties") if isinstance(feature, dict) else None
    if not isinstance(properties, dict):
        return {}
    return {k.replace(MARK, " ").encode("utf-8", "replace").decode(): v for k, v in properties.items()}


def _row(feature: Any, wanted: set[str], budget: CrossingBudget) -> dict[str, Any]:
    """Return the cells of a feature.

    Raises:
        _RowError: the geometry cannot be read, or a property is not valid text.
    """
    row: dict[str, Any] = {k: _text(v, k) for k, v in _properties(feature).items() if k in wanted}
    geometry = feature.get("geometry") if isinstance(feature, dict) else None
    if geometry is None:
        return {**row, GEOMETRY: None, LAT: None, LON: None, AREA: None}
    try:
        outline = repair_outline(shapely.from_geojson(json.dumps(geometry)), budget)
    except (shapely.errors.GEOSException, ValueError, TypeError) as problem:
        raise _RowError("geometry", reason("geometry_unreadable")) from problem
    except OutlineError as problem:
        raise _RowError(problem.rule, problem.reason) from problem
    if outline is None:
        raise _RowError("geometry", reason("not_a_polygon"))
    inside = outline.representative_point()
    return {**row, GEOMETRY: shapely.to_geojson(outline), LAT: inside.y, LON: inside.x, AREA: area_ha(outline)}


def _text(value: Any, name: str) -> str | None:
    """Return a property as text; None if it is empty.

    Raises:
        _RowError: the text contains half of a surrogate pair, which is not valid Unicode.
    """
    if value is None or value == "":
        return None
    if not isinstance(value, str):
        return json.dumps(value)
    try:
        value.encode()
    except UnicodeEncodeError as problem:
        raise _RowError("not_unicode", reason("property_not_unicode", column=name), name) from problem
    return value
