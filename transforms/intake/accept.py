"""Turns text cells into typed columns and sorts rows into accepted, rejected with a reason, and repeated."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import dataframely as dy
import polars as pl

from transforms.catalogue import Catalogue
from transforms.contracts import contract, rule_in_words
from transforms.errors import SourceFileError
from transforms.intake.mapping import ColumnMapping, Mapping
from transforms.intake.table import TextTable
from transforms.units import stored_unit, to_unit

REJECTED = {"line": pl.Int64, "column": pl.String, "raw": pl.String, "rule": pl.String, "says": pl.String}


@dataclass(frozen=True)
class Accepted:
    """The outcome of one file: `rows_in = accepted.height + rejected.height + rows_repeated`.

    Attributes:
        accepted: canonical columns and `line`.
        rejected: `line, column, raw, rule, says`.
        rows_repeated: rows that say again what was already said.
    """

    accepted: pl.DataFrame
    rejected: pl.DataFrame
    rows_in: int
    rows_repeated: int


def _as_number(text: pl.Expr, decimal: str) -> pl.Expr:
    """A number with the mapping's decimal mark; under a decimal comma a point could be either, so it is no number."""
    if decimal == ",":
        text = pl.when(~text.str.contains(".", literal=True)).then(text.str.replace(",", ".", literal=True))
    return text.cast(pl.Float64, strict=False)


def _as_time(text: pl.Expr, column: ColumnMapping) -> pl.Expr:
    """A local time in UTC; the hour that the clocks repeat is taken as the first, one they skip is no time."""
    moment = text.str.to_datetime(column.format, strict=False, time_unit="us", ambiguous="earliest")
    zoned = moment.dt.replace_time_zone(str(column.time_zone), ambiguous="earliest", non_existent="null")
    return zoned.dt.convert_time_zone("UTC")


def _given(column: ColumnMapping, dtype: pl.DataType, file_name: str) -> pl.Expr:
    """A value that stands in the mapping or in the file's name."""
    if column.value is not None:
        return pl.lit(column.value).cast(dtype, strict=False)
    found = re.search(str(column.file_name), file_name)
    if not found or not found.groups():
        raise SourceFileError("file_name", f"{column.column} should stand in the file's name, and does not")
    return pl.lit(found.group(1)).cast(dtype, strict=False)


def _parsed(column: ColumnMapping, dtype: pl.DataType, mapping: Mapping, file_name: str) -> pl.Expr:
    """Return the typed expression of one column; what cannot be read becomes null."""
    if not column.sources:
        return _given(column, dtype, file_name)
    texts = [pl.col(s).str.strip_chars() for s in column.sources]
    if isinstance(dtype, pl.Datetime):
        return _as_time(texts[0], column)
    if isinstance(dtype, pl.String):
        words = column.words
        return texts[0] if words is None else texts[0].replace_strict(words, default=None, return_dtype=pl.String)
    numbers = [_as_number(t, mapping.decimal) for t in texts]
    number = numbers[0] if len(numbers) == 1 else pl.mean_horizontal(numbers)
    if dtype.is_integer():
        return pl.when(number == number.round(0)).then(number).cast(dtype, strict=False)
    stored = stored_unit(column.column)
    if column.unit is not None and stored is not None:
        return to_unit(number, column.unit, stored, where=f"mapping {mapping.name} [columns.{column.column}]")
    return number


def _unread(column: ColumnMapping, dtype: pl.DataType, decimal: str) -> pl.Expr:
    """True where the file has text and the typed column has nothing; of left and right, one bad side is enough."""
    if not column.sources:
        return pl.lit(value=False)
    if dtype.is_numeric():
        return pl.any_horizontal(
            pl.col(s).is_not_null() & _as_number(pl.col(s).str.strip_chars(), decimal).is_null() for s in column.sources
        ) | (pl.col(column.sources[0]).is_not_null() & pl.col(f"__{column.column}").is_null())
    return pl.col(column.sources[0]).is_not_null() & pl.col(f"__{column.column}").is_null()


def _why_unread(column: ColumnMapping, dtype: pl.DataType) -> tuple[str, str]:
    name = " / ".join(column.sources)
    if isinstance(dtype, pl.Datetime):
        return "not_a_time", f"'{name}' is not a time of the form {column.format} in {column.time_zone}"
    if column.words is not None:
        return "unknown_word", f"'{name}' is none of {', '.join(column.words)}"
    return "not_a_number", f"'{name}' is not a number with the decimal mark the mapping names"


def _require_columns(table: TextTable, mapping: Mapping) -> None:
    needed = [s for c in mapping.columns for s in c.sources]
    for source in needed:
        if source not in table.cells.columns:
            has = ", ".join(c for c in table.cells.columns if c != "line")[:200]
            raise SourceFileError("missing_column", f"there is no column '{source}'; the file has {has}")


