"""Ids, setting names and numbers of a stored reason are its arguments, whatever characters they contain."""

import json
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from babel.messages.pofile import write_po

from reports.language.bidi import without_isolates
from reports.language.reason_messages import MESSAGES
from reports.language.reason_text import row_reason
from reports.language.translate import translated, use_language
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.reason import reason
from transforms.model.checks.fit_checks import _row

CODE = "influence_of_field"
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
    message = MESSAGES[CODE]
    assert isinstance(message, str)
    out.add(message, "ohne {field_id}: {setting}, {standard_errors:.1f}")
    out.add("share depth", "Schartiefe")
    with (tmp_path / "de.po").open("wb") as handle:
        write_po(handle, out)
    with use_language("de-DE", tmp_path):
        yield


def row_of(field: str) -> dict[str, object]:
    why = reason(CODE, field_id=field, setting="share_depth_cm", standard_errors=0.9)
    return _row("influence_field", 0.9, 2.0, why, passed=True)


@pytest.mark.usefixtures("german")
@pytest.mark.parametrize("field", IDS)
def test_a_translated_reason_keeps_every_id(catalogue: Catalogue, field):
    assert without_isolates(row_reason(row_of(field), catalogue)) == f"ohne {field}: Schartiefe, 0,9"


@pytest.mark.parametrize("field", IDS)
def test_the_table_stores_the_id_unchanged(field):
    row = row_of(field)
    assert row["reason_code"] == CODE
    assert json.loads(str(row["reason_args"])) == {
        "field_id": field,
        "setting": "share_depth_cm",
        "standard_errors": 0.9,
    }


@pytest.mark.usefixtures("german")
@pytest.mark.parametrize("text", ["rejected because of -5", "row 1,234 of {0}", "line F-12; 0.5 of it"])
def test_a_text_without_a_catalogue_entry_is_shown_unchanged(text):
    assert translated(text) == text
