"""Configuration errors: collected per file and reported together, one sentence each."""

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from transforms.contracts.phrase import Phrase, phrase
from transforms.contracts.similar_name import similar_names
from transforms.errors import WorkspaceError

SHOWN_CHARACTERS = 60
"""Longer values are truncated in messages."""

Code = Literal["wrong_file", "wrong_table", "unknown_key", "missing_key", "wrong_value", "conflict"]


@dataclass(frozen=True)
class Problem:
    """One error of a configuration file.

    Attributes:
        code: `wrong_file`, `wrong_table`, `unknown_key`, `missing_key`, `wrong_value` or `conflict`.
        key: the key or name with the error; empty if the error concerns the file or the table itself.
        what: the error, in English.
        where: the file and the table in it.
        remedy: how to fix it, in English.
    """

    code: Code
    key: str
    what: Phrase
    where: str
    remedy: Phrase

    def sentence(self) -> str:
        """Return the error as one sentence."""
        return f"{self.what} in {self.where}: {self.remedy}"


class ConfigError(WorkspaceError):
    """Collected errors of configuration files; the message lists all of them.

    Attributes:
        problems: the errors, in the order of the file's tables.
    """

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        first = self.problems[0]
        super().__init__(first.what, where=first.where, remedy=first.remedy)
        self.args = ("\n".join(self.lines()),)

    def lines(self) -> list[str]:
        """Return the lines of the message: a single error, or a title and one line per error."""
        sentences = [p.sentence() for p in self.problems]
        if len(sentences) == 1:
            return sentences
        return [f"{len(sentences)} errors in the workspace configuration:", *(f"- {s}" for s in sentences)]

    def __reduce__(self) -> tuple[Any, ...]:
        """Return the constructor and its arguments, so that the error can be pickled."""
        return ConfigError, (self.problems,)


def raise_problems(problems: Sequence[Problem]) -> None:
    """Raise one exception that lists all errors, if there are any.

    Raises:
        ConfigError: there is at least one error.
    """
    if problems:
        raise ConfigError(problems)


def format_value(value: Any) -> str:
    """Return a value as shown in messages: quoted, without control characters, truncated."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, (dt.date, dt.time)):
        text = value.isoformat()
    else:
        try:
            text = repr(value)
        except ValueError:  # an integer with too many digits to convert
            text = "a number with too many digits"
    return text if len(text) <= SHOWN_CHARACTERS else f"{text[:SHOWN_CHARACTERS]}..."


def key_shown(key: str) -> str:
    """Return a key as shown in messages: quoted, without control characters, truncated."""
    return f"'{format_value(key)[1:-1]}'" if len(key) <= SHOWN_CHARACTERS else f"{format_value(key)}'"


def table_shown(*names: str) -> str:
    """Return the header of a table as written in the file."""
    return f"[{'.'.join(key_shown(n)[1:-1] for n in names)}]"


def suggestion(value: Any, choices: Iterable[str]) -> Phrase | None:
    """Return a question that suggests the most similar choice; None if no choice is similar."""
    if not isinstance(value, str) or len(value) > SHOWN_CHARACTERS:
        return None
    found = similar_names(value, choices)
    return phrase("did you mean '{name}'?", name=found[0]) if found else None


def not_a_table(value: Any, where: str, remedy: Phrase) -> Problem:
    """Return the error for a value where a table is expected."""
    return Problem("wrong_table", "", phrase("{value} is not a table", value=format_value(value)), where, remedy)


def unknown_name(name: str, choices: Sequence[str], where: str) -> Problem:
    """Return the error for an unknown key."""
    remedy = suggestion(name, choices) or phrase("use one of {names}", names=", ".join(choices))
    return Problem("unknown_key", name, phrase("{name} is not known", name=key_shown(name)), where, remedy)
