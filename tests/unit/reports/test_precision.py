"""Rounding to what is known: settings by their step, money to two digits, US fractions of an inch."""

import pytest

from reports.language.display_units import DisplayUnits
from reports.language.precision import about_money, mass_words, money_range, plain_money, setting_value, step_value
from transforms.config.settings_catalogue import load_catalogue

METRIC, US = (DisplayUnits(system, "EUR", "UTC") for system in ("metric", "us"))


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("topper_speed_rpm", 768.6, "770 rpm"),
        ("cleaner_1_speed_rpm", 36.4, "36 rpm"),
        ("share_depth_cm", 6.234, "6.2 cm"),
        ("share_drive_pct", 51.3, "51 %"),
        ("scalper_height_mm", 31.7, "32 mm"),
        ("share_depth_cm", None, "–"),
    ],
)
def test_settings_are_rounded_to_what_an_operator_can_set(name, value, expected):
    assert setting_value(value, load_catalogue()[name], METRIC) == expected


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("share_depth_cm", 6.1, "2 3/8 in"),
        ("scalper_height_mm", 31.75, "1 1/4 in"),
        ("scalper_height_mm", 0.0, "0 in"),
        ("ground_speed_kmh", 6.0, "3.7 mph"),
    ],
)
def test_us_pages_show_fractions_of_an_inch(name, value, expected):
    assert setting_value(value, load_catalogue(units="us")[name], US) == expected


@pytest.mark.parametrize(
    ("units", "name", "expected"),
    [
        ("metric", "share_depth_cm", "0.5 cm"),
        ("metric", "topper_speed_rpm", "50 rpm"),
        ("metric", "share_drive_pct", "5 points"),
        ("us", "share_depth_cm", "1/4 in"),
        ("us", "separator_1_height_mm", "1/8 in"),
        ("us", "ground_speed_kmh", "0.25 mph"),
    ],
)
def test_a_step_is_shown_as_operators_make_it(units, name, expected):
    assert step_value(load_catalogue(units=units)[name], DisplayUnits(units, "EUR", "UTC")) == expected


def test_us_moves_are_whole_us_steps():
    metric, us = load_catalogue(), load_catalogue(units="us")
    assert us["share_depth_cm"].step == pytest.approx(0.25 * 2.54)
    assert us["separator_1_height_mm"].step == pytest.approx(25.4 / 8)
    assert us["topper_speed_rpm"].step == metric["topper_speed_rpm"].step
    own = {"share_depth_cm": {**{k: getattr(metric["share_depth_cm"], k) for k in ("stage", "label", "unit", "up")}}}
    row = own["share_depth_cm"] | {"low": 2, "high": 15, "step": 1.0, "down": "up", "responses": ["dirt_tare_pct"]}
    assert load_catalogue({"share_depth_cm": row}, units="us")["share_depth_cm"].step == 1.0


def test_money_is_shown_to_two_significant_digits():
    assert plain_money(1436.2) == "1,400"
    assert plain_money(96.4) == "96"
    assert plain_money(0.0847) == "0.085"
    assert money_range(861.0, 1938.0) == "900 to 1,900"
    assert money_range(-0.013, 0.21) == "−0.01 to 0.21"
    assert about_money(None, METRIC) == "–"


@pytest.mark.parametrize(
    ("tonnes", "significant", "metric", "us"),
    [
        (2306.4, 2, "2,300 t", "2,500 short tons"),
        (2306.4, None, "2,306 t", "2,542 short tons"),
        (0.907185, None, "1 t", "1 short ton"),
        (1.3, 2, "1.3 t", "1.4 short tons"),
        (0.0, None, "0 t", "0 short tons"),
    ],
)
def test_a_mass_in_a_sentence_has_a_unit_in_words_for_us_readers(tonnes, significant, metric, us):
    assert (mass_words(tonnes, METRIC, significant), mass_words(tonnes, US, significant)) == (metric, us)


def test_a_direction_is_a_word_not_a_number(catalogue):
    metric = DisplayUnits("metric", "EUR", "UTC")
    roller = catalogue["rear_roller_reversed"]
    words = [setting_value(v, roller, metric) for v in (0.0, 0.4, 0.6, 1.0)]
    assert words == ["forward", "forward", "reversed", "reversed"]
    assert step_value(roller, metric) == "forward → reversed"