def type_rows(
    table: TextTable, mapping: Mapping, catalogue: Catalogue, file_name: str
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return (typed rows with `line`, rejected rows) of a file.

    Raises:
        SourceFileError: a mapped column is missing, or the file's name does not hold what it should.
    """
    _require_columns(table, mapping)
    schema = contract(mapping.kind, catalogue)
    dtypes = {name: column.dtype for name, column in schema.columns().items()}
    typed = table.cells.with_columns(
        _parsed(c, dtypes[c.column], mapping, file_name).alias(f"__{c.column}") for c in mapping.columns
    )
    bad: list[pl.DataFrame] = []
    if table.ragged:
        lines = list(table.ragged)
        bad.append(
            _rejected(
                lines,
                None,
                "uneven_row",
                "the row has more or fewer cells than the header: it is cut short, or no data",
                table,
            )
        )
        typed = typed.filter(~pl.col("line").is_in(lines))
    for column in mapping.columns:
        failed = typed.filter(_unread(column, dtypes[column.column], mapping.decimal))
        if failed.height:
            bad.append(
                _rejected(failed["line"].to_list(), column.column, *_why_unread(column, dtypes[column.column]), table)
            )
            typed = typed.join(failed.select("line"), on="line", how="anti")
    mapped = {c.column for c in mapping.columns}
    rows = typed.select(
        pl.col("line"),
        *((pl.col(f"__{n}") if n in mapped else pl.lit(None)).cast(t).alias(n) for n, t in dtypes.items()),
    )
    return rows, pl.concat([pl.DataFrame(schema=REJECTED), *bad])


def _rejected(lines: list[int], column: str | None, rule: str, says: str, table: TextTable) -> pl.DataFrame:
    rows = {"line": lines, "column": column, "raw": [table.raw(n) for n in lines], "rule": rule, "says": says}
    return pl.DataFrame(rows, schema=REJECTED)


def _drop_repeats(rows: pl.DataFrame, known: pl.DataFrame | None) -> pl.DataFrame:
    """Drop rows that repeat, in every column, an earlier row of this file or of the store."""
    columns = [c for c in rows.columns if c != "line"]
    fresh = rows.unique(columns, keep="first", maintain_order=True)
    if known is not None and known.height:
        fresh = fresh.join(known.select(columns), on=columns, how="anti", nulls_equal=True)
    return fresh


def _split_conflicts(rows: pl.DataFrame, key: list[str], table: TextTable) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The first row of a key is taken; a later one of the same file that says otherwise is rejected."""
    taken = rows.unique(key, keep="first", maintain_order=True)
    clash = rows.join(taken.select("line"), on="line", how="anti")
    says = f"{', '.join(key)} stands earlier in this file with other values; the first was taken"
    return taken, _rejected(clash["line"].to_list(), key[0], "same_key_twice", says, table)


def _broken_rules(rows: pl.DataFrame, schema: type[dy.Schema], table: TextTable) -> pl.DataFrame:
    """Return the rows that break the contract, each once, with all its reasons."""
    lined: Any = type("Lined", (schema,), {"__annotations__": {}, "line": dy.Int64()})
    _, failure = lined.filter(rows)
    details = failure.details()
    broken = [
        _rejected(
            details.filter(pl.col(rule) == "invalid")["line"].to_list(),
            rule.split("|", 1)[0] if "|" in rule else None, rule, rule_in_words(rule, schema), table,
        )
        for rule in failure.counts()
    ]  # fmt: skip
    return (
        pl.concat([pl.DataFrame(schema=REJECTED), *broken])
        .group_by("line", maintain_order=True)
        .agg(pl.col("column", "raw", "rule").first(), pl.col("says").unique(maintain_order=True).str.join("; "))
        .select(list(REJECTED))
    )


def accept(
    table: TextTable,
    mapping: Mapping,
    catalogue: Catalogue,
    file_name: str,
    known: Callable[[pl.DataFrame], pl.DataFrame | None] = lambda _: None,
) -> Accepted:
    """Sort the rows of a file into accepted, rejected and repeated.

    Args:
        table: the file as text.
        mapping: how to read it.
        catalogue: the settings known.
        file_name: the file's name.
        known: given the file's typed rows, returns the rows already accepted from other files that they may repeat.

    Raises:
        SourceFileError: the file as a whole cannot be read through this mapping.
    """
    rows_in = table.cells.height
    typed, unread = type_rows(table, mapping, catalogue, file_name)
    fresh = _drop_repeats(typed, known(typed))
    schema = contract(mapping.kind, catalogue)
    single, clashes = _split_conflicts(fresh, schema.primary_key(), table)
    wrong = _broken_rules(single, schema, table)
    good = single.join(wrong.select("line"), on="line", how="anti")
    rejected = pl.concat([unread, clashes, wrong]).sort("line")
    return Accepted(good, rejected, rows_in, rows_in - good.height - rejected.height)
