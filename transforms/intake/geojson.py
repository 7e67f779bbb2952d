"""Reads fields and their outlines from GeoJSON (RFC 7946): longitude and latitude in degrees, WGS 84."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import polars as pl
import shapely

from transforms.errors import SourceFileError
from transforms.intake.mapping import Mapping
from transforms.intake.piece import LINE, MARK, Piece, Source, rejected_rows
from transforms.outlines import area_ha, mended_outline

MAX_BYTES = 256 << 20
MAX_PROPERTIES = 500
GEOMETRY, LAT, LON, AREA = "geometry", "centre lat", "centre lon", "outline ha"
"""Columns every feature has beside its properties: its outline as text, a point inside it, its area."""
WGS84_NAMES = ("CRS84", "4326")


def open_geojson(path: Path, mapping: Mapping) -> Source:
    """Open a GeoJSON file; a row is a feature.

    Raises:
        SourceFileError: it is no GeoJSON, or in coordinates other than longitude and latitude.
    """
    return Source("", _pieces(_features(path), set(mapping.sources())))


def geojson_rows(path: Path) -> pl.DataFrame:
    """Return every feature with all its properties, for those who look at a file before there is a mapping.

    Raises:
        SourceFileError: it is no GeoJSON, or in coordinates other than longitude and latitude.
    """
    features = _features(path)
    return _piece(features, {k for f in features for k in _properties(f)}).cells


def _features(path: Path) -> list[Any]:
    if path.stat().st_size > MAX_BYTES:
        raise SourceFileError("too_large", f"the file is larger than {MAX_BYTES >> 20} MB; split it")
    try:
        document = json.loads(path.read_bytes().decode("utf-8-sig"))
    except (ValueError, RecursionError) as problem:
        raise SourceFileError("not_geojson", f"the file is no GeoJSON ({str(problem)[:100]})") from problem
    features = document.get("features") if isinstance(document, dict) else None
    if not isinstance(features, list):
        raise SourceFileError("not_geojson", "the file holds no FeatureCollection")
    crs = json.dumps(document["crs"])[:200] if document.get("crs") else ""
    if crs and not any(name in crs for name in WGS84_NAMES):
        raise SourceFileError(
            "not_wgs84", f"the file is in another coordinate system ({crs}); save it as WGS 84, longitude and latitude"
        )
    return features


def _pieces(features: list[Any], wanted: set[str]) -> Iterator[Callable[[], Piece]]:
    yield lambda: _piece(features, wanted)


def _piece(features: list[Any], wanted: set[str]) -> Piece:
    rows: list[dict[str, Any]] = []
    bad = [rejected_rows([], None, [], "geometry", "")]
    names = {GEOMETRY, LAT, LON, AREA}

    def raw(lines: list[int]) -> list[str]:
        return [json.dumps(features[n - 1], ensure_ascii=False) for n in lines]

    for number, feature in enumerate(features, start=1):
        row, says = _row(feature, wanted)
        names.update(_properties(feature))
        if says:
            bad.append(rejected_rows([number], GEOMETRY, raw([number]), "geometry", says))
        else:
            rows.append({**row, LINE: number})
    if len(names) > MAX_PROPERTIES:
        raise SourceFileError(
            "too_many_columns", f"the features have {len(names):,} properties; at most {MAX_PROPERTIES}"
        )
    schema: dict[str, Any] = {n: pl.Float64 if n in {LAT, LON, AREA} else pl.String for n in sorted(names)}
    cells = pl.DataFrame(rows, schema={**schema, LINE: pl.Int64}, orient="row")
    return Piece(cells, 0, raw, pl.concat(bad))


def _properties(feature: Any) -> dict[str, Any]:
    properties = feature.get("properties") if isinstance(feature, dict) else None
    return {k.replace(MARK, " "): v for k, v in properties.items()} if isinstance(properties, dict) else {}


def _row(feature: Any, wanted: set[str]) -> tuple[dict[str, Any], str]:
    """Return a feature's cells, or what is wrong with its geometry in words."""
    row: dict[str, Any] = {k: _text(v) for k, v in _properties(feature).items() if k in wanted}
    geometry = feature.get("geometry") if isinstance(feature, dict) else None
    if geometry is None:
        return {**row, GEOMETRY: None, LAT: None, LON: None, AREA: None}, ""
    try:
        outline = shapely.from_geojson(json.dumps(geometry))
    except (shapely.errors.GEOSException, ValueError, TypeError):
        return {}, "the geometry cannot be read"
    outline = mended_outline(outline)
    if outline is None:
        return {}, "the geometry is no polygon in longitude and latitude"
    inside = outline.representative_point()
    return {**row, GEOMETRY: shapely.to_geojson(outline), LAT: inside.y, LON: inside.x, AREA: area_ha(outline)}, ""


def _text(value: Any) -> str | None:
    if value is None or value == "":
        return None
    return value if isinstance(value, str) else json.dumps(value)
