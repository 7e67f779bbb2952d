"""Built-in translations: complete, with the same placeholders as the English texts, and used without a workspace."""

import re
from pathlib import Path
from typing import Any

import pytest
from babel.messages.catalog import Catalog, Message
from babel.messages.pofile import read_po

from reports.language.display_units import DisplayUnits, number
from reports.language.reason_text import format_reason
from reports.language.translate import BUILT_IN, say, say_n, use_language
from transforms.contracts.reason import reason

LANGUAGES = ["de", "fr", "pl"]
PLACEHOLDER = re.compile(r"\{(\w*)[^}]*\}")


def forms_of(message: Message) -> tuple[str, ...]:
    """Return the translations of a message: one, or one for each plural form."""
    return (message.string,) if isinstance(message.string, str) else tuple(message.string or ())


def read(path: Path, locale: str | None = None) -> Catalog:
    with path.open("rb") as handle:
        return read_po(handle, locale=locale, abort_invalid=True)


@pytest.fixture(scope="module")
def english() -> dict[str, Any]:
    """The English texts: singular -> text, or (singular, plural)."""
    found = read(BUILT_IN.parent / "catalogue.pot")
    return {m.id if isinstance(m.id, str) else m.id[0]: m.id for m in found if m.id}


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_text_is_missing_or_left_over(english, language):
    translated = {
        m.id if isinstance(m.id, str) else m.id[0]: m for m in read(BUILT_IN / f"{language}.po", language) if m.id
    }
    assert sorted(set(english) - set(translated)) == []
    assert sorted(set(translated) - set(english)) == []
    empty = [k for k, m in translated.items() if m.fuzzy or not all(forms_of(m))]
    assert empty == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_placeholders_match_in_every_form(english, language):
    for m in read(BUILT_IN / f"{language}.po", language):
        if not m.id:
            continue
        sources = tuple(m.id) if isinstance(m.id, (tuple, list)) else (m.id,)
        wanted = {name for text in sources for name in PLACEHOLDER.findall(str(text))}
        forms = forms_of(m)
        assert isinstance(m.id, tuple) == isinstance(english[sources[0]], tuple), m.id
        assert len(forms) == (1 if len(sources) == 1 else 3 if language == "pl" else 2), m.id
        for form in forms:
            assert set(PLACEHOLDER.findall(form)) - wanted == set(), m.id
            assert wanted - set(PLACEHOLDER.findall(form)) <= ({"n"} if len(forms) > 1 else set()), m.id


@pytest.mark.parametrize("language", LANGUAGES)
def test_most_texts_differ_from_english(english, language):
    same = [m.id for m in read(BUILT_IN / f"{language}.po", language) if m.id and m.string == m.id]
    assert len(same) < 0.1 * len(english)


def test_a_german_season_needs_no_file_in_its_workspace():
    with use_language("de-DE"):
        assert say("Leave everything as it is") != "Leave everything as it is"
        assert "not_a_number" not in format_reason(reason("not_a_number", column="x"))
        assert format_reason(reason("not_a_number", column="x")) != "x"
        german = format_reason(reason("not_a_number", column="x"))
        assert number(1234.5, 1) == "1.234,5"
        assert DisplayUnits("metric", "EUR", "UTC").quantity(6.5, "cm") == "6,5 cm"
    assert format_reason(reason("not_a_number", column="x")) != german


def test_polish_counts_have_three_forms():
    with use_language("pl-PL"):
        forms = {say_n("{n} load", "{n} loads", n).split(" ", 1)[1] for n in (1, 3, 5)}
    assert len(forms) == 3


def test_a_text_of_the_workspace_replaces_a_built_in_one(tmp_path):
    (tmp_path / "de.po").write_text('msgid ""\nmsgstr ""\n\nmsgid "Leave everything as it is"\nmsgstr "Passt."\n')
    with use_language("de-DE", tmp_path):
        assert say("Leave everything as it is") == "Passt."
        assert say("Needs a look") != "Needs a look"


WRONG = {
    "fr": {
        "plain space before a sign or inside guillemets": r"(?<=\S) [;:!?%»](?![\w{])|« ",
        "no space before a sign": r"[^\W\d_][;!?](?=\s|$)|[^\W\d_]:(?=\s|$)",
        "straight apostrophe": r"[^\W\d_]'[^\W\d_]",
        "English quotes": r"“|”",
    },
    "de": {
        "space before a sign": r"(?<=[^\s,]) [;:!?](?=\s|$)",
        "quotes of another language": r"”|«|»",
        "unpaired quotes": r"„[^“]*$|^[^„]*“",
        "hyphen as a dash": r"(?<=\w) - (?=\w)",
    },
    "pl": {
        "space before a sign": r"(?<=[^\s,]) [;:!?](?=\s|$)",
        "quotes of another language": r"“|»",
        "unpaired quotes": r"„[^”]*$|^[^„]*”",
        "hyphen as a dash": r"(?<=\w) - (?=\w)",
    },
}
"""Language -> patterns of typography that is wrong in it; plain quotes enclose names and values of files."""


@pytest.mark.parametrize("language", LANGUAGES)
def test_texts_have_the_typography_of_their_language(language):
    forms = [form for m in read(BUILT_IN / f"{language}.po", language) if m.id for form in forms_of(m)]
    found = {name: [f for f in forms if re.search(pattern, f)] for name, pattern in WRONG[language].items()}
    assert {name: texts for name, texts in found.items() if texts} == {}


def test_the_patterns_find_wrong_typography():
    wrong = {
        "fr": ["Lent : 3", "Quoi ?", "« oui »", "12 % de", "Lent: 3", "l'unité", "“oui”"],
        "de": ["Wort : x", "”Wort“", "„Wort", "Wort - Wort"],
        "pl": ["Słowo : x", "„słowo“", "„słowo", "słowo - słowo"],
    }
    for language, texts in wrong.items():
        patterns = WRONG[language].values()
        assert [t for t in texts if not any(re.search(p, t) for p in patterns)] == []
