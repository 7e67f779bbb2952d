"""Translation of page texts and local formats of numbers and dates.

The English text is the key (as in GNU gettext); `catalogue.pot` in this folder contains all of them. The language is
that of `locale` in `season.toml`. Translations are in `translations/<language>.po`; a file `text/<language>.po` in the
workspace replaces single texts or adds a language. Texts without a translation are shown in English.
"""

import datetime as dt
import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

from babel import Locale, UnknownLocaleError
from babel.dates import format_skeleton
from babel.messages.pofile import read_po

from reports.language.bidi import isolated
from transforms.errors import WorkspaceError


@dataclass(frozen=True)
class Language:
    """Language of a page: locale, translations (none for English) and a key that identifies both."""

    locale: Locale
    texts: dict[str, str | tuple[str, ...]] = field(default_factory=dict)
    key: str = "English"

    @cached_property
    def number_marks(self) -> dict[int, str]:
        """The locale's separators and minus sign by the characters of Python's format."""
        symbols = self.locale.number_symbols["latn"]
        return str.maketrans({",": symbols["group"], ".": symbols["decimal"], "-": "\u2212"})


@dataclass(frozen=True)
class Counted:
    """Text of the catalogue with a singular and a plural form, to be translated for a count."""

    one: str
    many: str


BUILT_IN = Path(__file__).parent / "translations"
ENGLISH = Language(Locale("en", "GB"))
_language: ContextVar[Language] = ContextVar("language", default=ENGLISH)


@lru_cache(maxsize=8)
def _read(path: Path, _changed_ns: int, locale: str) -> dict[str, str | tuple[str, ...]]:
    try:
        with path.open("rb") as handle:
            catalogue = read_po(handle, locale=locale, abort_invalid=True)
    except Exception as problem:
        raise WorkspaceError(
            "the translation cannot be read ({problem})",
            where=str(path),
            remedy="correct the file, or remove it to show pages in English",
            problem=str(problem),
        ) from problem
    texts: dict[str, str | tuple[str, ...]] = {}
    for m in catalogue:
        if m.id and m.string and not m.fuzzy:
            texts[m.id if isinstance(m.id, str) else m.id[0]] = (
                m.string if isinstance(m.string, str) else tuple(m.string)
            )
    return texts


def _translations(locale: str, language: str, folder: Path | None) -> list[Path]:
    """Return the translations of a locale: the built-in one, then the workspace's, whose texts take precedence."""
    own = [folder / f"{name}.po" for name in dict.fromkeys((locale, language))] if folder is not None else []
    found = [path for path in own if path.exists()][:1]
    built_in = BUILT_IN / f"{language}.po"
    return [built_in, *found] if built_in.exists() else found


def _language_of(locale: str, folder: Path | None) -> Language:
    """Return a language with its translations.

    Raises:
        WorkspaceError: the locale is not known, or a translation cannot be read.
    """
    try:
        parsed = Locale.parse(locale, sep="-" if "-" in locale else "_")
    except (UnknownLocaleError, ValueError) as problem:
        raise WorkspaceError(
            "the locale '{locale}' is not known",
            where="season.toml",
            remedy="use one such as en-GB, en-US or de-DE",
            locale=locale,
        ) from problem
    texts: dict[str, str | tuple[str, ...]] = {}
    key = locale
    for path in _translations(locale, parsed.language, folder):
        texts = {**texts, **_read(path, path.stat().st_mtime_ns, str(parsed))}
        key += f" {path} {path.stat().st_mtime_ns}"
    return Language(parsed, texts, key)


@contextmanager
def use_language(locale: str, folder: Path | None = None) -> Iterator[None]:
    """Set the language of pages in a block.

    Args:
        locale: locale such as `en-GB` or `de-DE`.
        folder: folder of the workspace with translations `<locale>.po`, else `<language>.po`.

    Raises:
        WorkspaceError: the locale is not known, or a translation cannot be read.
    """
    token = _language.set(_language_of(locale, folder))
    try:
        yield
    finally:
        _language.reset(token)


def set_language(locale: str, folder: Path | None = None) -> None:
    """Set the language from now on; an enclosing `start_in_english` or `use_language` restores the earlier one.

    Args:
        locale: locale such as `en-GB` or `de-DE`.
        folder: folder of the workspace with translations `<locale>.po`, else `<language>.po`.

    Raises:
        WorkspaceError: the locale is not known, or a translation cannot be read.
    """
    _language.set(_language_of(locale, folder))


