"""Ids, setting names and numbers of a stored sentence are its arguments, whatever characters they contain."""

from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from babel.messages.pofile import write_po

from reports.language.bidi import without_isolates
from reports.language.labels import stored_words
from reports.language.translate import speaking, translate_stored
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.sentence import ArgKind, Sentence
from transforms.model.checks.fit_checks import _row

TEMPLATE = "without field {0} the effect of {1} moves by {2} of its errors"
IDS = (
    "NORTH",
    "A B",
    "ÄÖ",
    "{0}",
    "{}",
    "%s",
    "the effect of share_depth_cm moves",
    "0.9",
    "1,234.5",
    "F114",
    "; ",
    "\u05de\u05db",
    "share_depth_cm",
)


@pytest.fixture
def german(tmp_path: Path):
    out = Catalog(locale="de")
    out.add(TEMPLATE, "ohne {0}: {1}, {2}")
    out.add("share depth", "Schartiefe")
    with (tmp_path / "de.po").open("wb") as handle:
        write_po(handle, out)
    with speaking("de-DE", tmp_path):
        yield


def row_of(field: str) -> dict[str, object]:
    args = [(ArgKind.ID, field), (ArgKind.SETTING, "share_depth_cm"), (ArgKind.NUMBER, "0.9")]
    return _row("influence_field", 0.9, 2.0, passed=True, says=Sentence(TEMPLATE, args))


@pytest.mark.usefixtures("german")
@pytest.mark.parametrize("field", IDS)
def test_a_translated_sentence_keeps_every_id(catalogue: Catalogue, field):
    assert without_isolates(stored_words(row_of(field), catalogue)) == f"ohne {field}: Schartiefe, 0,9"


@pytest.mark.parametrize("field", IDS)
def test_the_english_sentence_of_the_table_has_the_id_unchanged(field):
    assert row_of(field)["says"] == TEMPLATE.format(field, "share_depth_cm", "0.9")


@pytest.mark.usefixtures("german")
@pytest.mark.parametrize("text", ["rejected because of -5", "row 1,234 of {0}", "line F-12; 0.5 of it"])
def test_a_text_without_a_catalogue_entry_is_shown_unchanged(text):
    assert translate_stored(text) == text


@pytest.mark.usefixtures("german")
def test_numbers_of_a_known_sentence_are_local():
    assert (
        translate_stored("0.49 times the error of 'as the last load'") == "0,49 times the error of 'as the last load'"
    )
