"""Conversion of the cells of a chunk to the typed columns of a table, and the checks of cells that cannot be read."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import polars as pl

from transforms.config.lookups import LookupValue
from transforms.contracts.flag_words import flag_words, parse_flag
from transforms.contracts.internal_columns import MARK
from transforms.contracts.reason import Reason, reason
from transforms.contracts.units import stored_unit, to_unit
from transforms.errors import SourceFileError, WorkspaceError
from transforms.ingest.cell_values import interpolate_scale
from transforms.ingest.chunk import LONG_TEXTS, MAX_TEXT_BYTES
from transforms.ingest.combined_numbers import combined, combined_in_stored_unit
from transforms.ingest.given_text import source_label
from transforms.ingest.lookup_values import key_text, value_of_key
from transforms.ingest.mapping import ColumnMapping, Mapping

SHOWN_WORDS = ("1", "0", "yes", "no", "forward", "reverse")
"""Words of flags that a reason names; the others are translations of these."""


@dataclass(frozen=True)
class CellCheck:
    """Check of the cells of one column.

    Attributes:
        column: the column of the table.
        is_bad: True if a row is rejected.
        rule: code of the rule.
        why: the reason; None if it depends on the word.
        word: the word that is not known.
        why_of: function from this word to the reason.
    """

    column: str
    is_bad: pl.Expr
    rule: str
    why: Reason
    word: pl.Expr | None = None
    why_of: Callable[[str], Reason] | None = None


@dataclass(frozen=True)
class CellConverter:
    """Converter of the cells of one chunk.

    Attributes:
        mapping: the mapping.
        dtypes: type of each column of the table.
        flags: columns of the table that are flags.
        schema: type of each column of the file.
        units: column of the file -> unit, if the file states it.
    """

    mapping: Mapping
    dtypes: dict[str, pl.DataType]
    flags: frozenset[str]
    schema: pl.Schema
    units: dict[str, str]

    @cached_property
    def typed_columns(self) -> set[str]:
        """Columns of the table that the cells contain already, such as times."""
        return {name for name in self.dtypes if MARK + name in self.schema}

    def typed(self, column: ColumnMapping) -> pl.Expr:
        """Return the typed expression of a column; unreadable cells become null.

        Raises:
            SourceFileError: its unit is not known, or does not fit.
        """
        dtype = self.dtypes[column.column]
        if column.lookup:
            return self._lookup(column, column.lookup, dtype)
        if not column.sources:
            return pl.lit(column.value).cast(dtype, strict=False)
        if dtype == pl.Boolean:
            return self._flag(column)
        if not dtype.is_numeric():
            return self._word(column)
        number = self._combined(column)
        if dtype.is_integer():
            return pl.when(number == number.round(0)).then(number).cast(dtype, strict=False)
        return self._in_stored_unit(number, column)

    def checks(self, column: ColumnMapping) -> list[CellCheck]:
        """Return a check for each way in which a cell of a column may be unusable."""
        name, dtype = column.column, self.dtypes[column.column]
        checks = []
        if column.lookup:
            checks += self._key_check(column, pl.col(MARK + name).is_null())
        elif isinstance(column.full_scale, dict):
            checks += self._key_check(column, self._full_scale(column).is_null())
        if not column.lookup and (unread := self._unread(column, dtype)) is not None:
            checks.append(self._unread_check(column, dtype, unread))
        if dtype == pl.String:
            text, max_bytes = pl.col(MARK + name), LONG_TEXTS.get(name, MAX_TEXT_BYTES)
            long = (text.str.len_bytes() > max_bytes).fill_null(value=False)
            too_long = reason("text_too_long", column=name, max_bytes=max_bytes)
            checks.append(CellCheck(name, long, "too_long", too_long))
            nul = text.str.contains("\x00", literal=True).fill_null(value=False)
            checks.append(CellCheck(name, nul, "nul_bytes", reason("text_has_nul_bytes", column=name)))
        return checks

    def number(self, source: str) -> pl.Expr:
        """Return the number in a column of the file, in the number format of the mapping.

        With a decimal comma, a cell with a point is ambiguous and becomes null.
        """
        text = pl.col(source)
        if self.schema[source] != pl.String:
            return text.cast(pl.Float64)
        text = text.str.strip_chars()
        if self.mapping.thousands is not None:
            text = text.str.replace_all(self.mapping.thousands, "", literal=True)
        if self.mapping.decimal == ",":
            text = pl.when(~text.str.contains(".", literal=True)).then(text.str.replace(",", ".", literal=True))
        return text.cast(pl.Float64, strict=False)

    def _text(self, column: ColumnMapping) -> pl.Expr:
        """Return the text of a column; of several columns the first that is filled."""
        texts = [pl.col(s).cast(pl.String).str.strip_chars() for s in column.sources]
        return texts[0] if len(texts) == 1 else pl.coalesce(texts)

    def _word(self, column: ColumnMapping) -> pl.Expr:
        """Return text, by the words of the column if it has any."""
        text = self._text(column)
        if column.words is None:
            return text
        if "" in column.words:
            text = text.fill_null("")
        return text.replace_strict(column.words, default=None, return_dtype=pl.String)

    def _flag(self, column: ColumnMapping) -> pl.Expr:
        """Return True or False, by the words of the column, then by those of the languages."""
        meaning = _meaning(self._text(column), column.column, pl.Boolean)
        if column.words is None:
            return meaning
        own = {w: parse_flag(v, column.column) for w, v in column.words.items()}
        text = self._text(column).fill_null("") if "" in own else self._text(column)
        return pl.coalesce(text.replace_strict(own, default=None, return_dtype=pl.Boolean), meaning)

    def _numbers(self, column: ColumnMapping) -> list[pl.Expr]:
        """Return the number of each source, by the words of the column and of the languages if it has any."""
        return [self._number_or_word(column, s) for s in column.sources]

    def _number_or_word(self, column: ColumnMapping, source: str) -> pl.Expr:
        number = self.number(source)
        is_text = self.schema[source] == pl.String
        if column.column in self.flags and is_text:
            number = pl.coalesce(number, _meaning(pl.col(source).str.strip_chars(), column.column, pl.Float64))
        if column.words is None:
            return number
        own = {w: number_of_word(v, column.column) for w, v in column.words.items()}
        text = key_text(source, self.schema[source])
        text = text.fill_null("") if "" in own else text
        return pl.coalesce(text.replace_strict(own, default=None, return_dtype=pl.Float64), number)

    def _combined(self, column: ColumnMapping) -> pl.Expr:
        """Return the number of several sources, in the stored unit if they have different units."""
        numbers, calculation = self._numbers(column), column.combine or "mean"
        stored = stored_unit(column.column)
        if not column.units or stored is None or column.full_scale is not None:
            return combined(numbers, calculation)
        where = self._where(column)
        return combined_in_stored_unit(numbers, column.units, calculation, stored, where=where)

    def _where(self, column: ColumnMapping) -> str:
        return f"mapping {self.mapping.name} [columns.{column.column}]"

    def _in_stored_unit(self, number: pl.Expr, column: ColumnMapping) -> pl.Expr:
        """Return a number converted from the unit of the file to the stored unit."""
        if column.steps:
            return interpolate_scale(number, column.steps)
        if isinstance(column.full_scale, dict):
            return number * self._full_scale(column) / 100
        if column.full_scale is not None:
            return number * (column.full_scale / 100)
        stored, unit = stored_unit(column.column), column.unit or self.units.get(column.sources[0])
        if stored is None or column.units:
            return number
        if unit is None:
            raise SourceFileError("unit_unknown", reason("unit_unknown", column=source_label(column)))
        try:
            return to_unit(number, unit, stored, where=self._where(column))
        except WorkspaceError as problem:
            why = reason("unit_mismatch", column=source_label(column), unit=unit, stored_unit=stored)
            raise SourceFileError("unit_mismatch", why) from problem

    def _full_scale(self, column: ColumnMapping) -> pl.Expr:
        scales = column.full_scale if isinstance(column.full_scale, dict) else {}
        values = [LookupValue(k, v) for k, v in scales.items()]
        return value_of_key(self._key(column), values, pl.Float64, None)

    def _key(self, column: ColumnMapping) -> pl.Expr:
        """Return the key of a lookup: another column of the table, or the column's own value."""
        if column.by is None:
            keys = [key_text(s, self.schema[s]) for s in column.sources]
            return keys[0] if len(keys) == 1 else pl.coalesce(keys)
        return pl.col(MARK + column.by) if column.by in self.typed_columns else pl.lit(None, dtype=pl.String)

    def _lookup(self, column: ColumnMapping, values: tuple[LookupValue, ...], dtype: pl.DataType) -> pl.Expr:
        at = pl.col(MARK + column.at) if column.at is not None and column.at in self.typed_columns else None
        return value_of_key(self._key(column), values, dtype, at)

    def _key_check(self, column: ColumnMapping, is_null: pl.Expr) -> list[CellCheck]:
        """Return the check that the key of each row has a value; an optional column needs none."""
        if column.optional:
            return []
        key, name = self._key(column), column.column
        why = reason("key_not_in_lookup", column=name, key="…")
        return [
            CellCheck(
                name,
                key.is_not_null() & is_null,
                "unknown_key",
                why,
                key,
                lambda k: reason("key_not_in_lookup", column=name, key=k),
            )
        ]

    def _unread(self, column: ColumnMapping, dtype: pl.DataType) -> pl.Expr | None:
        """Return True if the file has text but the typed column is null; of left and right, one bad side suffices."""
        texts = [s for s in column.sources if self.schema[s] == pl.String]
        if not column.sources or (dtype == pl.String and column.words is None):
            return None
        if dtype.is_float() and not texts and not column.steps:
            return None
        typed = pl.col(MARK + column.column)
        if dtype.is_numeric():
            bad = [pl.col(s).is_not_null() & self._number_or_word(column, s).is_null() for s in texts]
            if column.combine in {None, "mean"} and not isinstance(column.full_scale, dict):
                return pl.any_horizontal(*bad, pl.col(column.sources[0]).is_not_null() & typed.is_null())
            is_lost = (
                [self._combined(column).is_not_null() & typed.is_null()] if column.steps or dtype.is_integer() else []
            )
            return pl.any_horizontal(*bad, *is_lost) if bad or is_lost else None
        return pl.any_horizontal(pl.col(s).is_not_null() for s in column.sources) & typed.is_null()

    def _unread_check(self, column: ColumnMapping, dtype: pl.DataType, unread: pl.Expr) -> CellCheck:
        """Return the check of cells that cannot be converted."""
        label, name = source_label(column), column.column
        if isinstance(dtype, pl.Datetime):
            why = reason("not_a_time", column=label, form=column.format, time_zone=column.time_zone)
            return CellCheck(name, unread, "not_a_time", why)
        if column.words is not None or name in self.flags:
            words = list(column.words or (w for w in SHOWN_WORDS if w in flag_words(name)))
            first = pl.coalesce(self._bad_word(column, s, dtype) for s in column.sources)

            def why_of(word: str) -> Reason:
                return reason("word_not_known", column=label, word=word, words=words)

            return CellCheck(
                name, unread, "unknown_word", reason("unknown_word", column=label, words=words), first, why_of
            )
        if column.steps:
            low, high = column.steps[0][0], column.steps[-1][0]
            return CellCheck(name, unread, "not_a_step", reason("not_a_step", column=label, low=low, high=high))
        return CellCheck(name, unread, "not_a_number", reason("not_a_number", column=label))

    def _bad_word(self, column: ColumnMapping, source: str, dtype: pl.DataType) -> pl.Expr:
        """Return the text of a source if it cannot be read, else null."""
        text = pl.col(source).cast(pl.String)
        return pl.when(self._number_or_word(column, source).is_null()).then(text) if dtype.is_numeric() else text


def _meaning(text: pl.Expr, column: str, dtype: Any) -> pl.Expr:
    """Return the meaning of words in the languages of exports."""
    plain = text.str.strip_chars(" .").str.to_lowercase()
    return plain.replace_strict(flag_words(column), default=None, return_dtype=pl.Boolean).cast(dtype)


def number_of_word(value: str | float, column: str) -> float:
    """Return the number that a word of a mapping means; yes is 1, no is 0.

    Raises:
        ValueError: it means no number.

    >>> number_of_word("ja", "unloading"), number_of_word(-1, "load_number")
    (1.0, -1.0)
    """
    meaning = parse_flag(value, column) if isinstance(value, (bool, str)) else None
    return float(value if meaning is None else meaning)
