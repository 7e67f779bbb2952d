"""Section on prices and assumptions, each with unit and origin."""

from dataclasses import fields

from reports.language.translate import mark, say, translated
from reports.page.model import Prose, Section
from reports.page.tables import Cell, Column, Table, build_table, number_cell, text_cell
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Prices, Season

ASSUMED, SET = mark("assumed (the default)"), mark("set in season.toml")


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


def _price_cell(value: float) -> Cell:
    """Return a price with the decimals it was given with, two at most."""
    return number_cell(value, 0 if float(value).is_integer() else 2)


def price_table(season: Season) -> Table:
    """Return the table of name, value, unit and origin of every price."""
    return build_table(
        "prices-table",
        say("prices"),
        (
            Column(say("Price"), lambda f: text_cell(translated(f.metadata["words"]))),
            Column(say("Value"), lambda f: _price_cell(getattr(season.prices, f.name))),
            Column(
                say("Unit"),
                lambda f: text_cell(translated(f.metadata["unit"]).replace("CUR", season.currency)),
                numeric=False,
            ),
            Column(
                say("Origin"), lambda f: text_cell(say(ASSUMED if f.name in season.assumed else SET)), numeric=False
            ),
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
                + say(
                    "Prices are per metric tonne. Driving slower costs additional machine hours; driving faster saves "
                    "none here. Road distance is 1.3 times the straight-line distance to the site."
                )
            ),
            Prose(say(CAUTION), note=True),
        ),
    )