@contextmanager
def start_in_english() -> Iterator[None]:
    """Use English in a block until the language is set there."""
    token = _language.set(ENGLISH)
    try:
        yield
    finally:
        _language.reset(token)


def language_key() -> str:
    """Return a key that identifies the current language, for caches with one entry per language."""
    return _language.get().key


def locale() -> Locale:
    """Return the locale of the current language."""
    return _language.get().locale


def translated(text: str) -> str:
    """Return a text of the catalogue in the page's language, with nothing inserted."""
    translation = _language.get().texts.get(text, text)
    return translation if isinstance(translation, str) else translation[0]


def say(text: str, /, **values: Any) -> str:
    """Return a text of the catalogue in the page's language with values inserted; right-to-left values are isolated."""
    return translated(text).format(**_isolated(values))


def _isolated(values: dict[str, Any]) -> dict[str, Any]:
    return {k: isolated(v) if isinstance(v, str) else v for k, v in values.items()}


def say_n(one: str, many: str, n: int, /, **values: Any) -> str:
    """Return the text for a count, with `n` inserted as `{n}` in its local format."""
    return translated_n(Counted(one, many), n).format(n=local_number(f"{n:,}"), **_isolated(values))


def translated_n(text: Counted, n: int) -> str:
    """Return the form of a text for a count, with nothing inserted."""
    language = _language.get()
    forms = language.texts.get(text.one)
    if isinstance(forms, tuple):
        return forms[min(_plural_index(language.locale, n), len(forms) - 1)]
    return text.one if n == 1 else text.many


def say_text(text: str | Counted, /, **values: Any) -> str:
    """Return a marked text in the page's language with values inserted; the value `n` selects the form of a count."""
    if isinstance(text, str):
        return say(text, **values)
    n = values.pop("n")
    return say_n(text.one, text.many, n, **values)


def _plural_index(spoken: Locale, n: int) -> int:
    """Return the index of a count's plural form, in the CLDR order that catalogues use."""
    rule = spoken.plural_form
    categories: tuple[str, ...] = ("zero", "one", "two", "few", "many", "other")
    return [t for t in categories if t in rule.tags | {"other"}].index(str(rule(n)))


def local_number(text: str) -> str:
    """Return a number in Python's format (`-1,234.5`) with the locale's separators and a true minus sign.

    >>> local_number("-1,234.5")
    '−1,234.5'
    """
    return text.translate(_language.get().number_marks)


def local_date(at: Any, skeleton: str) -> str:
    """Return a date or local time by a CLDR skeleton such as `yMMMEd`."""
    if type(at) is dt.date:
        return _formatted_day(at, skeleton, str(locale()))
    text: str = format_skeleton(skeleton, at, locale=locale())
    return text.replace("\u202f", " ")


@lru_cache(maxsize=4096)
def _formatted_day(day: dt.date, skeleton: str, spoken: str) -> str:
    """Return a date by a CLDR skeleton: lists repeat the days of a season thousands of times."""
    text: str = format_skeleton(skeleton, day, locale=spoken)
    return text.replace("\u202f", " ")


def local_moment(at: Any) -> str:
    """Return a local time as date and time of day, without its seconds."""
    return f"{local_date(at, 'yMMMd')} {local_date(at, 'Hm')}"


_DAY_MARKS = (("MMMM", "%B"), ("MMM", "%b"), ("MM", "%m"), ("M", "%-m"), ("dd", "%d"), ("d", "%-d"))


def chart_day(more: str = "") -> str:
    """Return the chart format of day and month in the locale's order, followed by `more`."""
    pattern = str(locale().datetime_skeletons["MMMd"].pattern).replace("'", "")
    for mark_, form in _DAY_MARKS:
        # The look-behind skips directives that are already replaced: each starts with a percent sign.
        pattern = re.sub(rf"(?<![%\-A-Za-z]){mark_}(?![A-Za-z])", form, pattern)
    return pattern.replace("L", "") + more


def chart_locales() -> dict[str, Any]:
    """Return the number and time formats of the locale as Vega expects them."""
    current = locale()
    symbols = current.number_symbols["latn"]
    number = {
        "decimal": symbols["decimal"],
        "thousands": symbols["group"],
        "grouping": [3],
        "currency": ["", ""],
        "minus": "\u2212",
    }
    days, months = current.days["format"], current.months["format"]
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


def mark(text: str) -> str:
    """Return a text unchanged; the call marks it for the catalogue where it is defined before it is translated."""
    return text


def mark_n(one: str, many: str) -> Counted:
    """Return a text with its plural; the call marks both for the catalogue where they are defined."""
    return Counted(one, many)
