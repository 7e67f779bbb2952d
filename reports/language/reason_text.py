"""Sentences of stored reasons, in the page's language: the message of the code with its arguments inserted."""

import datetime as dt
import json
from collections.abc import Callable
from string import Formatter
from typing import Any

import polars as pl

from reports.language.bidi import isolated
from reports.language.column_headings import column_words
from reports.language.display_units import NO_VALUE
from reports.language.labels import check_label, condition_label, response_label, setting_label
from reports.language.reason_messages import MESSAGES
from reports.language.reason_messages.failed_reads import failed_read_words
from reports.language.time_patterns import time_pattern
from reports.language.translate import local_moment, local_number, translated, translated_n
from transforms.config.settings_catalogue import Catalogue, load_catalogue
from transforms.contracts.reason import ALSO, ERROR_TEXT, Reason

WORD_ARGS = {"wetness_class", "soil_class", "factor", "kind", "file_kind", "state"}
"""Arguments whose values are codes with a word of their own."""

TEXT_OF: dict[str, Callable[[str], str]] = {
    "response": response_label,
    "condition": condition_label,
    "check": check_label,
    "failure": failed_read_words,
    "form": time_pattern,
}
"""Argument -> function that returns its value as people read it."""

STORED_COLUMN_CODES = {
    "above_maximum",
    "ask_column",
    "ask_column_or_name",
    "ask_flag",
    "ask_full_scale",
    "ask_match",
    "ask_ratio",
    "ask_unit_mismatch",
    "below_minimum",
    "column_empty",
    "key_not_in_lookup",
    "not_above_bound",
    "not_in_file_name",
    "not_in_preamble",
    "not_in_sheet_name",
    "text_has_nul_bytes",
    "text_too_long",
    "unit_as_other",
    "value_not_a_number",
    "value_not_finite",
}
"""Reasons whose `column` is a stored column, which people know by its heading; others name a column of the file."""


def reason_text(code: str | None, args: str | None, catalogue: Catalogue | None = None) -> str:
    """Return the sentence of a stored reason, without a final full stop; empty if there is no reason.

    Args:
        code: value of `reason_code`.
        args: value of `reason_args`, a JSON object.
        catalogue: settings with their labels; None for the built-in settings.
    """
    if code is None:
        return ""
    return _text(code, json.loads(args or "{}"), catalogue if catalogue is not None else load_catalogue())


def format_reason(why: Reason, catalogue: Catalogue | None = None) -> str:
    """Return the sentence of a reason that is not stored."""
    return reason_text(why.code, why.args, catalogue)


def row_reason(row: dict[str, Any], catalogue: Catalogue | None = None) -> str:
    """Return the sentence of a row with `reason_code` and `reason_args`."""
    return reason_text(row["reason_code"], row["reason_args"], catalogue)


def with_reasons(table: pl.DataFrame, catalogue: Catalogue | None = None) -> pl.DataFrame:
    """Return a table with the column `reason`, the sentence, after `reason_code` and `reason_args`, if it has these."""
    if not {"reason_code", "reason_args"} <= set(table.columns):
        return table
    sentences: dict[tuple[str | None, str | None], str] = {}
    for code, args in table.select("reason_code", "reason_args").unique().iter_rows():
        sentences[code, args] = reason_text(code, args, catalogue)
    texts = [sentences[pair] or None for pair in table.select("reason_code", "reason_args").iter_rows()]
    at = table.columns.index("reason_args") + 1
    return table.clone().insert_column(at, pl.Series("reason", texts, dtype=pl.String))


def _text(code: str, args: dict[str, Any], catalogue: Catalogue) -> str:
    also = args.pop(ALSO, [])
    if code in STORED_COLUMN_CODES:
        args["column"] = column_words(args["column"], catalogue)
    message = translated(args.pop("english")) if code == ERROR_TEXT else _message(code, args)
    # The text of an error without arguments may contain braces.
    parts = [_inserted(message, args, catalogue) if args or code != ERROR_TEXT else message]
    parts += [_text(other["code"], dict(other["args"]), catalogue) for other in also]
    return "; ".join(parts)


def _message(code: str, args: dict[str, Any]) -> str:
    """Return the message of a code in the page's language, in the form for its count `n` if it has a plural."""
    message = MESSAGES[code]
    return translated(message) if isinstance(message, str) else translated_n(message, args["n"])


def _inserted(message: str, args: dict[str, Any], catalogue: Catalogue) -> str:
    parts = []
    for literal, name, form, _ in Formatter().parse(message):
        parts.append(literal)
        if name is not None:
            parts.append(_shown(name, args.get(name), form or "", catalogue))
    return "".join(parts)


def _shown(name: str, value: Any, form: str, catalogue: Catalogue) -> str:
    """Return an argument as text: a number in the locale, a setting by its label, an id or name unchanged."""
    if value is None:
        return NO_VALUE
    if isinstance(value, dict):
        return _text(value["code"], dict(value["args"]), catalogue)
    if isinstance(value, list):
        return ", ".join(_shown(name, v, form, catalogue) for v in value)
    if isinstance(value, int | float):
        return local_number(format(value, form or ("," if isinstance(value, int) else ".4g")))
    return _shown_text(name, value, catalogue)


def _shown_text(name: str, value: str, catalogue: Catalogue) -> str:
    if name == "setting":
        return setting_label(value, catalogue)
    if name.endswith("_at"):
        return local_moment(dt.datetime.fromisoformat(value))
    if name in TEXT_OF:
        return TEXT_OF[name](value)
    return translated(value.replace("_", " ")) if name in WORD_ARGS else isolated(value)
