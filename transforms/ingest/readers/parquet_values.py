"""Conversion of Parquet columns to the types of ingestion: numbers, text, UTC or local times."""

from typing import Any

import polars as pl
import pyarrow as pa
import pyarrow.compute as pc

from transforms.contracts.reason import reason
from transforms.errors import SourceFileError

MAX_TEXT_BYTES = 512 << 20
"""Maximum text of one column in one batch; a long dictionary value can unpack to many times the file size."""
EARLIEST_S, LATEST_S = -30_000_000_000, 220_000_000_000
"""About the years 1019 and 8941; times outside are clipped to these values, which every table rejects."""
PER_SECOND = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}
DAY_S = 86_400


def is_text(kind: Any) -> bool:
    """Return True for a text type, or a binary type that may contain text."""
    kinds = (pa.types.is_string, pa.types.is_large_string, pa.types.is_binary, pa.types.is_large_binary)
    views = (pa.types.is_string_view, pa.types.is_binary_view)
    return any(check(kind) for check in (*kinds, *views))


def to_series(values: Any, name: str) -> tuple[pl.Series, pl.Series]:
    """Return (column as a series, True for each text that is not UTF-8 and became null).

    Args:
        values: Arrow array.
        name: name of the column, for messages.

    Raises:
        SourceFileError: the type is not supported, or the text exceeds `MAX_TEXT_BYTES`.
    """
    kind = values.type
    if pa.types.is_dictionary(kind) and is_text(kind.value_type):
        return _dictionary_texts(values, name)
    if pa.types.is_dictionary(kind):
        return to_series(values.dictionary_decode(), name)
    if is_text(kind):
        return _texts(values)
    return _typed(values, kind, name), pl.repeat(value=False, n=len(values), eager=True)


def _typed(values: Any, kind: Any, name: str) -> pl.Series:
    if pa.types.is_null(kind):
        return pl.Series([None] * len(values), dtype=pl.String)
    if pa.types.is_boolean(kind) or pa.types.is_integer(kind):
        return pl.Series(pl.from_arrow(values))
    if pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        return pl.Series(pl.from_arrow(values.cast(pa.float64()))).fill_nan(None)
    if pa.types.is_temporal(kind) and not pa.types.is_duration(kind) and not pa.types.is_interval(kind):
        return _temporal(values, kind)
    raise SourceFileError("column_type", reason("column_type", column=name[:80], type=str(kind)[:80]))


def _temporal(values: Any, kind: Any) -> pl.Series:
    if pa.types.is_timestamp(kind):
        return _moments(values.cast(pa.int64()), PER_SECOND[kind.unit], is_utc=kind.tz is not None)
    if pa.types.is_date32(kind):
        days = _moments(pc.multiply(values.cast(pa.int32()).cast(pa.int64()), DAY_S), 1, is_utc=False)
        return days.cast(pl.Date)
    if pa.types.is_date64(kind):
        return _moments(values.cast(pa.int64()), PER_SECOND["ms"], is_utc=False).cast(pl.Date)
    return _clocks(values, kind)


def _moments(ticks: Any, per_second: int, *, is_utc: bool) -> pl.Series:
    """Return ticks since 1970 as times, clipped to the supported range."""
    low, high = max(EARLIEST_S * per_second, -(2**63)), min(LATEST_S * per_second, 2**63 - 1)
    raw = pl.Series(pl.from_arrow(ticks)).clip(low, high)
    micros = raw // (per_second // 1_000_000) if per_second > 1_000_000 else raw * (1_000_000 // per_second)
    return micros.cast(pl.Datetime("us", "UTC" if is_utc else None))


def _clocks(values: Any, kind: Any) -> pl.Series:
    """Return times of day; values outside the day become null."""
    unit = PER_SECOND[kind.unit]
    ticks = pl.Series(
        pl.from_arrow(values.cast(pa.int32()).cast(pa.int64()) if kind.bit_width == 32 else values.cast(pa.int64()))
    )
    is_valid = (ticks >= 0) & (ticks < DAY_S * unit)
    times = ticks.to_frame("t").select(pl.when(is_valid).then(pl.col("t") * (1_000_000_000 // unit))).to_series()
    return times.cast(pl.Time)


def _texts(values: Any) -> tuple[pl.Series, pl.Series]:
    """Return (text decoded from bytes, True for each value that is not UTF-8 and became null)."""
    view = pa.large_binary() if pa.types.is_large_string(values.type) else pa.binary()
    if pa.types.is_string_view(values.type):
        view = pa.binary_view()
    raw = pl.Series(pl.from_arrow(values if _is_bytes(values.type) else values.view(view)), dtype=pl.Binary)
    try:
        return raw.cast(pl.String), pl.repeat(value=False, n=len(raw), eager=True)
    except pl.exceptions.PolarsError:
        decoded = [_decoded(v) for v in raw]
        texts = pl.Series(decoded, dtype=pl.String)
        return texts, texts.is_null() & raw.is_not_null()


def _is_bytes(kind: Any) -> bool:
    return bool(pa.types.is_binary(kind) or pa.types.is_large_binary(kind) or pa.types.is_binary_view(kind))


def _decoded(value: bytes | None) -> str | None:
    try:
        return None if value is None else value.decode()
    except UnicodeDecodeError:
        return None


def _dictionary_texts(values: Any, name: str) -> tuple[pl.Series, pl.Series]:
    """Return the texts of a dictionary-encoded column, as `to_series` does."""
    words, bad = _texts(values.dictionary)
    places = pl.Series(pl.from_arrow(values.indices)).cast(pl.Int64)
    if places.len() and not bool(places.is_between(0, max(0, words.len() - 1)).fill_null(value=True).all()):
        raise SourceFileError("not_parquet", reason("parquet_texts_damaged", column=name[:80]))
    if not words.len():
        return pl.Series([None] * places.len(), dtype=pl.String), pl.repeat(value=False, n=places.len(), eager=True)
    sizes = words.str.len_bytes().fill_null(0).cast(pl.Float64)
    if (sizes.gather(places).sum() or 0) > MAX_TEXT_BYTES:
        why = reason("batch_text_too_large", column=name[:80], max_mb=MAX_TEXT_BYTES >> 20)
        raise SourceFileError("too_large", why)
    return words.gather(places), bad.gather(places).fill_null(value=False)


def format_cell(value: Any) -> str:
    """Return a cell as quoted in a rejected row; a time outside the calendar is quoted as a number."""
    plain: Any = None
    for kind in (None, pa.int64(), pa.int32(), pa.binary()):
        try:
            plain = (value if kind is None else value.cast(kind)).as_py()
            break
        except (ValueError, OverflowError, pa.ArrowException):
            continue
    if isinstance(plain, bytes):
        return plain.decode("utf-8", "backslashreplace")
    return "" if plain is None else str(plain)
