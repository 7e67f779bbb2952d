"""Validation of chunks: cells become typed columns, and rows are accepted, rejected with a reason, or repeated."""

import re
from dataclasses import dataclass, replace
from typing import Any

import dataframely as dy
import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.reason import REASON_COLUMNS, Reason, combine_reasons, reason
from transforms.contracts.row_rules import build_single_row_schema, is_provably_valid, rejection_reason, rule_column
from transforms.contracts.source_tables import DEFAULTS, contract
from transforms.contracts.units import stored_unit, to_unit
from transforms.errors import SourceFileError, WorkspaceError
from transforms.ingest.cell_values import BOOLEANS, interpolate_scale, read_times, without_apostrophes, without_empty
from transforms.ingest.chunk import (
    LINE,
    LONG_TEXTS,
    MARK,
    MAX_TEXT_BYTES,
    ROW,
    Chunk,
    empty_rejections,
    rejected_rows,
    require_columns,
)
from transforms.ingest.mapping import ColumnMapping, Mapping, original_name


@dataclass(frozen=True)
class ValidatedChunk:
    """Result of validating one chunk: `rows_in = good.height + rejected.height + rows_repeated`.

    Attributes:
        good: valid rows: canonical columns, `line`, and `row`, the row number within the chunk; keys may still repeat.
        rejected: rejected rows: see `REJECTED`.
        rows_repeated: number of rows that repeat a header or a total.
        chunk: the chunk.
    """

    good: pl.DataFrame
    rejected: pl.DataFrame
    rows_repeated: int
    chunk: Chunk

    @property
    def rows_in(self) -> int:
        """Number of rows in the chunk."""
        return self.good.height + self.rejected.height + self.rows_repeated


