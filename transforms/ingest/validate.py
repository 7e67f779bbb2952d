"""Validation of chunks: cells become typed columns, and rows are accepted, rejected with a reason, or repeated."""

import re
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import dataframely as dy
import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.flag_words import is_flag
from transforms.contracts.internal_columns import MARK
from transforms.contracts.reason import REASON_COLUMNS, Reason, combine_reasons
from transforms.contracts.row_rules import build_single_row_schema, is_provably_valid, rejection_reason, rule_column
from transforms.contracts.source_tables import DEFAULTS, contract
from transforms.ingest.cell_values import without_apostrophes, without_empty
from transforms.ingest.chunk import LINE, ROW, Chunk, empty_rejections, rejected_rows, require_columns
from transforms.ingest.column_values import CellCheck, CellConverter
from transforms.ingest.given_text import FileContext, source_label, with_given_texts
from transforms.ingest.limit_values import limits_as_values
from transforms.ingest.mapping import ColumnMapping, Mapping
from transforms.ingest.time_values import leaving_before_weighing, read_times

MAX_WORDS = 20
"""Maximum unknown words of one column and chunk that are named; more are not words."""
WORD_CHARACTERS = 80


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


class NumberColumns(NamedTuple):
    """Columns of a file that are read only as numbers, and those of them that may contain words for flags."""

    numbers: set[str]
    flags: set[str]


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

    def flags(self) -> frozenset[str]:
        """Return the columns of the table that are flags."""
        columns = self.schema.columns()
        return frozenset(n for n, c in columns.items() if is_flag(n, c, self.catalogue))

    def number_columns(self) -> NumberColumns:
        """Return the columns of the file that are read only as numbers."""
        dtypes, flags = self.dtypes(), self.flags()
        numbers, words, texts = set[str](), set[str](), set[str]()
        for column in self.mapping.columns:
            is_number = dtypes[column.column].is_numeric() and not column.lookup and column.words is None
            (numbers if is_number else texts).update(column.sources)
            if column.column in flags:
                words.update(column.sources)
        return NumberColumns(numbers - texts, (numbers - texts) & words)

    def check(self, chunk: Chunk) -> ValidatedChunk:
        """Convert the rows of a chunk to typed columns and validate them.

        Raises:
            SourceFileError: a mapped column is missing, or the file name lacks a mapped value.
        """
        if not chunk.cells.height:
            none = pl.DataFrame(schema={**self.dtypes(), "line": pl.Int64, "row": pl.Int64})
            rejected, repeated = self._without_repeats(chunk.rejected)
            return ValidatedChunk(none, rejected, chunk.rows_repeated + repeated, chunk)
        columns = self._columns(chunk.cells.columns)
        sources = list(dict.fromkeys(s for c in columns for s in c.sources))
        filled = without_empty(without_apostrophes(chunk.cells, self.file_name), sources)
        filled, limits = limits_as_values(filled, self.number_columns().numbers, self.mapping.kind)
        numbered = filled.with_columns(pl.int_range(pl.len(), dtype=pl.Int64).alias(ROW))
        columns, numbered = with_given_texts(columns, numbered, self._context(chunk))
        cells, findings = self._with_times(columns, numbered, chunk)
        rows, unread = self._type(columns, cells, chunk)
        good, broken = rows, []
        if not is_provably_valid(rows, self.alone):
            good, failure = self.alone.filter(rows)
            broken = [self._broken(failure, chunk)] if len(failure) else []
        rejected, repeated = self._without_repeats(pl.concat([chunk.rejected, *unread, *broken]).sort("line"))
        with_findings = replace(chunk, findings=(*chunk.findings, *findings, *limits))
        return ValidatedChunk(good, rejected, chunk.rows_repeated + repeated, with_findings)

    def _columns(self, present: list[str]) -> list[ColumnMapping]:
        """Return the mapped columns with the sources that the file has, without those whose optional sources it lacks.

        Raises:
            SourceFileError: the file lacks a needed column.
        """
        require_columns(present, self.mapping)
        columns = []
        for column in self.mapping.columns:
            found = column.found_sources(present)
            if found is not None:
                units = tuple(u for s, u in zip(column.sources, column.units, strict=False) if s in found)
                columns.append(replace(column, sources=found, units=units))
        return columns

    def _context(self, chunk: Chunk) -> FileContext:
        """Return the texts outside the rows; spreadsheets end each line with the separators of its empty cells."""
        above = self.header.split("\n")[: self.mapping.header_line - 1] if chunk.preamble is None else chunk.preamble
        return FileContext(self.file_name, [line.rstrip(f"{self.mapping.separator}\t ") for line in above], chunk.part)

    def _converter(self, cells: pl.DataFrame, chunk: Chunk) -> CellConverter:
        return CellConverter(self.mapping, self.dtypes(), self.flags(), cells.schema, chunk.units)

    def _with_times(
        self, columns: list[ColumnMapping], cells: pl.DataFrame, chunk: Chunk
    ) -> tuple[pl.DataFrame, tuple[Reason, ...]]:
        """Return the cells with the mapped times in UTC added, and findings about these times."""
        dtypes, number_of = self.dtypes(), self._converter(cells, chunk).number
        times = [c for c in columns if c.sources and not c.lookup and isinstance(dtypes[c.column], pl.Datetime)]
        read = [(c, read_times(c, cells, number_of)) for c in times]
        findings = tuple(f for c, t in read for f in t.finding(source_label(c)))
        return cells.with_columns(leaving_before_weighing({c.column: t for c, t in read})), findings

    def _type(
        self, columns: list[ColumnMapping], cells: pl.DataFrame, chunk: Chunk
    ) -> tuple[pl.DataFrame, list[pl.DataFrame]]:
        """Return (typed rows with `line` and `row`, rejected rows, which have text that cannot be converted)."""
        dtypes, typed = self.dtypes(), cells
        for later in (False, True):  # a column by another column follows it
            converter = self._converter(typed, chunk)
            typed = typed.with_columns(
                converter.typed(c).alias(MARK + c.column)
                for c in columns
                if (c.by is not None) == later and MARK + c.column not in typed.columns
            )
        converter = self._converter(typed, chunk)
        checks = [check for c in columns for check in converter.checks(c)]
        flags = typed.select(check.is_bad.any().alias(str(i)) for i, check in enumerate(checks))
        unread = []
        for i, check in enumerate(checks):
            if not typed.height or not flags[str(i)][0]:
                continue
            unread += _rejected(typed.filter(check.is_bad), check, chunk)
            typed = typed.filter(~check.is_bad)
        names = {c.column for c in columns}
        rows = typed.select(
            *((pl.col(MARK + n) if n in names else pl.lit(None)).cast(t).alias(n) for n, t in dtypes.items()),
            pl.col(LINE).alias("line"),
            pl.col(ROW).alias("row"),
        )
        defaults = [pl.col(n).fill_null(v) for n, v in DEFAULTS.items() if n in dtypes]
        return rows.with_columns(defaults) if defaults else rows, unread

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


def _rejected(rows: pl.DataFrame, check: CellCheck, chunk: Chunk) -> list[pl.DataFrame]:
    """Return the rows that fail a check; a frame for each unknown word, and one for all beyond `MAX_WORDS`."""

    def frame(part: pl.DataFrame, why: Reason) -> pl.DataFrame:
        lines = part[LINE].to_list()
        return rejected_rows(lines, check.column, chunk.raw(lines), check.rule, why)

    if check.word is None or check.why_of is None:
        return [frame(rows, check.why)]
    words = rows.select(check.word.str.slice(0, WORD_CHARACTERS).alias("word")).to_series()
    known = words.drop_nulls().unique(maintain_order=True).head(MAX_WORDS).to_list()
    named = [frame(rows.filter(words == w), check.why_of(w)) for w in known]
    others = rows.filter((~words.is_in(known)).fill_null(value=True))
    return [*named, frame(others, check.why)] if others.height else named
