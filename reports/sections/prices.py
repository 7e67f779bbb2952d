"""Section on prices and assumptions, each with unit and origin."""

from dataclasses import fields

from reports.language.display_units import DisplayUnits, number
from reports.language.labels import capital
from reports.language.translate import mark, say, translated
from reports.page.model import Prose, Section
from reports.page.tables import Cell, Column, Table, build_table, number_cell, text_cell
from reports.sections.cautions import CAUTION
from transforms.advice.fixed_figures import (
    FIXED_FIGURES,
    GROWING_MANUAL,
    RESPIRATION_STUDY,
    STORAGE_STUDY,
    FixedFigure,
)
from transforms.config.workspace import ASSUMPTION, PRACTICE, Prices, Season

PER_MASS_AND_KM = "CUR/(t km)"
PER_MASS = {"CUR/t", PER_MASS_AND_KM}
QUANTITIES = {"km": "km", "°C": "degC"}
"""Unit of a price or assumption -> stored unit that pages convert; the other units are the same in every system."""
_PRICES = {f.name: f for f in fields(Prices)}
SET = mark("set in season.toml")
COUNTED = mark("assumed, with the severe damage counted in root checks")
ORIGINS = {
    ASSUMPTION: mark("assumption"),
    PRACTICE: mark("common practice, no source"),
    GROWING_MANUAL: mark("public growing manual of the Dutch beet research institute, chapter 8.3"),
    STORAGE_STUDY: mark("published study: Long Term Storage of Sugar Beets and the Role of Temperature (2020)"),
    RESPIRATION_STUDY: mark("published study of the respiration of damaged roots (University of Guelph)"),
}
"""Origin of a default or a fixed figure -> label."""
SEVERE_BREAK_CM = 6.0
FIGURES = {
    "over_topped_loss": mark("mass that a root topped too deep loses"),
    "pile_loss": mark("sugar lost by healthy roots in {days} days at {temp}, of their mass"),
    "severe_damage_times": mark("loss of a severely damaged root in the pile, times that of a healthy one"),
    "usual_breakage": mark("yield broken off that the published losses in piles contain"),
    "break_at_6_cm": mark("mass lost by a root broken where it is {size} thick, which counts as severely damaged"),
    "field_efficiency": mark("share of the field time in which a harvester lifts"),
}
"""Fixed figure -> label."""


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


def price_origin(name: str, season: Season) -> str:
    """Return the origin of a price: the workspace, counts in place of its default, or that of the default."""
    if name not in season.assumed:
        return say(SET)
    if getattr(season.prices, name) != _PRICES[name].default:
        return say(COUNTED)
    code = _PRICES[name].metadata["origin"]
    return say("{origin} (the default)", origin=say(ORIGINS[code]))


def figure_table(season: Season) -> Table:
    """Return the table of the figures that no workspace sets, with their origin."""
    shown = _units(season)

    def name(f: FixedFigure) -> str:
        temp = "" if f.at_c is None else shown.quantity(f.at_c, "degC", digits=1)
        return capital(
            say(FIGURES[f.code], temp=temp, days=number(f.days, 0), size=shown.quantity(SEVERE_BREAK_CM, "cm"))
        )

    return build_table(
        "figures-table",
        say("fixed figures"),
        (
            Column(say("Figure"), lambda f: text_cell(name(f)), wrap=True),
            Column(say("Value"), lambda f: number_cell(f.value, 0 if f.value.is_integer() else 1)),
            Column(say("Unit"), lambda f: text_cell(f.unit), numeric=False),
            Column(say("Origin"), lambda f: text_cell(say(ORIGINS[f.origin])), numeric=False, wrap=True),
        ),
        FIXED_FIGURES,
        caption=say("Figures of the cost that are the same in every workspace."),
    )


def price_table(season: Season) -> Table:
    """Return the table of name, value, unit and origin of every price."""
    return build_table(
        "prices-table",
        say("prices"),
        (
            Column(say("Price"), lambda f: text_cell(capital(translated(f.metadata["words"])))),
            Column(say("Value"), lambda f: price_value(f.name, season)),
            Column(say("Unit"), lambda f: price_unit(f.name, season), numeric=False),
            Column(say("Origin"), lambda f: text_cell(price_origin(f.name, season)), numeric=False),
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
            figure_table(season),
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