@dataclass(frozen=True)
class Reader:
    """Validator of the chunks of one file, configured by its mapping.

    Attributes:
        mapping: the mapping that reads the file.
        catalogue: the machine settings of the workspace.
        file_name: name of the file, without its folder.
        header: raw lines above the rows.
    """

    mapping: Mapping
    catalogue: Catalogue
    file_name: str
    header: str = ""

    @property
    def schema(self) -> type[dy.Schema]:
        """Schema of the kind of file."""
        return contract(self.mapping.kind, self.catalogue)

    @property
    def alone(self) -> Any:
        """Schema with the rules of single rows only."""
        return build_single_row_schema(self.schema)

    def dtypes(self) -> dict[str, pl.DataType]:
        """Return the type of each canonical column."""
        return {name: column.dtype for name, column in self.schema.columns().items()}

    def numbers(self) -> set[str]:
        """Return the columns of the file that are read only as numbers."""
        dtypes, numbers, texts = self.dtypes(), set[str](), set[str]()
        for column in self.mapping.columns:
            (numbers if dtypes[column.column].is_numeric() else texts).update(column.sources)
        return numbers - texts

    def check(self, chunk: Chunk) -> ValidatedChunk:
        """Convert the rows of a chunk to typed columns and validate them.

        Raises:
            SourceFileError: a mapped column is missing, or the file name lacks a mapped value.
        """
        if not chunk.cells.height:
            none = pl.DataFrame(schema={**self.dtypes(), "line": pl.Int64, "row": pl.Int64})
            rejected, repeated = self._without_repeats(chunk.rejected)
            return ValidatedChunk(none, rejected, chunk.rows_repeated + repeated, chunk)
        require_columns(chunk.cells.columns, self.mapping.sources())
        sources = [c for c in self.mapping.sources() if c in chunk.cells.columns]
        filled = without_empty(without_apostrophes(chunk.cells, self.file_name), sources)
        numbered = filled.with_columns(pl.int_range(pl.len(), dtype=pl.Int64).alias(ROW))
        cells, findings = self._with_times(numbered)
        rows, unread = self._type(cells, chunk)
        good, broken = rows, []
        if not is_provably_valid(rows, self.alone):
            good, failure = self.alone.filter(rows)
            broken = [self._broken(failure, chunk)] if len(failure) else []
        rejected, repeated = self._without_repeats(pl.concat([chunk.rejected, *unread, *broken]).sort("line"))
        with_findings = replace(chunk, findings=chunk.findings + findings)
        return ValidatedChunk(good, rejected, chunk.rows_repeated + repeated, with_findings)

    def _with_times(self, cells: pl.DataFrame) -> tuple[pl.DataFrame, tuple[Reason, ...]]:
        """Return the cells with the mapped times in UTC added, and findings about these times."""
        dtypes = self.dtypes()
        times = [c for c in self.mapping.columns if c.sources and isinstance(dtypes[c.column], pl.Datetime)]
        read = {c: read_times(c, cells) for c in times}
        findings = tuple(f for c, t in read.items() for f in t.finding(" / ".join(c.sources)))
        return cells.with_columns(t.utc.alias(MARK + c.column) for c, t in read.items()), findings

    def _type(self, cells: pl.DataFrame, chunk: Chunk) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
        """Return (typed rows with `line` and `row`, rejected rows, which have text that cannot be converted)."""
        dtypes, mapped = self.dtypes(), self.mapping.columns
        typed = cells.with_columns(
            self._parsed(c, dtypes[c.column], cells, chunk).alias(MARK + c.column)
            for c in mapped
            if MARK + c.column not in cells.columns
        )
        checks = [(c, *check) for c in mapped for check in self._checks(c, dtypes[c.column], cells)]
        flags = typed.select(check.any().alias(str(i)) for i, (_, check, *_) in enumerate(checks))
        unread = []
        for i, (column, check, rule, why) in enumerate(checks):
            if not typed.height or not flags[str(i)][0]:
                continue
            lines = typed.filter(check)[LINE].to_list()
            unread.append(rejected_rows(lines, column.column, chunk.raw(lines), rule, why))
            typed = typed.filter(~check)
        names = {c.column for c in mapped}
        rows = typed.select(
            *((pl.col(MARK + n) if n in names else pl.lit(None)).cast(t).alias(n) for n, t in dtypes.items()),
            pl.col(LINE).alias("line"),
            pl.col(ROW).alias("row"),
        )
        defaults = [pl.col(n).fill_null(v) for n, v in DEFAULTS.items() if n in dtypes]
        return rows.with_columns(defaults) if defaults else rows, unread

    def _parsed(self, column: ColumnMapping, dtype: pl.DataType, cells: pl.DataFrame, chunk: Chunk) -> pl.Expr:
        """Return the typed expression of one column; unreadable cells become null."""
        if not column.sources:
            return self._constant(column, dtype)
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
        return self._in_stored_unit(number, column, chunk)

    def _in_stored_unit(self, number: pl.Expr, column: ColumnMapping, chunk: Chunk) -> pl.Expr:
        """Return a number converted from the unit of the file to the stored unit."""
        if column.steps:
            return interpolate_scale(number, column.steps)
        if column.full_scale is not None:
            return number * (column.full_scale / 100)
        stored, unit = stored_unit(column.column), column.unit or chunk.units.get(column.sources[0])
        if stored is None:
            return number
        if unit is None:
            raise SourceFileError("unit_unknown", reason("unit_unknown", column=column.sources[0]))
        try:
            return to_unit(number, unit, stored, where=f"mapping {self.mapping.name} [columns.{column.column}]")
        except WorkspaceError as problem:
            why = reason("unit_mismatch", column=column.sources[0], unit=unit, stored_unit=stored)
            raise SourceFileError("unit_mismatch", why) from problem

    def _number(self, source: str, schema: pl.Schema) -> pl.Expr:
        """Return a number in the number format of the mapping.

        With a decimal comma, a cell with a point is ambiguous and becomes null.
        """
        text = pl.col(source)
        if schema[source] != pl.String:
            return text.cast(pl.Float64)
        text = text.str.strip_chars()
        if self.mapping.thousands is not None:
            text = text.str.replace_all(self.mapping.thousands, "", literal=True)
        if self.mapping.decimal == ",":
            text = pl.when(~text.str.contains(".", literal=True)).then(text.str.replace(",", ".", literal=True))
        return text.cast(pl.Float64, strict=False)

    def _constant(self, column: ColumnMapping, dtype: pl.DataType) -> pl.Expr:
        """Return a value given by the mapping or by the file name."""
        if column.value is not None:
            return pl.lit(column.value).cast(dtype, strict=False)
        found = re.search(str(column.file_name), original_name(self.file_name))
        if not found or not found.groups():
            raise SourceFileError("file_name", reason("not_in_file_name", column=column.column))
        return pl.lit(found.group(1)).cast(dtype, strict=False)

    def _checks(
        self, column: ColumnMapping, dtype: pl.DataType, cells: pl.DataFrame
    ) -> list[tuple[pl.Expr, str, Reason]]:
        """Return (True if a row is rejected, rule, reason) for each way in which a cell may be unusable."""
        checks = []
        unread = self._unread(column, dtype, cells)
        if unread is not None:
            checks.append((unread, *self._unread_reason(column, dtype)))
        if dtype == pl.String:
            text, max_bytes = pl.col(MARK + column.column), LONG_TEXTS.get(column.column, MAX_TEXT_BYTES)
            long = (text.str.len_bytes() > max_bytes).fill_null(value=False)
            checks.append((long, "too_long", reason("text_too_long", column=column.column, max_bytes=max_bytes)))
            nul = text.str.contains("\x00", literal=True).fill_null(value=False)
            checks.append((nul, "nul_bytes", reason("text_has_nul_bytes", column=column.column)))
        return checks

    def _unread(self, column: ColumnMapping, dtype: pl.DataType, cells: pl.DataFrame) -> pl.Expr | None:
        """Return True if the file has text but the typed column is null; of left and right, one bad side suffices."""
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

    def _unread_reason(self, column: ColumnMapping, dtype: pl.DataType) -> tuple[str, Reason]:
        """Return (rule, reason) for a cell that cannot be converted."""
        name = " / ".join(column.sources)
        if isinstance(dtype, pl.Datetime):
            return "not_a_time", reason("not_a_time", column=name, form=column.format, time_zone=column.time_zone)
        if column.words is not None:
            return "unknown_word", reason("unknown_word", column=name, words=list(column.words))
        if dtype == pl.Boolean:
            return "unknown_word", reason("unknown_word", column=name, words=list(BOOLEANS))
        if column.steps:
            low, high = column.steps[0][0], column.steps[-1][0]
            return "not_a_step", reason("not_a_step", column=name, low=low, high=high)
        return "not_a_number", reason("not_a_number", column=name)

    def _broken(self, failure: dy.FailureInfo, chunk: Chunk) -> pl.DataFrame:
        """Return the rows that break the schema, each once, with all its reasons."""
        details = failure.details()
        broken = []
        reasons: dict[str, Reason] = {}
        for rule in failure.counts():
            invalid = details.filter(pl.col(rule) == "invalid")
            lines = invalid["line"].to_list()
            reasons[rule] = rejection_reason(rule, self.schema)
            broken.append(
                rejected_rows(lines, rule_column(rule), chunk.raw(lines), rule, reasons[rule]).with_columns(
                    invalid["row"]
                )
            )
        rows = (
            pl.concat(broken)
            .group_by("row", maintain_order=True)
            .agg(pl.col("line", "column", "raw", "rule").first(), pl.col("rule").str.join(MARK).alias("rules"))
        )
        whys = {
            r: combine_reasons(list(dict.fromkeys(reasons[n] for n in r.split(MARK)))) for r in rows["rules"].unique()
        }
        return rows.with_columns(
            pl.col("rules")
            .replace_strict({r: why.columns[c] for r, why in whys.items()}, return_dtype=pl.String)
            .alias(c)
            for c in REASON_COLUMNS
        ).select(empty_rejections().columns)

    def _without_repeats(self, rejected: pl.DataFrame) -> tuple[pl.DataFrame, int]:
        """Return (rejected rows without repeated headers and totals, the number of those dropped)."""
        if not rejected.height:
            return rejected, 0
        totals = "|".join(re.escape(w) for w in self.mapping.totals)
        raw = pl.col("raw").str.strip_chars()
        is_repeat = raw.is_in([line.strip() for line in self.header.split("\n") if line.strip()])
        if totals:
            is_repeat |= raw.str.contains(rf"(?i)^[^\p{{L}}\p{{N}}]*(?:{totals})(?:[^\p{{L}}\p{{N}}]|$)")
        remaining = rejected.filter(~is_repeat)
        return remaining, rejected.height - remaining.height
