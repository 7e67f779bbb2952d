"""Every text of the pages passes through here, and every number's and date's local form.

The English text is the key (as in GNU gettext); `catalogue.pot` beside this file holds all of it. A translation is a
`text/<language>.po` in the workspace, the language being that of `locale` in `season.toml`. What a translation lacks is
shown in English.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from babel import Locale, UnknownLocaleError
from babel.dates import format_skeleton
from babel.messages.pofile import read_po

from reports.language.bidi import isolated
from transforms.errors import WorkspaceError


@dataclass(frozen=True)
class Language:
    """How a page speaks: its locale, its translations (none for English), and a key that tells it from others."""

    locale: Locale
    texts: dict[str, str | tuple[str, ...]] = field(default_factory=dict)
    key: str = "English"


ENGLISH = Language(Locale("en", "GB"))
_spoken: ContextVar[Language] = ContextVar("spoken", default=ENGLISH)


@lru_cache(maxsize=8)
def _read(path: Path, _changed_ns: int, locale: str) -> dict[str, str | tuple[str, ...]]:
    try:
        with path.open("rb") as handle:
            catalogue = read_po(handle, locale=locale, abort_invalid=True)
    except Exception as problem:
        raise WorkspaceError(
            f"the translation cannot be read ({problem})",
            where=str(path),
            remedy="correct that line, or take the file away",
        ) from problem
    texts: dict[str, str | tuple[str, ...]] = {}
    for m in catalogue:
        if m.id and m.string and not m.fuzzy:
            texts[m.id if isinstance(m.id, str) else m.id[0]] = (
                m.string if isinstance(m.string, str) else tuple(m.string)
            )
    return texts


@contextmanager
def speaking(locale: str, folder: Path | None = None) -> Iterator[None]:
    """Make pages in a locale; translations are looked for in `folder` as `<locale>.po`, then `<language>.po`.

    Raises:
        WorkspaceError: a translation cannot be read.
    """
    try:
        spoken = Locale.parse(locale, sep="-" if "-" in locale else "_")
    except (UnknownLocaleError, ValueError) as problem:
        raise WorkspaceError(
            f"the locale '{locale}' is not known", where="season.toml", remedy="use one such as en-GB, en-US or de-DE"
        ) from problem
    texts: dict[str, str | tuple[str, ...]] = {}
    key = locale
    for name in dict.fromkeys((locale, spoken.language)):
        path = folder / f"{name}.po" if folder is not None else None
        if path is not None and path.exists():
            texts = _read(path, path.stat().st_mtime_ns, str(spoken))
            key = f"{locale} {path} {path.stat().st_mtime_ns}"
            break
    held = _spoken.set(Language(spoken, texts, key))
    try:
        yield
    finally:
        _spoken.reset(held)


def language_key() -> str:
    """Return what tells the spoken language from others, for what is made once a language."""
    return _spoken.get().key


def locale() -> Locale:
    """Return the locale pages are made in."""
    return _spoken.get().locale


def say(text: str, /, **values: Any) -> str:
    """Return a text of the catalogue in the page's language, with values put in; right-to-left values are isolated."""
    found = _spoken.get().texts.get(text, text)
    return (found if isinstance(found, str) else found[0]).format(**_isolated(values))


def _isolated(values: dict[str, Any]) -> dict[str, Any]:
    return {k: isolated(v) if isinstance(v, str) else v for k, v in values.items()}


def say_n(one: str, many: str, n: int, /, **values: Any) -> str:
    """Return a text for a count, `n` put in as `{n}` in its local form."""
    language = _spoken.get()
    found = language.texts.get(one)
    if isinstance(found, tuple):
        text = found[min(_form(language.locale, n), len(found) - 1)]
    else:
        text = one if n == 1 else many
    return text.format(n=local_number(f"{n:,}"), **_isolated(values))


def _form(spoken: Locale, n: int) -> int:
    """The index of a count's plural form, in CLDR's order as catalogues have it."""
    rule = spoken.plural_form
    every: tuple[str, ...] = ("zero", "one", "two", "few", "many", "other")
    return [t for t in every if t in rule.tags | {"other"}].index(str(rule(n)))


