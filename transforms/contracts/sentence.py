"""A sentence of a table as its template and its arguments: pages translate the template and format the arguments.

Arguments are typed, so that a page shows a setting by its label, a number in the form of the locale, and an id
unchanged, whatever characters or words the id contains.
"""

import json
from dataclasses import dataclass, field
from enum import StrEnum


class ArgKind(StrEnum):
    """Type of an argument."""

    NUMBER = "number"
    SETTING = "setting"
    ID = "id"


@dataclass(frozen=True)
class Sentence:
    """A template with `{0}`, `{1}` for its arguments, and the arguments as (kind, text)."""

    template: str
    args: list[tuple[ArgKind, str]] = field(default_factory=list)

    @property
    def text(self) -> str:
        """The sentence in English."""
        return self.template.format(*(text for _, text in self.args))

    @property
    def stored_args(self) -> str:
        """The arguments as JSON, for a column of text."""
        return json.dumps(self.args, ensure_ascii=False)


def numbers(template: str, *texts: str) -> Sentence:
    """Return a sentence whose arguments are all numbers, formatted as Python formats them."""
    return Sentence(template, [(ArgKind.NUMBER, text) for text in texts])


def stored_sentence(template: str, stored_args: str) -> Sentence:
    """Return a sentence from the two columns it is stored in."""
    return Sentence(template, [(ArgKind(kind), text) for kind, text in json.loads(stored_args)])
