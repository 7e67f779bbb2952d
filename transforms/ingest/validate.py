"""Turns cells into typed columns and sorts rows into accepted, rejected with a reason, and repeated."""

import re
from dataclasses import dataclass, replace
from typing import Any

import dataframely as dy
import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.source_tables import DEFAULTS, contract, plainly_valid, rows_alone, rule_column, rule_in_words
from transforms.contracts.units import stored_unit, to_unit
from transforms.errors import SourceFileError, WorkspaceError
from transforms.ingest.cell_values import BOOLEANS, along_steps, read_times, without_apostrophes, without_empty
from transforms.ingest.chunk import (
    LINE,
    LONG_TEXTS,
    MARK,
    MAX_TEXT_BYTES,
    ROW,
    Chunk,
    none_rejected,
    rejected_rows,
    require_columns,
)
from transforms.ingest.mapping import ColumnMapping, Mapping, own_name


@dataclass(frozen=True)
class ValidatedChunk:
    """The outcome of one piece: `rows_in = good.height + rejected.height + rows_repeated`.

    Attributes:
        good: canonical columns, `line` and `row`, which counts within the piece; keys may still repeat.
        rejected: `line, column, raw, rule, says`.
        piece: what was read.
    """

    good: pl.DataFrame
    rejected: pl.DataFrame
    rows_repeated: int
    piece: Chunk

    @property
    def rows_in(self) -> int:
        """How many rows the piece had."""
        return self.good.height + self.rejected.height + self.rows_repeated


