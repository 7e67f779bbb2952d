"""Errors of a configuration file: all of them at once, one sentence each."""

import datetime as dt
import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from transforms.errors import WorkspaceError

SHOWN_CHARACTERS = 60
"""A longer value is cut in a message."""
LIKE = 0.6
"""Names less similar than this are not suggested."""


Code = Literal["wrong_file", "wrong_table", "unknown_key", "missing_key", "wrong_value", "conflict"]


@dataclass(frozen=True)
class Problem:
    """One error of a configuration file.

    Attributes:
        code: `wrong_file`, `wrong_table`, `unknown_key`, `missing_key`, `wrong_value` or `conflict`.
        key: the key or name that the error is about; empty if it is the file or the table itself.
        what: what is wrong.
        where: the file, and the table in it.
        remedy: what to do.
    """

    code: Code
    key: str
    what: str
    where: str
    remedy: str

    def sentence(self) -> str:
        """Return the error as one sentence."""
        return f"{self.what} in {self.where}: {self.remedy}"


class ConfigError(WorkspaceError):
    """Errors of configuration files; the message lists all of them.

    Attributes:
        problems: the errors, in the order of the file's tables.
    """

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        first = self.problems[0]
        super().__init__(first.what, where=first.where, remedy=first.remedy)
        self.args = ("\n".join(self.lines()),)

    def lines(self) -> list[str]:
        """Return the message line by line: the only error, or a title and a line for each."""
        sentences = [p.sentence() for p in self.problems]
        if len(sentences) == 1:
            return sentences
        return [f"{len(sentences)} errors in the workspace's settings:", *(f"- {s}" for s in sentences)]

    def __reduce__(self) -> tuple[Any, ...]:
        """Return how another process makes the same error."""
        return ConfigError, (self.problems,)


def raise_problems(problems: Sequence[Problem]) -> None:
    """Raise all errors as one, if there are any.

    Raises:
        ConfigError: there is at least one.
    """
    if problems:
        raise ConfigError(problems)


def shown(value: Any) -> str:
    """Return a value as a message shows it: quoted, without control characters, not too long."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, (dt.date, dt.time)):
        text = value.isoformat()
    else:
        try:
            text = repr(value)
        except ValueError:  # a whole number, written in hexadecimal digits, that is too long to be converted
            text = "a number of very many digits"
    return text if len(text) <= SHOWN_CHARACTERS else f"{text[:SHOWN_CHARACTERS]}..."


def key_shown(key: str) -> str:
    """Return a key as a message shows it: in quotes, without control characters, not too long."""
    return f"'{shown(key)[1:-1]}'" if len(key) <= SHOWN_CHARACTERS else f"{shown(key)}'"


def table_shown(*names: str) -> str:
    """Return the header of a table as the file has it."""
    return f"[{'.'.join(key_shown(n)[1:-1] for n in names)}]"


def suggestion(value: Any, choices: Iterable[str]) -> str:
    """Return a question that names the most similar of the choices; empty if none is similar."""
    if not isinstance(value, str) or len(value) > SHOWN_CHARACTERS:
        return ""
    by_folded = {c.casefold(): c for c in choices}
    found = difflib.get_close_matches(value.casefold(), by_folded, n=1, cutoff=LIKE)
    return f"did you mean '{by_folded[found[0]]}'?" if found else ""


def not_a_table(value: Any, where: str, remedy: str) -> Problem:
    """Return the error of a value in place of a table."""
    return Problem("wrong_table", "", f"{shown(value)} is not a table", where, remedy)


def unknown_name(name: str, choices: Sequence[str], where: str) -> Problem:
    """Return the error of a key that does not exist."""
    remedy = suggestion(name, choices) or f"use one of {', '.join(choices)}"
    return Problem("unknown_key", name, f"{key_shown(name)} is not known", where, remedy)
