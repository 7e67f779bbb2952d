"""Settings by label and unit, in the language of the reader."""

import pytest

from reports.language.display_units import DisplayUnits
from reports.language.setting_input import find_setting, parse_assignment, parse_value
from reports.language.translate import use_language
from transforms.config.settings_catalogue import load_catalogue
from transforms.errors import WorkspaceError

CATALOGUE = load_catalogue()
METRIC, US = (DisplayUnits(system, "EUR", "UTC").codes for system in ("metric", "us"))
DEPTH = "share_depth_cm"


def read(text: str, shown: dict[str, str] = METRIC) -> tuple[str, float]:
    return parse_assignment(text, CATALOGUE, "--set", shown)


@pytest.mark.parametrize(
    "text", ["share_depth_cm=8", "share depth=8", "Share-Depth = 8 cm", "depth=80mm", "depth=0.08 m", "depth=8,0cm"]
)
def test_a_setting_is_named_by_column_label_or_part_in_any_unit_of_its_quantity(text):
    name, value = read(text)
    assert name == DEPTH
    assert value == pytest.approx(8.0)


def test_inches_miles_and_percent():
    assert read("depth=3.1in", US) == (DEPTH, pytest.approx(3.1 * 2.54))
    assert read("ground speed=4 mph")[1] == pytest.approx(4 * 1.609344)
    assert read("share drive=110 %") == ("share_drive_pct", 110.0)


@pytest.mark.parametrize(
    ("locale", "text"),
    [("de-DE", "Rodetiefe=8cm"), ("de-DE", "tiefe=8cm"), ("fr-FR", "profondeur=8cm"), ("pl-PL", "głębokość=8cm")],
)
def test_the_label_may_be_that_of_the_reader_s_language(locale, text):
    with use_language(locale):
        assert read(text) == (DEPTH, 8.0)


def test_the_unit_of_a_rotation_is_read_in_every_language():
    for locale, unit in (("de-DE", "U/min"), ("fr-FR", "tr/min"), ("pl-PL", "obr/min"), ("en-GB", "rpm")):
        with use_language(locale):
            assert read(f"cleaner_1_speed_rpm=500 {unit}") == ("cleaner_1_speed_rpm", 500.0)


@pytest.mark.parametrize(("word", "value"), [("yes", 1.0), ("no", 0.0), ("1", 1.0), ("ja", 1.0)])
def test_a_flag_is_a_word_or_a_digit(word, value):
    assert read(f"rear roller reversed={word}") == ("rear_roller_reversed", value)


def test_a_number_without_unit_is_refused_where_pages_show_another_unit():
    assert read("share_depth_cm=8", US) == (DEPTH, 8.0)
    with pytest.raises(WorkspaceError) as caught:
        read("share depth=8", US)
    assert caught.value.values["example"] == "8.5 cm"


@pytest.mark.parametrize("text", ["depth", "depth=", "depth=deep", "depth=8kg", "depth=8 furlongs", "=8cm"])
def test_what_cannot_be_read_is_an_error_that_names_the_option(text):
    with pytest.raises(WorkspaceError) as caught:
        read(text)
    assert caught.value.where == "--set"


def test_a_part_of_several_names_lists_them_and_a_misspelled_one_suggests():
    with pytest.raises(WorkspaceError) as caught:
        find_setting("cleaner", CATALOGUE, "--set")
    assert "second cleaner speed" in caught.value.values["names"]
    with pytest.raises(WorkspaceError) as caught:
        find_setting("share deepth", CATALOGUE, "--set")
    assert caught.value.values["hint"].values == {"name": "share depth"}


def test_only_the_settings_that_can_be_meant_are_searched():
    assert find_setting("speed", CATALOGUE, "--set", among=["ground_speed_kmh", DEPTH]).name == "ground_speed_kmh"


def test_a_number_is_in_the_unit_given_for_it():
    assert parse_value("8", CATALOGUE[DEPTH], "--to", unit="cm") == 8.0
    with pytest.raises(WorkspaceError):
        parse_value("8", CATALOGUE[DEPTH], "--to", unit=None)
