"""Fourth page of the season report: actions for next season, trials, and prices to agree."""

from dataclasses import fields
from typing import Any

import polars as pl

from reports.language.basis_messages import earlier_note
from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.labels import capital, conditions_label
from reports.language.part_labels import tested_change
from reports.language.precision import about_money, money_range, plain_money, setting_value
from reports.language.reason_text import row_reason
from reports.language.translate import mark, say, say_n, translated
from reports.page.model import Fold, Prose, Section
from reports.page.summary import BarRow, BarRows
from reports.page.tables import Column, Table, build_table, number_cell, text_cell
from reports.sections.prices import assumption_words, price_unit, price_value
from reports.sections.season_worth_data import SeasonGuideData
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Prices, Season
from transforms.storage.product_basis import GUIDE

MAX_ACTIONS, MAX_TRIALS = 5, 3
MAX_TRIAL_DAYS = 10
"""Days of one machine within which a trial ends in a season: a campaign of about 100 days has about 30 with topsoil of
one class, and the weather and the fields leave the machine a third of them (common practice, no source)."""
MAX_PART_DAYS = 30
"""Days of each machine within which a trial of fitted parts ends in a season: all days of a class of topsoil count, and
the machine works as usual (common practice, no source)."""
CLASS = ("generation", "wetness_class", "soil_class")

Move = tuple[str, str, str, str]
"""Setting, direction, usual value and value of the guide, as texts."""


