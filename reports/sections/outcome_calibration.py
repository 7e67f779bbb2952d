"""Texts and table on promises compared with savings: changes that were not made, calibration, and each setting."""

from typing import Any

import polars as pl

from reports.language.display_units import DisplayUnits, number
from reports.language.labels import setting_label
from reports.language.precision import money_range, plain_money
from reports.language.translate import say, say_n
from reports.page.tables import Column, Table, build_table, number_cell, text_cell
from reports.sections.outcome_answer import saved_numbers
from reports.sections.outcome_data import OutcomeData
from transforms.config.settings_catalogue import Catalogue

SLOPE_DIGITS = 2


def not_made_words(data: OutcomeData, shown: DisplayUnits) -> str:
    """Return what changes that were not made would have saved; empty if it is not known."""
    rows = data.saving.filter(pl.col("group_code") == "not_made", pl.col("verdict_code") != "too_few")
    if not rows.height:
        return ""
    row = rows.row(0, named=True)
    return say_n(
        "The changes that {n} shift left undone would have saved {saved} ({span}) {unit}.",
        "The changes that {n} shifts left undone would have saved {saved} ({span}) {unit}.",
        row["shifts"],
        **saved_numbers(row, shown),
    )


def _part(data: OutcomeData, part: str) -> dict[str, Any] | None:
    rows = data.calibration.filter(pl.col("part") == part)
    return rows.row(0, named=True) if rows.height else None


def calibration_words(data: OutcomeData, shown: DisplayUnits) -> str:
    """Return what was saved per unit promised, and the difference without changes; empty if it is not known."""
    slope, base = _part(data, "slope"), _part(data, "intercept")
    if slope is None or base is None:
        return ""
    low, high, t = base["lo95"], base["hi95"], shown.per_tonne
    values = {
        "currency": shown.currency,
        "slope": number(slope["value"], SLOPE_DIGITS),
        "slope_span": say(
            "{lo} to {hi}", lo=number(slope["lo95"], SLOPE_DIGITS), hi=number(slope["hi95"], SLOPE_DIGITS)
        ),
        "amount": plain_money(abs(base["value"]) * t),
        "unit": shown.money_per_t,
    }
    if base["value"] >= 0:
        return say(
            "Per {currency} promised, {slope} ({slope_span}) was saved. Without changes, the soil cost {amount} "
            "({span}) {unit} less than predicted.",
            span=money_range(low * t, high * t),
            **values,
        )
    return say(
        "Per {currency} promised, {slope} ({slope_span}) was saved. Without changes, the soil cost {amount} ({span}) "
        "{unit} more than predicted.",
        span=money_range(-high * t, -low * t),
        **values,
    )


def setting_slopes_table(data: OutcomeData, catalogue: Catalogue, shown: DisplayUnits) -> Table | None:
    """Return what was saved per unit promised by changes of each setting; None if no setting has been compared."""
    rows = data.calibration.filter(pl.col("part") == "setting_slope").sort("value", "setting", descending=[True, False])
    if not rows.height:
        return None
    return build_table(
        "setting-slopes",
        say("saved per {currency} promised", currency=shown.currency),
        (
            Column(say("Setting"), lambda r: text_cell(setting_label(r["setting"], catalogue)), False, wrap=True),
            Column(
                say("Saved per {currency} promised", currency=shown.currency),
                lambda r: number_cell(r["value"], SLOPE_DIGITS, r["lo95"], r["hi95"]),
            ),
            Column(say("n shifts"), lambda r: number_cell(r["n"], 0)),
        ),
        rows.iter_rows(named=True),
        caption=say("1: the changes of a setting saved what they promised; below 0: they did the reverse."),
    )
