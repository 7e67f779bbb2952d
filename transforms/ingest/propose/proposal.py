"""What is proposed for an export, and what only a person can say."""

from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class MappingQuestion:
    """Something only the person knows.

    Attributes:
        key: what is asked for, as `--answer KEY=VALUE` names it.
        text: the question.
        choices: answers that would do; empty where any may.
        guess: the likeliest; empty where there is none. Never a unit.
    """

    key: str
    text: str
    choices: tuple[str, ...] = ()
    guess: str = ""


@dataclass
class ColumnProposal:
    """How one column of ours would be read."""

    column: str
    row: dict[str, Any]
    confidence: float
    reasons: list[str]


@dataclass
class Proposal:
    """A mapping, as far as it is known, and the questions left.

    Attributes:
        kind: the kind of file.
        layout: the mapping's keys but `columns`.
        columns: in order of the contract.
        questions: what must be answered before it can be saved.
        unread: the file's columns that no column of ours needs.
    """

    kind: str
    layout: dict[str, Any]
    columns: list[ColumnProposal] = field(default_factory=list)
    questions: list[MappingQuestion] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)

    def table(self) -> dict[str, Any]:
        """The mapping as TOML would hold it."""
        return {"kind": self.kind, **self.layout, "columns": {c.column: c.row for c in self.columns}}


@dataclass
class Asker:
    """Answers given beforehand, and the questions still open, each once."""

    answers: dict[str, str]
    questions: list[MappingQuestion] = field(default_factory=list)

    def ask(self, key: str, text: str, choices: list[str] | None = None, guess: str = "") -> str | None:
        """Return the answer, or note the question."""
        if key in self.answers:
            return self.answers[key]
        self.again(key, text, choices, guess)
        return None

    def again(self, key: str, text: str, choices: list[str] | None = None, guess: str = "") -> None:
        """Note a question, whatever was answered: the answer will not do."""
        if all(q.key != key for q in self.questions):
            self.questions.append(MappingQuestion(key, text, tuple(choices or ()), guess))