def _moves(rows: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> list[Move]:
    """Return the moves of one class whose values differ as displayed."""
    found = []
    for r in rows.iter_rows(named=True):
        if r["setting"] not in catalogue:
            continue
        setting = catalogue[r["setting"]]
        before, after = (setting_value(r[k], setting, shown, unit=False) for k in ("usual_value", "start_value"))
        if before != after:
            way = translated(setting.up if r["start_value"] > r["usual_value"] else setting.down)
            found.append((translated(setting.label), way, before, setting_value(r["start_value"], setting, shown)))
    return found


def _also(moves: list[Move]) -> str:
    """Return the second move of a class, and the number of further ones."""
    if not moves:
        return ""
    label, _, before, after = moves[0]
    second = say("Also {setting} {before} → {after}.", setting=label, before=before, after=after)
    rest = say_n("{n} more move.", "{n} more moves.", len(moves) - 1) if len(moves) > 1 else ""
    return f"{second} {rest}".strip()


def _action(r: dict[str, Any], moves: list[Move], largest: float, shown: DisplayUnits) -> BarRow:
    certainty = (
        mark("Very likely to help: {span} {currency}.") if r["lo95"] > 0 else mark("May not help: {span} {currency}.")
    )
    label, way, before, after = moves[0]
    worth = say(certainty, span=money_range(r["lo95"], r["hi95"]), currency=shown.currency)
    return BarRow(
        title=capital(conditions_label(r["wetness_class"], r["soil_class"])),
        href=None,
        detail=say("type {name}", name=r["generation"]),
        share=r["saved"] / largest,
        worth=about_money(r["saved"], shown),
        action=say("{setting} {way}", setting=capital(label), way=way),
        before=before,
        after=after,
        more=f"{worth} {_also(moves[1:])}".strip(),
    )


def action_rows(data: SeasonGuideData, catalogue: Catalogue, shown: DisplayUnits) -> BarRows:
    """Return the classes in which the guide would have saved most, with its moves, largest saving first."""
    moves = {key: _moves(rows, catalogue, shown) for key, rows in data.moves.group_by(*CLASS, maintain_order=True)}
    classes = data.worth.drop_nulls("generation").filter(pl.col("saved") > 0).sort("saved", descending=True)
    with_moves = [r for r in classes.iter_rows(named=True) if moves.get(tuple(r[k] for k in CLASS))][:MAX_ACTIONS]
    largest = max((r["saved"] for r in with_moves), default=1.0)
    return BarRows(
        tuple(_action(r, moves[tuple(r[k] for k in CLASS)], largest, shown) for r in with_moves), first=MAX_ACTIONS
    )


def actions_section(data: SeasonGuideData, catalogue: Catalogue, shown: DisplayUnits) -> Section:
    """Return the section with the actions of most worth."""
    title, earlier = say("Next season: what to change first"), earlier_note(GUIDE, data.status)
    rows = action_rows(data, catalogue, shown)
    if not rows.rows:
        nothing = say("No action can be recommended yet: too few loads for a guide, or no setting better than usual.")
        return Section("next", title, (*earlier, Prose(nothing)), new_page=True)
    reading = say(
        "Worth: savings on this season's tonnage with all moves of the guide in these conditions, at the prices used; "
        "ranges are 95 % intervals."
    )
    link = (say("The whole guide"), "guide.html")
    return Section("next", title, (*earlier, rows, Prose(reading, link)), new_page=True)


def first_trials(suggested: pl.DataFrame) -> pl.DataFrame:
    """Return the trials to run first: those that a season can finish, in the order suggested.

    A trial of fitted parts is shown only if its answer is worth the changes in the workshop.
    """
    is_of_setting = pl.col("part").is_null()
    limit = pl.when(is_of_setting).then(MAX_TRIAL_DAYS).otherwise(MAX_PART_DAYS)
    ends = pl.col("pairs").is_not_null() & (pl.col("machine_days") <= limit)
    return suggested.filter(ends & (is_of_setting | (pl.col("worth") > 0))).head(MAX_TRIALS)


def trial_worth(worth: float | None) -> str:
    """Return what a trial is worth knowing, to two significant digits; a trial that costs more is not worth it."""
    if worth is None:
        return NO_VALUE
    return plain_money(worth) if worth > 0 else say("less than it costs")


def trials_section(data: pl.DataFrame, season: Season, shown: DisplayUnits) -> Section:
    """Return the section with the trials to run first; `data` is `trial_wanted`."""
    catalogue, title, first = season.catalogue, say("Trials to run"), first_trials(data)
    if not data.height:
        return Section("trials", title, (Prose(say("No open question could be answered by a trial.")),))
    link = (say("All open questions"), "season-appendix.html#open")
    if not first.height:
        nothing = say("No trial of an open question would end within a season: each takes too many loads.")
        return Section("trials", title, (Prose(nothing, link),))
    table = build_table(
        "first-trials",
        say("first trials"),
        (
            Column(say("One step, or part"), lambda r: text_cell(capital(tested_change(r, catalogue, shown)))),
            Column(say("Topsoil"), lambda r: text_cell(translated(r["wetness_class"] or say("all"))), numeric=False),
            Column(say("Machine"), lambda r: text_cell(r["machine_id"]), numeric=False, wrap=True),
            Column(say("Pairs"), lambda r: number_cell(r["pairs"], 0)),
            Column(say("Machine-days"), lambda r: number_cell(r["machine_days"], 0)),
            Column(
                say("Worth knowing, {currency}", currency=shown.currency), lambda r: text_cell(trial_worth(r["worth"]))
            ),
            Column(say("Open because"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
        ),
        first.iter_rows(named=True),
        caption=say(
            "Each finds its effect with a chance of {power} in 100 and ends within a season, in at most {days} days of "
            "its machine.",
            power=number(100 * season.trial_power, 0),
            days=MAX_TRIAL_DAYS,
        ),
    )
    return Section(
        "trials",
        title,
        (table, Prose(say("Split-run trials: two values in turn, load by load."), link)),
    )


def _assumed_prices(season: Season) -> Table:
    assumed = [f for f in fields(Prices) if f.name in season.assumed]
    return build_table(
        "agree-table",
        say("assumed prices"),
        (
            Column(say("Price"), lambda f: text_cell(capital(translated(f.metadata["words"])))),
            Column(say("Assumed"), lambda f: price_value(f.name, season)),
            Column(say("Unit"), lambda f: price_unit(f.name, season), numeric=False),
        ),
        assumed,
        caption=say("Every amount of money in this report depends on these values."),
    )


def agree_section(season: Season) -> Section:
    """Return the section with the prices that are still assumptions."""
    words, n = Prose(assumption_words(season)), len(season.assumed)
    folded = (Fold(say_n("{n} value to agree", "{n} values to agree", n), (_assumed_prices(season),)),) if n else ()
    return Section("agree", say("Prices to agree"), (words, *folded))
