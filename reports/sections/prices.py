"""Prices and assumptions as every page states them: each with its unit and where it comes from."""

from dataclasses import fields

from reports.language.translate import mark, say, translate_stored
from reports.page.model import Column, Prose, Row, Section, Table, figure, words
from reports.sections.cautions import CAUTION
from transforms.config.workspace import Prices, Season

ASSUMED, SET = mark("assumed (the default)"), mark("set in season.toml")


def assumption_words(season: Season) -> str:
    """Return, in a sentence, how many prices are the workspace's own and what the rest are."""
    every = len(fields(Prices))
    if not season.assumed:
        return say("All {n} prices are set in season.toml.", n=every)
    if len(season.assumed) == every:
        return say("Money rests on assumptions: none of the {n} prices is set in season.toml yet.", n=every)
    own = every - len(season.assumed)
    return say("{own} of {n} prices are set in season.toml; the rest are assumptions.", own=own, n=every)


def price_table(season: Season) -> Table:
    """Return name, value, unit and origin of every price."""
    return Table(
        "prices-table",
        say("prices"),
        (
            Column(say("Price")),
            Column(say("Value")),
            Column(say("Unit"), numeric=False),
            Column(say("Where from"), numeric=False),
        ),
        tuple(
            Row(
                (
                    words(translate_stored(f.metadata["words"])),
                    figure(getattr(season.prices, f.name), 2),
                    words(translate_stored(f.metadata["unit"]).replace("CUR", season.currency)),
                    words(say(ASSUMED if f.name in season.assumed else SET)),
                )
            )
            for f in fields(Prices)
        ),
    )


def price_section(season: Season) -> Section:
    """Return the part of a page that says what money rests on."""
    return Section(
        "prices",
        say("Prices and assumptions"),
        (
            price_table(season),
            Prose(
                assumption_words(season)
                + " "
                + say(
                    "Prices are per metric tonne. Driving slower is charged its machine hours; driving faster earns "
                    "nothing here. Road distance is 1.3 times the straight line to the site."
                )
            ),
            Prose(say(CAUTION), note=True),
        ),
    )
