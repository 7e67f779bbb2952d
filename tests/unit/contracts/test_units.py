import polars as pl
import pytest

from transforms.contracts.unit_spellings import ALIASES
from transforms.contracts.units import UNITS, conversion_factor, parse_unit, quotient_unit, stored_unit, to_unit
from transforms.errors import WorkspaceError


@pytest.mark.parametrize(
    ("source", "target", "value", "expected"),
    [
        ("in", "cm", 1.0, 2.54),
        ("m/s", "kmh", 1.0, 3.6),
        ("mph", "kmh", 10.0, 16.09344),
        ("degF", "degC", 50.0, 10.0),
        ("short_ton/acre", "t/ha", 1.0, 2.2417),
        ("lb", "kg", 2.0, 0.90718474),
        ("W/m2", "MJ/m2", 1000.0, 3.6),
        ("ft2", "m2", 110.0, 10.21933),
        ("ft", "m", 10.0, 3.048),
        ("in2", "cm2", 1.0, 6.4516),
        ("dt/ha", "t/ha", 700.0, 70.0),
        ("1/acre", "1/ha", 40_000.0, 98_842.15),
        ("1000/ha", "1/ha", 95.0, 95_000.0),
        ("are", "ha", 150.0, 1.5),
        ("acre", "ha", 1.0, 0.40468564224),
        ("yd", "m", 10.0, 9.144),
        ("permille", "pct", 65.0, 6.5),
        ("dt", "t", 235.0, 23.5),
        ("short_cwt", "kg", 1.0, 45.359237),
        ("long_cwt", "kg", 1.0, 50.80234544),
        ("long_ton", "kg", 1.0, 1016.0469088),
        ("kg/ha", "t/ha", 1500.0, 1.5),
        ("kg/m2", "t/ha", 0.3, 3.0),
        ("g/m2", "t/ha", 50.0, 0.5),
    ],
)
def test_known_units_convert(source, target, value, expected):
    got = pl.select(to_unit(pl.lit(value), source, target, where="test")).item()
    assert got == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("unit", ["ac", "F", "C", "Prozent", ""])
def test_an_unknown_unit_asks_and_never_guesses(unit):
    with pytest.raises(WorkspaceError, match=r"is not known in a mapping: use one of"):
        conversion_factor(unit, "cm", where="a mapping")


@pytest.mark.parametrize(
    ("written", "code"),
    [
        ("‰", "permille"),
        ("Promille", "permille"),
        ("q", "dt"),
        ("sq. ft", "ft2"),
        ("ar", "are"),
        ("US cwt", "short_cwt"),
    ],
)
def test_a_spelling_is_a_unit(written, code):
    assert parse_unit(written) == code


@pytest.mark.parametrize("written", ["ton", "cwt", "Zentner", "a"])
def test_a_spelling_of_several_units_is_none(written):
    assert parse_unit(written) is None


def test_every_unit_has_a_source_and_every_spelling_a_unit():
    assert all(unit.source for unit in UNITS.values())
    assert set(ALIASES.values()) <= set(UNITS)


@pytest.mark.parametrize(
    ("numerator", "denominator", "expected"),
    [
        ("lb", "acre", "kg/m2"),
        ("count", "ha", "1/m2"),
        ("g", "kg", "fraction"),
        ("kg", "count", "kg"),
        ("kg", "cm", None),
    ],
)
def test_a_quotient_of_units(numerator, denominator, expected):
    assert quotient_unit(numerator, denominator) == expected


def test_units_of_different_things_do_not_convert():
    with pytest.raises(WorkspaceError, match="measures length and cannot become 'kg'"):
        conversion_factor("cm", "kg", where="a mapping")


@pytest.mark.parametrize(
    ("column", "unit"),
    [
        ("share_depth_cm", "cm"),
        ("root_loss_t_ha", "t/ha"),
        ("tank_t", "t"),
        ("wind_m_s", "m/s"),
        ("load_id", None),
        ("area_ha", "ha"),
        ("stand_plants_per_ha", "1/ha"),
        ("damaged_area_cm2_per_100_roots", "cm2"),
    ],
)
def test_a_columns_suffix_is_its_unit(column, unit):
    assert stored_unit(column) == unit
