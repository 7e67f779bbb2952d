"""Formats of times are shown as people write them, in their language."""

import pytest

from reports.language.reason_text import format_reason
from reports.language.time_patterns import DIRECTIVES, time_pattern
from reports.language.translate import use_language
from tests.support.pseudo_language import bare, bracketed, texts_of_catalogue
from transforms.contracts.reason import reason
from transforms.ingest.propose.times import CLOCKS, DATES, JOINTS, ZONES


def test_no_directive_is_left_in_a_format_that_the_program_proposes():
    forms = [f"{d}{j}{c}{z}" for d in DATES for j in JOINTS for c in CLOCKS for z in ("", *ZONES)]
    assert [form for form in forms if "%" in time_pattern(form)] == []


@pytest.mark.parametrize(
    ("form", "shown"),
    [("%Q", "%Q"), ("100%%", "100%"), ("%-d.%-m.%Y", "DD.MM.YYYY"), ("%s", "seconds since 1970"), ("", "")],
)
def test_other_formats(form, shown):
    assert time_pattern(form) == shown


def test_a_reason_shows_the_pattern_in_the_language_of_the_page(tmp_path):
    why = reason("not_a_time", column="Weighed", form="%d.%m.%Y %H:%M", time_zone="Europe/Prague")
    assert "DD.MM.YYYY hh:mm" in format_reason(why)
    with use_language("de-DE", bracketed(texts_of_catalogue(), tmp_path, "de")):
        assert bare(time_pattern("%d.%m.%Y %H:%M")) == ".. :"
        assert bare(format_reason(why)) == ""
    assert set(DIRECTIVES) >= {"%d", "%m", "%Y", "%H", "%M", "%S", "%z"}
