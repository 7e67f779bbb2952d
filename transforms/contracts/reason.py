"""Reasons as data: a code with its arguments; pages, commands, notifications and exports build the sentence.

A table stores a reason in `reason_code` and `reason_args` (JSON). The messages of all codes are in
`reports/language/reason_messages/`. Nothing branches on a sentence: code compares `reason_code`.
"""

import json
import math
from dataclasses import dataclass
from typing import Any

import polars as pl

from transforms.contracts.phrase import Phrase

REASON_COLUMNS = {"reason_code": pl.String, "reason_args": pl.String}
ALSO = "also"
"""Argument that lists further reasons of the same row."""
ERROR_TEXT = "error_text"
"""Code of a part of an error: `english` is its text, the other arguments are inserted in it."""


@dataclass(frozen=True)
class Reason:
    """Reason with its arguments.

    Attributes:
        code: code of the message, in snake case.
        args: arguments of the message as a JSON object: numbers unformatted, ids and names as text, `setting` the name
            of a setting.
    """

    code: str
    args: str = "{}"

    @property
    def columns(self) -> dict[str, str]:
        """The reason as the values of `REASON_COLUMNS`."""
        return {"reason_code": self.code, "reason_args": self.args}


def _plain(value: Any) -> Any:
    """Return an argument as JSON can store it: floats to six significant digits, None for a float without value."""
    if isinstance(value, Phrase):
        value = phrase_reason(value)
    if isinstance(value, Reason):
        return {"code": value.code, "args": json.loads(value.args)}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    return value


def reason(code: str, /, **args: Any) -> Reason:
    """Return a reason; an argument may be a number, a text, a list of texts or another reason.

    >>> reason("too_few_loads", measured=3, needed=20)
    Reason(code='too_few_loads', args='{"measured": 3, "needed": 20}')
    """
    return Reason(code, json.dumps({k: _plain(v) for k, v in args.items()}, ensure_ascii=False, sort_keys=True))


def phrase_reason(words: Phrase) -> Reason:
    """Return a phrase of an error as a reason.

    >>> phrase_reason(Phrase("add {name}", name="kind")).args
    '{"english": "add {name}", "name": "kind"}'
    """
    return reason(ERROR_TEXT, english=words.text, **words.values)


def combine_reasons(reasons: list[Reason]) -> Reason:
    """Return several reasons of one row as one: the first with the others in its argument `also`.

    >>> combine_reasons([reason("log_silent"), reason("unload_unseen")]).code
    'log_silent'

    Raises:
        IndexError: the list is empty.
    """
    first, *others = reasons
    return reason(first.code, **json.loads(first.args), **({ALSO: others} if others else {}))


def codes_of(code: str, args: str) -> list[str]:
    """Return the code of a stored reason and the codes of the further reasons of the same row.

    >>> both = combine_reasons([reason("log_silent"), reason("unload_unseen")])
    >>> codes_of(both.code, both.args)
    ['log_silent', 'unload_unseen']
    """
    return [code, *(r["code"] for r in json.loads(args).get(ALSO, []))]


def args_of(**columns: pl.Expr) -> pl.Expr:
    """Return the arguments of a reason per row, as the JSON text of `reason_args`, from one expression per argument."""
    return pl.struct(e.alias(name) for name, e in sorted(columns.items())).struct.json_encode()
