"""Part of the season report on the advice of the season and what became of it, by month."""

from typing import Any

import polars as pl

from reports.language.display_units import DisplayUnits, number
from reports.language.precision import plain_money
from reports.language.translate import local_date, say
from reports.page.links import FOLLOWED_PAGE
from reports.page.model import Prose, Section
from reports.page.summary import BarRow, BarRows
from reports.page.theme import FEW
from reports.sections.followed_figures import known_moves
from reports.sections.followed_withheld import withheld_words
from reports.sections.outcome_answer import headline, lead_words
from reports.sections.outcome_data import OutcomeData


def _month(r: dict[str, Any], shown: DisplayUnits) -> BarRow:
    known, t = known_moves(r), shown.per_tonne
    is_few = r["saved_per_t"] is not None and r["shifts"] < FEW
    saving = ""
    if r["saved_per_t"] is not None:
        saving = say(
            "promised {promised}, saved {saved} {unit}",
            promised=plain_money(r["promised_per_t"] * t),
            saved=plain_money(r["saved_per_t"] * t),
            unit=shown.money_per_t,
        )
    return BarRow(
        local_date(r["starts_on"], "yMMMM"),
        None,
        say("saving of few shifts") if is_few else "",
        r["followed"] / known if known else 0.0,
        say("{made} of {n}", made=number(r["followed"], 0), n=number(known, 0)),
        saving,
        is_pale=is_few,
    )


def season_followed_section(data: OutcomeData, months: pl.DataFrame, shown: DisplayUnits) -> Section | None:
    """Return the section on the advice of the season; None if no change was in force for a shift.

    Args:
        data: outcome of the advice of the season.
        months: rows of `uptake_period` by month.
        shown: units.
    """
    if not data.has_moves:
        return None
    rows = tuple(_month(r, shown) for r in months.iter_rows(named=True))
    answer = say("{headline}. {verdict}", headline=headline(data, shown), verdict=lead_words(data, shown))
    link = (say("By week and machine"), FOLLOWED_PAGE)
    return Section(
        "followed",
        say("Advice, and what became of it"),
        (Prose(answer), BarRows(rows, first=len(rows)), Prose(withheld_words(data.verdicts), link)),
    )
