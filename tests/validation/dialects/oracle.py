"""Answers to the questions about an invented file, taken from its truth."""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from tests.validation.dialects.truth import DialectFile, FileTable, KindTruth, Meaning
from transforms.contracts.units import UNITS, conversion_factor, stored_unit
from transforms.errors import WorkspaceError
from transforms.ingest.propose.proposal import IGNORE, READ, MappingQuestion
from transforms.ingest.propose.unplaced import JOIN

TOLERANCE = 1e-6
FLAG_NAMES = {
    "true": ("true", "yes"),
    "false": ("false", "no"),
    "1": ("true", "yes", "reverse"),
    "0": ("false", "no", "forward"),
}
"""Value of a flag -> names that a question may give it."""


@dataclass(frozen=True)
class Source:
    """Column of a file that holds a table column, or a part of it."""

    name: str
    position: int
    meaning: Meaning


@dataclass(frozen=True)
class TableTruth:
    """Truth of one kind in a table, in terms of the column names that the program read from the header.

    Attributes:
        file: the file.
        table: the table.
        truth: rows and constants of the kind.
        names: columns of the file as the program names them; None at the places of columns that it did not read.
    """

    file: DialectFile
    table: FileTable
    truth: KindTruth
    names: list[str | None] = field(default_factory=list)

    @cached_property
    def sources(self) -> dict[str, list[Source]]:
        """Table column -> the columns of the file that hold it, dates before times of day."""
        out: dict[str, list[Source]] = {}
        for i, column in enumerate(self.table.columns):
            for meaning in column.meanings:
                if meaning.kind == self.truth.kind and not column.is_optional:
                    name = self.names[i] or f"column {i + 1}"
                    out.setdefault(meaning.column, []).append(Source(name, i, meaning))
        return {c: sorted(s, key=lambda k: k.meaning.part == "clock") for c, s in out.items()}

    def columns(self) -> set[str]:
        """Return all table columns that the file determines."""
        return {*self.sources, *self.truth.constants}

    def optional_columns(self) -> set[str]:
        """Return the table columns that some columns may be read as, though nobody needs them."""
        optional = [c for c in self.table.columns if c.is_optional]
        return {m.column for c in optional for m in c.meanings if m.kind == self.truth.kind}

    def zone(self) -> str:
        """Return the zone of times that carry none."""
        zones = [s[0].meaning.zone for s in self.sources.values() if s[0].meaning.zone is not None]
        return next((z for z in zones if z != "UTC"), zones[0] if zones else self.file.style.zone)


def names_by_position(table: FileTable, read: list[str]) -> list[str | None]:
    """Return the names of the columns of a table as the program read them; None where it read another header."""
    if len(read) == len(table.columns):
        return list(read)
    known = {name.casefold(): name for name in read}
    wanted = [f"{c.group} {c.name}".strip().casefold() for c in table.columns]
    return [next((n for k, n in known.items() if k.startswith(w)), None) for w in wanted]


def is_same_conversion(unit: str, column: str, meaning: Meaning) -> bool:
    """Return True if a unit of the program converts to the stored unit as the truth does."""
    stored = stored_unit(column)
    if stored is None:
        return True
    try:
        factor, offset = conversion_factor(unit, stored, where=column)
    except WorkspaceError:
        return False
    is_factor = abs(factor - meaning.factor) <= TOLERANCE * abs(meaning.factor)
    return is_factor and abs(offset - meaning.offset) <= TOLERANCE * max(1.0, abs(meaning.offset))


class Oracle:
    """Person who knows the truth about a table of an invented file and answers questions about it."""

    def __init__(self, truth: TableTruth) -> None:
        self.truth = truth
        self.style = truth.file.style

    def answer(self, question: MappingQuestion, key: str) -> str | None:
        """Return the right answer to a question; None if the truth has none, or it is not among the choices.

        Args:
            question: the question.
            key: its key without the prefix of the mapping.
        """
        if key.startswith(READ):
            return self._target(question, key.removeprefix(READ))
        answer = self._answer(question, key)
        is_constant = (
            answer is not None and answer.startswith("=") and question.why.code.startswith(("ask_column", "ask_match"))
        )
        parts = [answer] if answer is None or answer in question.choices else answer.split(JOIN)
        if answer is None or is_constant or not question.choices or set(parts) <= set(question.choices):
            return answer
        return None

    def _others(self) -> list[TableTruth]:
        """Return the truths of the other kinds in the rows of the table."""
        others = [t for t in self.truth.table.truths if t is not self.truth.truth]
        return [TableTruth(self.truth.file, self.truth.table, t, self.truth.names) for t in others]

    def _target(self, question: MappingQuestion, source: str) -> str:
        """Return the table column that a column of the file, or several joined by a plus, holds."""
        at = [i for i, name in enumerate(self.truth.names) if name == source or name in source.split(JOIN)]
        held = [c for i in at for c in [self.truth.table.columns[i]] if not c.is_optional]
        meant = [{m.column for m in c.meanings} & set(question.choices) for c in held]
        common = set.intersection(*meant) if meant else set()
        return min(common) if common else IGNORE

    def _answer(self, question: MappingQuestion, key: str) -> str | None:
        whole = {
            "kind": self.truth.truth.kind,
            "encoding": self.style.encoding,
            "decimal": self.style.decimal,
            "time_zone": self.truth.zone(),
            "sheet": self.truth.table.sheet or None,
        }
        if key in whole:
            return whole[key]
        column, _, detail = key.partition(".")
        if column not in self.truth.columns():
            other = next((t for t in self._others() if column in t.columns()), None)
            if other is not None:
                return Oracle(other)._answer(question, key)
        if not detail:
            return self._source(question, column)
        if column not in self.truth.sources:
            return "skip" if "skip" in question.choices else None
        meaning = self.truth.sources[column][0].meaning
        return self._detail(question, column, detail, meaning)

    def _source(self, question: MappingQuestion, column: str) -> str | None:
        """Return the column of the file, or the constant, for a table column."""
        if column in self.truth.sources:
            return JOIN.join(s.name for s in self.truth.sources[column])
        constant = self.truth.truth.constants.get(column)
        if constant is None:
            return "skip" if "skip" in question.choices else None
        if constant.place == "file_name" and question.guess == "name":
            return "name"
        return f"={constant_text(constant.value)}"

    def _detail(self, question: MappingQuestion, column: str, detail: str, meaning: Meaning) -> str | None:
        if detail == "unit" and meaning.full_scale is not None:
            return "pct"
        if detail == "unit":
            units = question.choices or tuple(UNITS)
            return next((u for u in units if is_same_conversion(u, column, meaning)), None)
        if detail == "format":
            return meaning.format
        if detail == "full_scale":
            return None if meaning.full_scale is None else f"{meaning.full_scale:g}"
        word = (meaning.words or {}).get(detail)
        if word is None and column == "cancelled" and detail in {self.style.empty_mark, ""}:
            word = "false"
        names = FLAG_NAMES.get(word or "", ()) if question.choices else ()
        return next((n for n in names if n in question.choices), word)


def constant_text(value: Any) -> str:
    """Return a constant as text; a time in UTC."""
    return value.strftime("%Y-%m-%dT%H:%M:%SZ") if hasattr(value, "strftime") else str(value)
