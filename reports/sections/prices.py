"""Section on prices and assumptions, each with unit and origin."""

from dataclasses import fields

from reports.language.display_units import DisplayUnits
from reports.language.labels import capital
from reports.language.translate import mark, say, translated
from reports.page.model import Prose, Section
from reports.page.tables import Cell, Column, Table, build_table, number_cell, text_cell
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Prices, Season

PER_MASS_AND_KM = "CUR/(t km)"
PER_MASS = {"CUR/t", PER_MASS_AND_KM}
QUANTITIES = {"km": "km", "°C": "degC"}
"""Unit of a price or assumption -> stored unit that pages convert; the other units are the same in every system."""
_PRICES = {f.name: f for f in fields(Prices)}
ASSUMED, SET = mark("assumed (the default)"), mark("set in season.toml")
COUNTED = mark("assumed, with the severe damage counted in root checks")


def assumption_words(season: Season) -> str:
    """Return a sentence on the number of prices set in the workspace and the number of assumed ones."""
    prices = len(fields(Prices))
    if not season.assumed:
        return say("All {n} prices are set in season.toml.", n=prices)
    if len(season.assumed) == prices:
        return say(
            "Amounts of money are based on assumptions: none of the {n} prices is set in season.toml yet.", n=prices
        )
    own = prices - len(season.assumed)
    return say("{own} of {n} prices are set in season.toml; the rest are assumptions.", own=own, n=prices)


def _units(season: Season) -> DisplayUnits:
    return DisplayUnits(season.units, season.currency, season.time_zone)


def _origin(name: str, season: Season) -> str:
    """Return the origin of a price; a default that is not the value used was replaced by counts."""
    if name not in season.assumed:
        return SET
    return ASSUMED if getattr(season.prices, name) == _PRICES[name].default else COUNTED


def price_value(name: str, season: Season) -> Cell:
    """Return the value of a price in the displayed unit, without decimals if it is a whole number."""
    shown, unit, value = _units(season), _PRICES[name].metadata["unit"], float(getattr(season.prices, name))
    if unit in PER_MASS:
        value *= shown.per_tonne / (shown.convert(1.0, "km") if unit == PER_MASS_AND_KM else 1.0)
    elif unit in QUANTITIES:
        value = shown.convert(value, QUANTITIES[unit])
    digits = 1 if unit in QUANTITIES else 2
    value = round(value, digits)
    return number_cell(value, 0 if value.is_integer() else digits)


def price_unit(name: str, season: Season) -> Cell:
    """Return the displayed unit of a price, with the season's currency."""
    shown, unit = _units(season), _PRICES[name].metadata["unit"]
    if unit == PER_MASS_AND_KM:
        return text_cell(f"{shown.currency}/({shown.sign('t')} {shown.sign('km')})")
    if unit in PER_MASS:
        return text_cell(shown.money_per_t)
    if unit in QUANTITIES:
        return text_cell(shown.sign(QUANTITIES[unit]))
    return text_cell(translated(unit).replace("CUR", shown.currency))


def price_table(season: Season) -> Table:
    """Return the table of name, value, unit and origin of every price."""
    return build_table(
        "prices-table",
        say("prices"),
        (
            Column(say("Price"), lambda f: text_cell(capital(translated(f.metadata["words"])))),
            Column(say("Value"), lambda f: price_value(f.name, season)),
            Column(say("Unit"), lambda f: price_unit(f.name, season), numeric=False),
            Column(say("Origin"), lambda f: text_cell(say(_origin(f.name, season))), numeric=False),
        ),
        fields(Prices),
    )


def price_section(season: Season) -> Section:
    """Return the section on the prices used."""
    return Section(
        "prices",
        say("Prices and assumptions"),
        (
            price_table(season),
            Prose(
                assumption_words(season)
                + " "
                + (say("season.toml holds them in metric units.") + " " if season.units != "metric" else "")
                + say(
                    "Driving slower costs additional machine hours; driving faster saves none here. Road distance is "
                    "1.3 times the straight-line distance to the site."
                )
            ),
            Prose(say(CAUTION), note=True),
        ),
    )