def local_number(text: str) -> str:
    """Return a number written as Python writes it (`-1,234.5`) with the locale's marks and a true minus."""
    symbols = locale().number_symbols["latn"]
    marks = {",": symbols["group"], ".": symbols["decimal"], "-": "\u2212"}
    return "".join(marks.get(c, c) for c in text)


def local_date(at: Any, skeleton: str) -> str:
    """Return a date or local time by a CLDR skeleton such as `yMMMEd`."""
    text: str = format_skeleton(skeleton, at, locale=locale())
    return text.replace("\u202f", " ")


_DAY_MARKS = (("MMMM", "%B"), ("MMM", "%b"), ("MM", "%m"), ("M", "%-m"), ("dd", "%d"), ("d", "%-d"))


def chart_day(more: str = "") -> str:
    """Return how charts write a day and month in the locale's order, and what follows it."""
    pattern = str(locale().datetime_skeletons["MMMd"].pattern).replace("'", "")
    for mark_, form in _DAY_MARKS:
        # What is written already starts with a percent sign, and holds none of the letters sought.
        pattern = re.sub(rf"(?<![%\-A-Za-z]){mark_}(?![A-Za-z])", form, pattern)
    return pattern.replace("L", "") + more


def chart_locales() -> dict[str, Any]:
    """Return number and time forms as charts take them."""
    here = locale()
    symbols = here.number_symbols["latn"]
    number = {
        "decimal": symbols["decimal"],
        "thousands": symbols["group"],
        "grouping": [3],
        "currency": ["", ""],
        "minus": "\u2212",
    }
    days, months = here.days["format"], here.months["format"]
    week = [6, *range(6)]
    time = {
        "dateTime": "%x, %X",
        "date": "%Y-%m-%d",
        "time": "%H:%M:%S",
        "periods": ["AM", "PM"],
        "days": [days["wide"][d] for d in week],
        "shortDays": [days["abbreviated"][d] for d in week],
        "months": [months["wide"][m] for m in range(1, 13)],
        "shortMonths": [months["abbreviated"][m] for m in range(1, 13)],
    }
    return {"number": number, "time": time}


_NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:,\d{3})*(?:\.\d+)?(?!\w)")


def sentence_key(text: str) -> tuple[str, list[str]]:
    """Return a table's sentence as the catalogue has it, `{0}`, `{1}` for its numbers, and the numbers."""
    lifted: list[str] = []

    def numbered(found: re.Match[str]) -> str:
        lifted.append(found[0])
        return "{" + str(len(lifted) - 1) + "}"

    if text in _stored_sentences():
        return text, lifted
    return _NUMBER.sub(numbered, text.replace("{", "{{").replace("}", "}}")), lifted


@lru_cache(maxsize=1)
def _stored_sentences() -> frozenset[str]:
    from reports.language import table_messages as s  # noqa: PLC0415  it marks its texts with `mark` of this module

    every = (s.WORDS, s.SETTINGS, s.PRICES, s.EFFECTS, s.CHECKS, s.ADVICE, s.TRACE)
    return frozenset(text for texts in every for text in texts)


def translate_stored(text: str) -> str:
    """Return a word or sentence that a table holds in the page's language; its numbers are put in by the locale.

    The catalogue has such sentences with `{0}`, `{1}` for their numbers (`told_sentences.py`). A text that it lacks may
    hold ids and is shown as the table has it.
    """
    key, lifted = sentence_key(text)
    texts = _spoken.get().texts
    if key not in texts and key not in _stored_sentences():
        return "; ".join(translate_stored(part) for part in text.split("; ")) if "; " in text else text
    return say_sentence(key, [local_number(v) for v in lifted])


def say_sentence(template: str, args: list[str]) -> str:
    """Return a template of `told_sentences.py` in the page's language, with arguments put in for `{0}`, `{1}`."""
    found = _spoken.get().texts.get(template, template)
    return (found if isinstance(found, str) else found[0]).format(*(isolated(a) for a in args))


def mark(text: str) -> str:
    """Return a text as it is; marks it for the catalogue where it is named before it is said."""
    return text
