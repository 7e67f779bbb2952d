"""Example files of every kind in several languages: each is written as its mapping describes it."""

import json
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.source_tables import CONTRACTS
from transforms.contracts.units import conversion_factor, stored_unit
from transforms.demo.example_rows import REGIONS, Region, example_rows
from transforms.demo.gpx_tracks import gpx_text
from transforms.demo.office_formats import write_sheet
from transforms.ingest.mapping import ColumnMapping, Mapping
from transforms.ingest.mapping_file import read_mapping

UNIT_WORDS = {"kmh": "km/h", "rpm": "1/min", "deg": "°"}
"""Unit -> its spelling in a row of units, if different."""
HALF_GAP = 0.1
"""Difference of each of two sensors from their mean, in the unit of the file."""
MISSING, QUALITY = "-9999   ", "  E"
"""Fixed-width archive: a day without a value, and the flags after a value."""


@dataclass(frozen=True)
class ExampleFile:
    """An example file with the mapping that reads it.

    Attributes:
        language: language of its headers and of the comments of the mapping.
        kind: kind of file.
        file: path of the file.
        mapping: path of the mapping.
        rows: number of its rows.
    """

    language: str
    kind: str
    file: Path
    mapping: Path
    rows: int


def write_examples(languages: list[str], inbox: Path, mappings: Path, catalogue: Catalogue) -> list[ExampleFile]:
    """Write an example file of every kind, with its mapping, in each language.

    Args:
        languages: languages of `REGIONS`.
        inbox: folder of the files.
        mappings: folder of the mappings.
        catalogue: settings that mappings may name.
    """
    written = []
    for language in languages:
        for kind in CONTRACTS:
            source = Path(str(files(__package__) / "examples" / language / f"{kind}.toml"))
            mapping = read_mapping(source, catalogue)
            target = mappings / f"{language}_{kind}.toml"
            target.write_text(source.read_text("utf-8"), "utf-8")
            rows = example_rows(kind, REGIONS[language])
            name, rows = _named(mapping, rows)
            _write(inbox / name, mapping, rows, REGIONS[language])
            written.append(ExampleFile(language, kind, inbox / name, target, rows.height))
    return written


def _named(mapping: Mapping, rows: pl.DataFrame) -> tuple[str, pl.DataFrame]:
    """Return the name of the file, and its rows: of one machine if the name contains the machine."""
    pattern = mapping.files[0]
    by_name = [c.column for c in mapping.columns if c.file_name is not None]
    if not by_name:
        return pattern.replace("*", ""), rows
    value = rows[by_name[0]][0]
    return pattern.replace("*", value), rows.filter(pl.col(by_name[0]) == value)


def _write(path: Path, mapping: Mapping, rows: pl.DataFrame, region: Region) -> None:
    form = mapping.form_of(path)
    if form == "ghcn_daily":
        path.write_text(_archive_lines(rows), "ascii")
    elif form == "geojson":
        path.write_text(_geojson(mapping, rows), "utf-8")
    elif form == "gpx":
        path.write_text(gpx_text(rows), "utf-8")
    elif form == "sheet":
        write_sheet(path, mapping.sheets[0], _as_in_file(mapping, rows, region))
    else:
        path.write_bytes(_delimited(mapping, _as_in_file(mapping, rows, region)).encode(mapping.encoding))


def _as_in_file(mapping: Mapping, rows: pl.DataFrame, region: Region) -> pl.DataFrame:
    """Return the rows with the columns, units, words and times of the file."""
    return rows.select(series for c in mapping.columns for series in _columns_of(c, rows[c.column], region))


def _columns_of(c: ColumnMapping, values: pl.Series, region: Region) -> list[pl.Series]:
    """Return the columns of the file that a stored column is read from."""
    if c.format is not None:
        local = values.dt.convert_time_zone(c.time_zone or region.zone)
        texts = [local.dt.strftime(c.format)]
        if len(c.sources) > 1:
            texts = [local.dt.strftime(part) for part in c.format.split(" ", 1)]
        return [text.alias(name) for name, text in zip(c.sources, texts, strict=True)]
    if c.words is not None:
        values = values.replace_strict({stored: word for word, stored in c.words.items()}, return_dtype=pl.String)
    if c.unit is not None:
        values = _in_unit(c, values)
    shifts = [0.0] if len(c.sources) == 1 else [HALF_GAP, -HALF_GAP]
    return [
        (values if not shift else (values + shift).round(3)).alias(name)
        for name, shift in zip(c.sources, shifts, strict=bool(c.sources))
    ]


def _in_unit(c: ColumnMapping, values: pl.Series) -> pl.Series:
    """Return stored values in the unit of the file, of few decimals."""
    if isinstance(c.full_scale, float):
        return (values / c.full_scale * 100).round(1)
    stored = stored_unit(c.column)
    if stored is None or c.unit is None:
        return values
    factor, offset = conversion_factor(c.unit, stored, where=c.column)
    return ((values - offset) / factor).round(6 if c.unit == "deg" else 3)


def _delimited(mapping: Mapping, table: pl.DataFrame) -> str:
    def cell(value: Any) -> str:
        if not isinstance(value, float):
            return str(value)
        text = f"{value:,.6f}".rstrip("0").rstrip(".")
        return text.replace(",", "\0").replace(".", mapping.decimal).replace("\0", mapping.thousands or "")

    units = {s: UNIT_WORDS.get(c.unit, c.unit) for c in mapping.columns if c.unit is not None for s in c.sources}
    lines = [table.columns, *([[units.get(n, "") for n in table.columns]] if mapping.unit_row else [])]
    lines += [[cell(value) for value in row] for row in table.iter_rows()]
    return "".join(mapping.separator.join(line) + "\r\n" for line in lines)


def _geojson(mapping: Mapping, rows: pl.DataFrame) -> str:
    name = next(c.sources[0] for c in mapping.columns if c.column == "field_id")
    features = [
        {"type": "Feature", "properties": {name: row["field_id"]}, "geometry": json.loads(row["boundary"])}
        for row in rows.iter_rows(named=True)
    ]
    return json.dumps({"type": "FeatureCollection", "features": features}, indent=1) + "\n"


def _archive_lines(rows: pl.DataFrame) -> str:
    """Return fixed-width months of the climate archive, one line per element."""
    lines = []
    for (station, element), month in rows.group_by("station_id", "element", maintain_order=True):
        values = "".join(f"{value:5.0f}{QUALITY}" for value in month["value"])
        head = f"{station}{month['day_at'][0]:%Y%m}{element}"
        lines.append(head + values + MISSING * (31 - month.height))
    return "\n".join(lines) + "\n"
