"""Conversion of cells: local times to UTC, machine scales to stored units, and removal of empty rows."""

from itertools import pairwise

import polars as pl

from transforms.ingest.dst import UnfoldedTimes, unfold_times
from transforms.ingest.mapping import CORRECTIONS_PREFIX, ColumnMapping

BOOLEANS = {"true": True, "1": True, "yes": True, "false": False, "0": False, "no": False}


def interpolate_scale(number: pl.Expr, steps: tuple[tuple[float, float], ...]) -> pl.Expr:
    """Return a machine scale in the stored unit: linear between neighbouring points, null outside their range.

    Args:
        number: values on the machine scale.
        steps: (machine value, value in the stored unit) in ascending order.
    """
    segments = [pl.when(number == steps[0][0]).then(pl.lit(steps[0][1]))]
    segments += [
        pl.when((number > x0) & (number <= x1)).then(y0 + (number - x0) * ((y1 - y0) / (x1 - x0)))
        for (x0, y0), (x1, y1) in pairwise(steps)
    ]
    return pl.coalesce(segments)


def read_times(column: ColumnMapping, cells: pl.DataFrame) -> UnfoldedTimes:
    """Return the times of a column in UTC; row order resolves the repeated hour."""
    moment, is_zoned = _moment(column, cells.schema)
    read = cells.select(moment).to_series()
    if is_zoned:
        return UnfoldedTimes(read.dt.convert_time_zone("UTC"))
    if column.time_zone == "UTC":
        return UnfoldedTimes(read.dt.replace_time_zone("UTC"))
    return unfold_times(read, str(column.time_zone))


def _moment(column: ColumnMapping, schema: pl.Schema) -> tuple[pl.Expr, bool]:
    """Return (expression for the time as in the file, True if the time includes its zone)."""
    kinds = [schema[s] for s in column.sources]
    first = pl.col(column.sources[0])
    if isinstance(kinds[0], pl.Datetime) and kinds[0].time_zone is not None:
        return first.cast(pl.Datetime("us", kinds[0].time_zone)), True
    if all(k.is_temporal() for k in kinds):
        if kinds[0] == pl.Time or kinds[0] == pl.Duration:
            return pl.when(pl.lit(value=False)).then(first.cast(pl.Int64).cast(pl.Datetime("us"))), False
        if len(kinds) == 2 and kinds[1] == pl.Time:
            return first.cast(pl.Date).dt.combine(pl.col(column.sources[1]), "us"), False
        return first.cast(pl.Datetime("us")), False
    texts = [pl.col(s).cast(pl.String).str.strip_chars() for s in column.sources]
    text = texts[0] if len(texts) == 1 else pl.concat_str(texts, separator=" ")
    is_zoned = column.format is not None and ("%z" in column.format or "%#z" in column.format)
    return text.str.to_datetime(column.format, strict=False, time_unit="us", ambiguous="earliest"), is_zoned


def without_apostrophes(cells: pl.DataFrame, file_name: str) -> pl.DataFrame:
    """Remove the apostrophes of a corrections file, which keep a spreadsheet from running cells as formulas."""
    return (
        cells.with_columns(pl.col(pl.String).str.strip_prefix("'"))
        if file_name.startswith(CORRECTIONS_PREFIX)
        else cells
    )


def without_empty(cells: pl.DataFrame, sources: list[str]) -> pl.DataFrame:
    """Drop empty rows, which have no value in any of the columns read."""
    if not sources or not cells.height or cells[sources[0]].null_count() == 0:
        return cells
    return cells.filter(pl.any_horizontal(pl.col(sources).is_not_null()))