@dataclass(frozen=True)
class Reader:
    """A mapping made ready for one file.

    Attributes:
        mapping: how a file is read.
        catalogue: the settings known.
        file_name: the file's name.
        header: the raw lines above its rows.
    """

    mapping: Mapping
    catalogue: Catalogue
    file_name: str
    header: str = ""

    @property
    def schema(self) -> type[dy.Schema]:
        """The contract of the mapping's kind."""
        return contract(self.mapping.kind, self.catalogue)

    @property
    def alone(self) -> Any:
        """Its rules about single rows."""
        return rows_alone(self.schema)

    def dtypes(self) -> dict[str, pl.DataType]:
        """Canonical column -> type."""
        return {name: column.dtype for name, column in self.schema.columns().items()}

    def numbers(self) -> set[str]:
        """The file's columns that are read as plain numbers."""
        dtypes, numbers, texts = self.dtypes(), set[str](), set[str]()
        for column in self.mapping.columns:
            (numbers if dtypes[column.column].is_numeric() else texts).update(column.sources)
        return numbers - texts

    def check(self, piece: Chunk) -> ValidatedChunk:
        """Type the rows of a piece and sort them.

        Raises:
            SourceFileError: a mapped column is missing, or the file's name does not hold what it should.
        """
        if not piece.cells.height:
            none = pl.DataFrame(schema={**self.dtypes(), "line": pl.Int64, "row": pl.Int64})
            rejected, said_again = self._said_again(piece.rejected)
            return ValidatedChunk(none, rejected, piece.rows_repeated + said_again, piece)
        require_columns(piece.cells.columns, self.mapping.sources())
        sources = [c for c in self.mapping.sources() if c in piece.cells.columns]
        filled = without_empty(without_apostrophes(piece.cells, self.file_name), sources)
        numbered = filled.with_columns(pl.int_range(pl.len(), dtype=pl.Int64).alias(ROW))
        cells, findings = self._with_times(numbered)
        rows, unread = self._type(cells, piece)
        good, broken = rows, []
        if not plainly_valid(rows, self.alone):
            good, failure = self.alone.filter(rows)
            broken = [self._broken(failure, piece)] if len(failure) else []
        rejected, said_again = self._said_again(pl.concat([piece.rejected, *unread, *broken]).sort("line"))
        said = replace(piece, findings=piece.findings + findings)
        return ValidatedChunk(good, rejected, piece.rows_repeated + said_again, said)

    def _with_times(self, cells: pl.DataFrame) -> tuple[pl.DataFrame, tuple[str, ...]]:
        """Add the mapped times in UTC; also return what a person should know of them."""
        dtypes = self.dtypes()
        times = [c for c in self.mapping.columns if c.sources and isinstance(dtypes[c.column], pl.Datetime)]
        read = {c: read_times(c, cells) for c in times}
        findings = tuple(f for c, t in read.items() for f in t.finding(" / ".join(c.sources)))
        return cells.with_columns(t.utc.alias(MARK + c.column) for c, t in read.items()), findings

    def _type(self, cells: pl.DataFrame, piece: Chunk) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
        """Return (typed rows with `line` and `row`, rejected rows): where a file has text and we have nothing."""
        dtypes, mapped = self.dtypes(), self.mapping.columns
        typed = cells.with_columns(
            self._parsed(c, dtypes[c.column], cells, piece).alias(MARK + c.column)
            for c in mapped
            if MARK + c.column not in cells.columns
        )
        checks = [(c, *check) for c in mapped for check in self._checks(c, dtypes[c.column], cells)]
        flags = typed.select(check.any().alias(str(i)) for i, (_, check, *_) in enumerate(checks))
        unread = []
        for i, (column, check, rule, says) in enumerate(checks):
            if not typed.height or not flags[str(i)][0]:
                continue
            lines = typed.filter(check)[LINE].to_list()
            unread.append(rejected_rows(lines, column.column, piece.raw(lines), rule, says))
            typed = typed.filter(~check)
        names = {c.column for c in mapped}
        rows = typed.select(
            *((pl.col(MARK + n) if n in names else pl.lit(None)).cast(t).alias(n) for n, t in dtypes.items()),
            pl.col(LINE).alias("line"),
            pl.col(ROW).alias("row"),
        )
        defaults = [pl.col(n).fill_null(v) for n, v in DEFAULTS.items() if n in dtypes]
        return rows.with_columns(defaults) if defaults else rows, unread

    def _parsed(self, column: ColumnMapping, dtype: pl.DataType, cells: pl.DataFrame, piece: Chunk) -> pl.Expr:
        """Return the typed expression of one column; what cannot be read becomes null."""
        if not column.sources:
            return self._given(column, dtype)
        first = pl.col(column.sources[0])
        if not dtype.is_numeric():
            text = first.cast(pl.String).str.strip_chars()
            if column.words is not None:
                text = text.replace_strict(column.words, default=None, return_dtype=pl.String)
            return text.str.to_lowercase().replace_strict(BOOLEANS, default=None) if dtype == pl.Boolean else text
        numbers = [self._number(s, cells.schema) for s in column.sources]
        number = numbers[0] if len(numbers) == 1 else pl.mean_horizontal(numbers)
        if dtype.is_integer():
            return pl.when(number == number.round(0)).then(number).cast(dtype, strict=False)
        return self._in_stored_unit(number, column, piece)

    def _in_stored_unit(self, number: pl.Expr, column: ColumnMapping, piece: Chunk) -> pl.Expr:
        if column.steps:
            return along_steps(number, column.steps)
        if column.full_scale is not None:
            return number * (column.full_scale / 100)
        stored, unit = stored_unit(column.column), column.unit or piece.units.get(column.sources[0])
        if stored is None:
            return number
        if unit is None:
            raise SourceFileError(
                "unit_unknown", f"the file does not say the unit of '{column.sources[0]}'; name it in the mapping"
            )
        try:
            return to_unit(number, unit, stored, where=f"mapping {self.mapping.name} [columns.{column.column}]")
        except WorkspaceError as problem:
            raise SourceFileError("unit_mismatch", str(problem)) from problem

    def _number(self, source: str, schema: pl.Schema) -> pl.Expr:
        """A number with the mapping's decimal mark; under a decimal comma a point could be either, so it is none."""
        text = pl.col(source)
        if schema[source] != pl.String:
            return text.cast(pl.Float64)
        text = text.str.strip_chars()
        if self.mapping.thousands is not None:
            text = text.str.replace_all(self.mapping.thousands, "", literal=True)
        if self.mapping.decimal == ",":
            text = pl.when(~text.str.contains(".", literal=True)).then(text.str.replace(",", ".", literal=True))
        return text.cast(pl.Float64, strict=False)

    def _given(self, column: ColumnMapping, dtype: pl.DataType) -> pl.Expr:
        """A value that stands in the mapping or in the file's name."""
        if column.value is not None:
            return pl.lit(column.value).cast(dtype, strict=False)
        found = re.search(str(column.file_name), own_name(self.file_name))
        if not found or not found.groups():
            raise SourceFileError("file_name", f"{column.column} should stand in the file's name, and does not")
        return pl.lit(found.group(1)).cast(dtype, strict=False)

    def _checks(self, column: ColumnMapping, dtype: pl.DataType, cells: pl.DataFrame) -> list[tuple[pl.Expr, str, str]]:
        """Return (True where a row is rejected, rule, reason) for each way in which a cell may be unusable."""
        checks = []
        unread = self._unread(column, dtype, cells)
        if unread is not None:
            checks.append((unread, *self._why(column, dtype)))
        if dtype == pl.String:
            text, most = pl.col(MARK + column.column), LONG_TEXTS.get(column.column, MAX_TEXT_BYTES)
            says = f"{column.column} is longer than {most:,} bytes"
            checks.append(((text.str.len_bytes() > most).fill_null(value=False), "too_long", says))
            nul = text.str.contains("\x00", literal=True).fill_null(value=False)
            checks.append((nul, "nul_bytes", f"{column.column} holds NUL bytes: it was damaged before it came here"))
        return checks

    def _unread(self, column: ColumnMapping, dtype: pl.DataType, cells: pl.DataFrame) -> pl.Expr | None:
        """True where the file has text and the typed column nothing; of left and right, one bad side is enough."""
        texts = [s for s in column.sources if cells.schema[s] == pl.String]
        if not column.sources or (dtype == pl.String and column.words is None):
            return None
        if dtype.is_float() and not texts and not column.steps:
            return None
        if dtype.is_numeric():
            bad = [pl.col(s).is_not_null() & self._number(s, cells.schema).is_null() for s in texts]
            lost = pl.col(column.sources[0]).is_not_null() & pl.col(MARK + column.column).is_null()
            return pl.any_horizontal(*bad, lost)
        return (
            pl.any_horizontal(pl.col(s).is_not_null() for s in column.sources) & pl.col(MARK + column.column).is_null()
        )

    def _why(self, column: ColumnMapping, dtype: pl.DataType) -> tuple[str, str]:
        name = " / ".join(column.sources)
        if isinstance(dtype, pl.Datetime):
            return "not_a_time", f"'{name}' is not a time of the form {column.format} in {column.time_zone}"
        if column.words is not None:
            return "unknown_word", f"'{name}' is none of {', '.join(column.words)}"
        if dtype == pl.Boolean:
            return "unknown_word", f"'{name}' is none of {', '.join(BOOLEANS)}"
        if column.steps:
            low, high = column.steps[0][0], column.steps[-1][0]
            return "not_a_step", f"'{name}' is no number between the steps {low:g} and {high:g} of the mapping"
        return "not_a_number", f"'{name}' is not a number with the decimal mark the mapping names"

    def _broken(self, failure: dy.FailureInfo, piece: Chunk) -> pl.DataFrame:
        """Return the rows that break the contract, each once, with all its reasons."""
        details = failure.details()
        broken = []
        for rule in failure.counts():
            wrong = details.filter(pl.col(rule) == "invalid")
            lines = wrong["line"].to_list()
            says = rule_in_words(rule, self.schema)
            broken.append(
                rejected_rows(lines, rule_column(rule), piece.raw(lines), rule, says).with_columns(wrong["row"])
            )
        return (
            pl.concat(broken)
            .group_by("row", maintain_order=True)
            .agg(
                pl.col("line", "column", "raw", "rule").first(),
                pl.col("says").unique(maintain_order=True).str.join("; "),
            )
            .select(none_rejected().columns)
        )

    def _said_again(self, rejected: pl.DataFrame) -> tuple[pl.DataFrame, int]:
        """Drop what is no row but says again what others say: the header in the middle, totals at the bottom."""
        if not rejected.height:
            return rejected, 0
        words = "|".join(re.escape(w) for w in self.mapping.totals)
        raw = pl.col("raw").str.strip_chars()
        again = raw.is_in([line.strip() for line in self.header.split("\n") if line.strip()])
        if words:
            again |= raw.str.contains(rf"(?i)^[^\p{{L}}\p{{N}}]*(?:{words})(?:[^\p{{L}}\p{{N}}]|$)")
        kept = rejected.filter(~again)
        return kept, rejected.height - kept.height


