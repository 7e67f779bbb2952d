"""Proposed mapping of an export, and the open questions about it."""

from dataclasses import dataclass, field
from typing import Any

from transforms.contracts.reason import Reason


@dataclass(frozen=True)
class MappingQuestion:
    """Question that only the user can answer.

    Attributes:
        key: key of the answer in `--answer KEY=VALUE`.
        why: the question as a reason.
        choices: allowed answers; empty if any answer is allowed.
        guess: most likely answer; empty if there is none. Never a unit.
    """

    key: str
    why: Reason
    choices: tuple[str, ...] = ()
    guess: str = ""


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
        unread: columns of the file that no table column uses.
        reasons: reasons for the file format and layout.
    """

    kind: str
    layout: dict[str, Any]
    columns: list[ColumnProposal] = field(default_factory=list)
    questions: list[MappingQuestion] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    reasons: list[Reason] = field(default_factory=list)

    def table(self) -> dict[str, Any]:
        """Return the mapping as the table of a TOML file."""
        return {"kind": self.kind, **self.layout, "columns": {c.column: c.row for c in self.columns}}


@dataclass
class Asker:
    """Collector of open questions, given the answers so far."""

    answers: dict[str, str]
    questions: list[MappingQuestion] = field(default_factory=list)

    def ask(self, key: str, why: Reason, choices: list[str] | None = None, guess: str = "") -> str | None:
        """Return the answer to a question; if there is none, record the question and return None."""
        if key in self.answers:
            return self.answers[key]
        self.again(key, why, choices, guess)
        return None

    def again(self, key: str, why: Reason, choices: list[str] | None = None, guess: str = "") -> None:
        """Record a question even if it was answered, because the answer is invalid."""
        if all(q.key != key for q in self.questions):
            self.questions.append(MappingQuestion(key, why, tuple(choices or ()), guess))
