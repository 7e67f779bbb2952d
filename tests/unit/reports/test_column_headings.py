"""Names of columns in reasons: headings for stored columns, the file's own names for its columns."""

import pytest

from reports.language.column_headings import HEADINGS, column_words
from reports.language.reason_text import STORED_COLUMN_CODES, format_reason
from reports.language.translate import use_language
from transforms.config.settings_catalogue import load_catalogue
from transforms.contracts.reason import combine_reasons, reason
from transforms.contracts.source_tables import CONTRACTS


def test_a_stored_column_is_named_by_its_heading_and_a_column_of_the_file_by_its_own_name():
    stored = format_reason(reason("above_maximum", column="delivered_t", bound=60))
    assert "delivered weight (with soil)" in stored
    assert "delivered_t" not in stored
    assert "delivered_t" in format_reason(reason("not_a_number", column="delivered_t"))
    assert "field_id" in format_reason(reason("missing_column", column="field_id", columns="a, b"))


def test_a_second_reason_of_a_row_names_its_column_by_the_heading_too():
    both = combine_reasons([reason("column_empty", column="field_id"), reason("column_empty", column="clay_pct")])
    assert "_" not in format_reason(both)


def test_german_headings_keep_their_capitals():
    with use_language("de-DE"):
        assert column_words("delivered_t", load_catalogue())[0].isupper()
    assert column_words("delivered_t", load_catalogue())[0].islower()


@pytest.mark.parametrize("code", sorted(STORED_COLUMN_CODES))
def test_every_such_reason_shows_the_heading(code):
    args = {"column": "clay_pct", "bound": 1, "max_bytes": 1}
    assert "clay_pct" not in format_reason(reason(code, **args))


def test_every_stored_column_has_a_heading():
    columns = {name for schema in CONTRACTS.values() for name in schema.columns()}
    assert columns - set(HEADINGS) - set(load_catalogue()) == set()