def split_clashes(
    rows: pl.DataFrame, key: list[str], piece: Chunk, taken: pl.DataFrame | None
) -> tuple[pl.DataFrame, pl.DataFrame, int]:
    """Sort the good rows of a piece against themselves and what the same file said before.

    Args:
        rows: good rows with `line` and `row`: a line of a climate archive is many rows.
        key: the columns that name a row.
        piece: where the rows come from.
        taken: rows of the same file that were accepted before.

    Returns:
        (rows said for the first time, rejected rows whose key stands earlier with other values, rows repeated).
    """
    columns = [c for c in rows.columns if c not in {"line", "row"}]
    fresh = rows.unique(columns, keep="first", maintain_order=True)
    if taken is not None and taken.height:
        fresh = fresh.join(taken.select(columns), on=columns, how="anti", nulls_equal=True, maintain_order="left")
    first = fresh.unique(key, keep="first", maintain_order=True)
    if taken is not None and taken.height:
        first = first.join(taken.select(key), on=key, how="anti", maintain_order="left")
    clash = fresh.join(first.select("row"), on="row", how="anti", maintain_order="left")["line"].to_list()
    says = f"{', '.join(key)} stands earlier in this file with other values; the first was taken"
    rejected = rejected_rows(clash, key[0], piece.raw(clash), "same_key_twice", says)
    return first, rejected, rows.height - first.height - len(clash)
