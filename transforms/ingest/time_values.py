"""Times of a file in UTC: text in a format, typed cells, and numbers that count days, seconds or milliseconds."""

import datetime as dt
from collections.abc import Callable

import polars as pl

from transforms.config.forms import EXCEL_SERIALS, SERIAL_FORMATS, ZONED_SERIALS
from transforms.contracts.internal_columns import MARK
from transforms.ingest.dst import UnfoldedTimes, first_pass_before, unfold_times
from transforms.ingest.mapping import ColumnMapping

LATEST = 4_102_444_800_000_000
"""Microseconds from 1970 to 2100, the latest time of any table; larger numbers do not fit in a time."""
END_OF_DAY = r"(^|[^\d:.])24:00(:00)?($|[^\d:])"
DOTTED_HALF = r"(?i)\b([ap])\.\s?m\b\.?"

NumberOf = Callable[[str], pl.Expr]
"""Function that returns the number in a column of the file."""


def read_times(column: ColumnMapping, cells: pl.DataFrame, number_of: NumberOf) -> UnfoldedTimes:
    """Return the times of a column in UTC; row order resolves the repeated hour.

    Args:
        column: a column of times.
        cells: the cells of the file.
        number_of: function that returns the number in a column of the file.
    """
    read, is_zoned = _read(column, cells, number_of)
    if is_zoned:
        return UnfoldedTimes(read.dt.convert_time_zone("UTC"))
    if column.time_zone == "UTC":
        return UnfoldedTimes(read.dt.replace_time_zone("UTC"))
    return unfold_times(read, str(column.time_zone))


def _read(column: ColumnMapping, cells: pl.DataFrame, number_of: NumberOf) -> tuple[pl.Series, bool]:
    """Return (times as in the file, True if they include their zone)."""
    if column.format in SERIAL_FORMATS:
        moment, is_zoned = _serial(column, number_of)
        return cells.select(moment).to_series(), is_zoned
    each = [(s,) for s in column.sources] if column.combine == "first" else [column.sources]
    moments = [_moment(sources, column.format, cells.schema) for sources in each]
    is_zoned = all(zoned for _, zoned in moments)
    read = cells.select(pl.coalesce(m for m, _ in moments)).to_series()
    if read.null_count() and column.format is not None and not is_zoned:
        rare = [_rare_moment(sources, column.format, cells.schema) for sources in each]
        read = cells.select(pl.coalesce(read, *(m for m in rare if m is not None))).to_series()
    return read, is_zoned


def _serial(column: ColumnMapping, number_of: NumberOf) -> tuple[pl.Expr, bool]:
    """Return (time from a number, True if it is in UTC); several numbers, a day and a time of day, are added."""
    numbers = [number_of(s) for s in column.sources]
    number = pl.coalesce(numbers) if column.combine == "first" else pl.sum_horizontal(numbers, ignore_nulls=False)
    form = str(column.format)
    if form in ZONED_SERIALS:
        shifted = number * ZONED_SERIALS[form]
    else:
        zero = (dt.datetime(*EXCEL_SERIALS[form]) - dt.datetime(1970, 1, 1)).days  # noqa: DTZ001 - local days
        # A double of 15 digits resolves a day of this century to less than a millisecond.
        shifted = ((number + zero) * 86_400_000).round() * 1000
    moment = pl.when(shifted.is_between(0, LATEST)).then(shifted).cast(pl.Int64).cast(pl.Datetime("us"))
    is_zoned = form in ZONED_SERIALS
    return moment.dt.replace_time_zone("UTC") if is_zoned else moment, is_zoned


def _text(sources: tuple[str, ...]) -> pl.Expr:
    """Return the cells of a date and a time of day as one text."""
    texts = [pl.col(s).cast(pl.String).str.strip_chars() for s in sources]
    return texts[0] if len(texts) == 1 else pl.concat_str(texts, separator=" ")


def _moment(sources: tuple[str, ...], time_format: str | None, schema: pl.Schema) -> tuple[pl.Expr, bool]:
    """Return (expression for the time as in the file, True if the time includes its zone)."""
    kinds = [schema[s] for s in sources]
    first = pl.col(sources[0])
    if isinstance(kinds[0], pl.Datetime) and kinds[0].time_zone is not None:
        return first.cast(pl.Datetime("us", kinds[0].time_zone)), True
    if all(k.is_temporal() for k in kinds):
        if kinds[0] == pl.Time or kinds[0] == pl.Duration:
            return pl.when(pl.lit(value=False)).then(first.cast(pl.Int64).cast(pl.Datetime("us"))), False
        if len(kinds) == 2 and kinds[1] == pl.Time:
            return first.cast(pl.Date).dt.combine(pl.col(sources[1]), "us"), False
        return first.cast(pl.Datetime("us")), False
    is_zoned = time_format is not None and ("%z" in time_format or "%#z" in time_format)
    read = _text(sources).str.to_datetime(time_format, strict=False, time_unit="us", ambiguous="earliest")
    return read, is_zoned


def _rare_moment(sources: tuple[str, ...], time_format: str, schema: pl.Schema) -> pl.Expr | None:
    """Return the times written as 24:00, the end of the day, or with "a.m." and "p.m."; None if there can be none."""
    if any(schema[s].is_temporal() for s in sources):
        return None
    text = _text(sources).str.replace(DOTTED_HALF, "${1}m")
    is_end = text.str.contains(END_OF_DAY)
    start = text.str.replace(END_OF_DAY, "${1}00:00${2}${3}")
    read = start.str.to_datetime(time_format, strict=False, time_unit="us", ambiguous="earliest")
    return read + pl.when(is_end).then(pl.duration(days=1)).otherwise(pl.duration(days=0))


def leaving_before_weighing(read: dict[str, UnfoldedTimes]) -> list[pl.Series]:
    """Return the times of a chunk in UTC by marked column; a load left its field before it was weighed.

    Args:
        read: column -> its times in file order.
    """
    utc = {column: times.utc for column, times in read.items()}
    if {"left_field_at", "weighed_at"} <= read.keys():
        utc["left_field_at"] = first_pass_before(read["left_field_at"], utc["weighed_at"])
    return [times.alias(MARK + column) for column, times in utc.items()]
