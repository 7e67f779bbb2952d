"""Proposed mapping of an export, and the open questions about it."""

from dataclasses import dataclass, field
from typing import Any

from transforms.contracts.reason import Reason

SURE = 0.95
"""Confidence from which a column is read without a question."""
OPEN = 0.9
"""Highest confidence of a column while a question about it is open."""
READ = "read."
"""Beginning of the key of a question about a column of the file that is not placed."""
IGNORE, SKIP = "ignore", "skip"
"""Answers that leave out a column or a sheet of the file, and a table column."""
OF_FILE = {"time_zone", "encoding", "decimal"}
"""Questions that have one answer for all mappings of a file."""


@dataclass(frozen=True)
class MappingQuestion:
    """Question that only the user can answer.

    Attributes:
        key: key of the answer in `--answer KEY=VALUE`.
        why: the question as a reason.
        choices: allowed answers; empty if any answer is allowed.
        guess: most likely answer; empty if there is none. Never a unit.
        example: a value of the file as each likely answer would read it; empty if there is none.
    """

    key: str
    why: Reason
    choices: tuple[str, ...] = ()
    guess: str = ""
    example: str = ""


@dataclass
class ColumnProposal:
    """Proposed source of one table column, with confidence and reasons."""

    column: str
    row: dict[str, Any]
    confidence: float
    reasons: list[Reason]


@dataclass
class Proposal:
    """Mapping, as far as it is known, and the open questions.

    Attributes:
        kind: kind of file.
        layout: keys of the mapping other than `columns`.
        columns: proposed columns, in order of the schema.
        questions: questions to answer before the mapping can be saved.
        optional: questions about columns that are not placed; without an answer they are ignored.
        unread: columns of the file that no table column uses.
        reasons: reasons for the file format and layout.
        prefix: prefix of the keys of its questions, if the file has several tables.
        unread_sheets: filled sheets of the file that no mapping reads.
    """

    kind: str
    layout: dict[str, Any]
    columns: list[ColumnProposal] = field(default_factory=list)
    questions: list[MappingQuestion] = field(default_factory=list)
    optional: list[MappingQuestion] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    reasons: list[Reason] = field(default_factory=list)
    prefix: str = ""
    unread_sheets: list[str] = field(default_factory=list)

    def table(self) -> dict[str, Any]:
        """Return the mapping as the table of a TOML file."""
        return {"kind": self.kind, **self.layout, "columns": {c.column: c.row for c in self.columns}}

    def sources(self) -> set[str]:
        """Return the columns of the file that the mapping reads."""
        return {s for c in self.columns for s in c.row.get("from", [])}

    def row_sources(self, columns: tuple[str, ...]) -> set[str]:
        """Return the columns of the file that some table columns read."""
        return {s for c in self.columns if c.column in columns for s in c.row.get("from", [])}


@dataclass
class Asker:
    """Collector of open questions, given the answers so far.

    Attributes:
        answers: question key -> answer.
        prefix: prefix of the keys, if a file has several mappings; an answer without it applies to all of them.
        questions: open questions.
    """

    answers: dict[str, str]
    prefix: str = ""
    questions: list[MappingQuestion] = field(default_factory=list)

    def full_key(self, key: str) -> str:
        """Return the key of a question with the prefix of its mapping; keys of the whole file have none."""
        return key if key in OF_FILE else self.prefix + key

    def answer(self, key: str) -> str | None:
        """Return the answer to a question; None if there is none."""
        return self.answers.get(self.full_key(key), self.answers.get(key))

    def answered_words(self, column: str, choices: list[str]) -> list[str]:
        """Return the words of a column to which answers give one of the meanings."""
        starts = (self.full_key(f"{column}."), f"{column}.")
        words = (
            key.removeprefix(start)
            for key, meaning in self.answers.items()
            for start in starts
            if key.startswith(start) and meaning in choices
        )
        return list(dict.fromkeys(words))

    def ask(
        self, key: str, why: Reason, choices: list[str] | None = None, guess: str = "", example: str = ""
    ) -> str | None:
        """Return the answer to a question; if there is none, record the question and return None."""
        answer = self.answer(key)
        if answer is None:
            self.again(key, why, choices, guess, example)
        return answer

    def again(
        self, key: str, why: Reason, choices: list[str] | None = None, guess: str = "", example: str = ""
    ) -> None:
        """Record a question even if it was answered, because the answer is invalid."""
        if all(q.key != self.full_key(key) for q in self.questions):
            self.questions.append(MappingQuestion(self.full_key(key), why, tuple(choices or ()), guess, example))
