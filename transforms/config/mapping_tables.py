"""Models of the tables in a mapping file: keys, types and allowed values."""

import codecs
import datetime as dt
import re
import warnings
from functools import cache
from typing import Annotated, Any, Literal

import polars as pl
from pydantic import AfterValidator, Field

from transforms.config.forms import SERIAL_FORMATS
from transforms.config.tables import MAX_CHARACTERS, MAX_ITEMS, Name, Names, SomeNames, Table, Text, check_unique
from transforms.config.time_zones import check_time_zone
from transforms.contracts.internal_columns import MARK
from transforms.contracts.phrase import phrase

Kind = Literal[
    "telemetry",
    "load",
    "truck_position",
    "tare",
    "loss_audit",
    "root_check",
    "weather_hour",
    "forecast_hour",
    "weather_day",
    "weather_reading",
    "field",
    "field_boundary",
    "machine_setup",
]
Form = Literal["delimited", "sheet", "parquet", "geojson", "ghcn_daily", "gpx", "iso11783"]
MOMENT = dt.datetime(2025, 10, 17, 13, 45, 30, tzinfo=dt.UTC)
"""A time whose day, month, hour and minute all differ, so that a swapped format is detected."""


def _separator(text: str) -> str:
    if len(text) != 1 or not text.isascii() or text.isalnum() or text in '"\r\n\x00':
        raise ValueError(phrase("it is not a single character, or not an allowed one"))
    return text


def _thousands(text: str) -> str:
    if len(text) != 1 or text.isalnum() or text in '"+-\r\n\t\x00':
        raise ValueError(phrase("it is not a single character, or not an allowed one"))
    return text


def _encoding(name: str) -> str:
    try:
        is_text = codecs.getincrementaldecoder(name)(errors="replace").decode("a".encode(name), final=True) == "a"
    # Codecs for bytes or host names raise various exceptions.
    except (LookupError, ValueError, TypeError, AssertionError):
        is_text = False
    if not is_text:
        raise ValueError(phrase("it is not a known encoding"))
    return name


def _pattern(text: str) -> str:
    try:
        groups = re.compile(text).groups
    except (re.error, RecursionError, OverflowError) as problem:
        raise ValueError(phrase("it is not a regular expression: {problem}", problem=str(problem))) from problem
    if not groups:
        raise ValueError(phrase("it has no group in parentheses"))
    return text


@cache
def _time_format(text: str) -> str:
    """Return a time format after checking that a date written in it can be read back."""
    if text in SERIAL_FORMATS:
        return text
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            written = pl.Series([MOMENT]).dt.strftime(text.replace("%#z", "%z"))
            read = written.str.to_datetime(text, strict=False, time_unit="us", ambiguous="earliest")[0]
    except pl.exceptions.PolarsError:
        read = None
    if read is None or read.date() != MOMENT.date():
        raise ValueError(phrase("it does not describe a date with day, month and year"))
    return text


def _day_format(text: str) -> str:
    if dt.datetime.strptime(MOMENT.strftime(text), text).date() != MOMENT.date():  # noqa: DTZ007
        raise ValueError(phrase("it does not describe a date with day, month and year"))
    return text


def _source(text: str) -> str:
    if MARK in text:
        raise ValueError(phrase("it contains a control character"))
    return text


TimeZone = Annotated[Name, AfterValidator(check_time_zone)]
Pattern = Annotated[Name, AfterValidator(_pattern)]
Source = Annotated[str, Field(min_length=1, max_length=MAX_CHARACTERS), AfterValidator(_source)]
Sources = Annotated[list[Source], Field(min_length=1, max_length=MAX_ITEMS), AfterValidator(check_unique)]
Lookup = Annotated[dict[Name, Any], Field(min_length=1, max_length=MAX_ITEMS)]
FullScale = Annotated[float, Field(gt=0, le=1e9)]
Combination = Literal["mean", "sum", "difference", "ratio", "scaled", "first"]
ZONE_HINT = "a time zone such as Europe/Prague"
PATTERN_HINT = "a regular expression with one group in parentheses"


class MappingTable(Table):
    """Top-level keys of a mapping, above its columns."""

    kind: Kind = Field(
        description="a kind of file: telemetry, load, truck_position, tare, loss_audit, root_check, "
        "weather_hour, forecast_hour, weather_day, weather_reading, field, field_boundary or machine_setup"
    )
    files: SomeNames = Field(description='a list of file names such as ["log_*.csv"], each once')
    form: Form | None = Field(None, description="delimited, sheet, parquet, geojson, ghcn_daily, gpx or iso11783")
    separator: Annotated[str, AfterValidator(_separator)] = Field(",", description='one character such as ";" or "\\t"')
    decimal: Literal[".", ","] = Field(".", description='"." or ","')
    thousands: Annotated[str, AfterValidator(_thousands)] | None = Field(None, description='one character such as "."')
    quoted: bool = Field(default=False, description="true or false, without quotes")
    encoding: Annotated[Name, AfterValidator(_encoding)] = Field("utf-8", description="an encoding such as cp1252")
    header_line: int = Field(1, ge=1, le=1000, description="a whole number from 1 to 1000")
    header_rows: int = Field(1, ge=1, le=10, description="a whole number from 1 to 10")
    unit_row: bool = Field(default=False, description="true or false, without quotes")
    sheet: Text | Names = Field("", description="a sheet name or a list of sheet names")
    totals: Names = Field([], description='a list of words such as ["Total"], each once')
    dated: dict[str, Any] = Field({}, description="a table with file_name and format")
    time_zone: TimeZone | None = Field(None, description=ZONE_HINT)
    columns: dict[str, Any] = Field({}, description="a table [columns.NAME] for each column")


