"""Values that a mapping gives for a key, which is a value of the file or of another column of the mapping."""

import datetime as dt
from collections.abc import Sequence
from typing import Any

import polars as pl

from transforms.config.lookups import LookupValue


def key_text(name: str, dtype: pl.DataType) -> pl.Expr:
    """Return a column as text to be compared with keys: a whole number has no decimal mark."""
    cell = pl.col(name)
    if not dtype.is_float():
        return cell.cast(pl.String).str.strip_chars()
    is_whole = (cell == cell.round(0)) & (cell.abs() < 2**53)
    whole = pl.when(is_whole).then(cell).cast(pl.Int64, strict=False).cast(pl.String)
    return pl.coalesce(whole, cell.cast(pl.String))


def value_of_key(
    key: pl.Expr, values: Sequence[LookupValue], dtype: pl.DataType | type[pl.DataType], at: pl.Expr | None
) -> pl.Expr:
    """Return the value of each key; null for a key without a value.

    Args:
        key: keys, as text.
        values: values by key; of values with times, the newest of those not after `at` applies.
        dtype: type of the values.
        at: time of each row in UTC; needed if a value has a time.
    """
    undated = {v.key: v.value for v in values if v.from_at is None}
    branches = []
    dates = sorted({v.from_at for v in values if v.from_at is not None})
    for from_at in reversed(dates if at is not None else []):
        known = _known_at(values, from_at)
        branches.append(pl.when(at >= pl.lit(from_at)).then(_replaced(key, {**undated, **known}, dtype)))
    return pl.coalesce(*branches, _replaced(key, undated, dtype)) if branches else _replaced(key, undated, dtype)


def _known_at(values: Sequence[LookupValue], moment: dt.datetime) -> dict[str, Any]:
    """Return the values that apply from a moment on, by key."""
    dated = sorted((v.from_at, i) for i, v in enumerate(values) if v.from_at is not None and v.from_at <= moment)
    return {values[i].key: values[i].value for _, i in dated}


def _replaced(key: pl.Expr, values: dict[str, Any], dtype: pl.DataType | type[pl.DataType]) -> pl.Expr:
    if not values:
        return pl.lit(None, dtype=dtype)
    keys = pl.Series(list(values), dtype=pl.String)
    return key.replace_strict(keys, pl.Series(list(values.values()), dtype=dtype), default=None, return_dtype=dtype)
