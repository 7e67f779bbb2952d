"""Stored sentences as a template and its arguments: pages translate the template and format the arguments.

Arguments are typed, so that a page shows a setting by its label, a number in the format of the locale, and an id
unchanged, regardless of its characters and words.
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
        """English text of the sentence."""
        return self.template.format(*(text for _, text in self.args))

    @property
    def stored_args(self) -> str:
        """Arguments as JSON, for a text column."""
        return json.dumps(self.args, ensure_ascii=False)


def numbers(template: str, *texts: str) -> Sentence:
    """Return a sentence whose arguments are all numbers, already formatted as text."""
    return Sentence(template, [(ArgKind.NUMBER, text) for text in texts])


def stored_sentence(template: str, stored_args: str) -> Sentence:
    """Return the sentence stored in two text columns."""
    return Sentence(template, [(ArgKind(kind), text) for kind, text in json.loads(stored_args)])