class DatedTable(Table):
    """Table `[dated]`: the file date in the file name."""

    file_name: Pattern = Field(description=PATTERN_HINT)
    format: Annotated[Name, AfterValidator(_day_format)] = Field(description='a date format such as "%Y%m%d"')


class ColumnTable(Table):
    """Table `[columns.NAME]`: the source and conversion of one column."""

    sources: Source | Sources = Field(
        "", alias="from", description="the name of a column of the file, or a list of names, each once"
    )
    combine: Combination | None = Field(None, description="mean, sum, difference, ratio, scaled or first")
    optional: bool = Field(default=False, description="true or false, without quotes")
    unit: Name | None = Field(None, description="a unit in quotes, such as kg")
    units: Annotated[list[Name], Field(min_length=2, max_length=MAX_ITEMS)] | None = Field(
        None, description='a list of units, one per column of from, such as ["kg", "m2"]'
    )
    format: Annotated[Name, Field(max_length=100), AfterValidator(_time_format)] | None = Field(
        None, description='a date format such as "%d.%m.%Y %H:%M", or excel_1900, excel_1904, epoch_s or epoch_ms'
    )
    time_zone: TimeZone | None = Field(None, description=ZONE_HINT)
    words: Annotated[dict[Text, Name | bool | int | float], Field(min_length=1, max_length=MAX_ITEMS)] | None = Field(
        None, description='a table of words such as { Roden = "working" }'
    )
    value: Any = None
    file_name: Pattern | None = Field(None, description=PATTERN_HINT)
    preamble: Pattern | None = Field(None, description=PATTERN_HINT)
    sheet_name: Pattern | None = Field(None, description=PATTERN_HINT)
    lookup: Lookup | None = Field(
        None, description="a table of keys and their values such as { M01 = 28.0, M02 = 21.0 }"
    )
    lookup_list: dict[str, Any] | None = Field(
        None, description='a table such as { file = "tanks.csv", key = "Machine", value = "Tank t" }'
    )
    by: Name | None = Field(None, description="the name of another column of the mapping, such as machine_id")
    at: Name | None = Field(None, description="the name of a time column of the mapping, such as logged_at")
    steps: Annotated[dict[str, float], Field(min_length=2, max_length=MAX_ITEMS)] | None = Field(
        None, description='a table of two or more steps such as { "1" = 30.0, "9" = 70.0 }'
    )
    full_scale: FullScale | Annotated[dict[Name, FullScale], Field(min_length=1, max_length=MAX_ITEMS)] | None = Field(
        None,
        description="the value of 100 % in the column's stored unit, a number above 0, or a table of them "
        "such as { M01 = 28.0, M02 = 21.0 }",
    )
    full_scale_list: dict[str, Any] | None = Field(
        None, description='a table such as { file = "tanks.csv", key = "Machine", value = "Tank t" }'
    )
    scale_by: Literal["device", "dictionary"] | None = Field(None, description="device or dictionary")
    for_all_files: bool = Field(default=False, description="true or false, without quotes")


class ListTable(Table):
    """Table `lookup_list` or `full_scale_list`: a list file with values by key, in the folder of the mapping."""

    file: Name = Field(description='the name of a text file or workbook beside the mapping, such as "tanks.csv"')
    key: Name = Field(description="the column of the list that has the keys")
    value: Name = Field(description="the column of the list that has the values")
    since: Name | None = Field(None, description="the column of the list that has the date from which a value applies")
    sheet: Name | None = Field(None, description="a sheet name")
    unit: Name | None = Field(None, description="a unit in quotes, such as kg")
    format: Annotated[Name, AfterValidator(_day_format)] | None = Field(
        None, description='the format of the dates, such as "%d.%m.%Y"'
    )
    separator: Annotated[str, AfterValidator(_separator)] = Field(",", description='one character such as ";" or "\\t"')
    decimal: Literal[".", ","] = Field(".", description='"." or ","')
    encoding: Annotated[Name, AfterValidator(_encoding)] = Field("utf-8", description="an encoding such as cp1252")
    header_line: int = Field(1, ge=1, le=1000, description="a whole number from 1 to 1000")
