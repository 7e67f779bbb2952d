"""Pairs of settings whose effects depend on each other: those found for a response, and all that were tested."""

from typing import Any

import polars as pl

from reports.language.display_units import DisplayUnits, number
from reports.language.labels import RESPONSES, counted_label, describe_step, interval, setting_label
from reports.language.reason_text import row_reason
from reports.language.translate import say, say_n
from reports.page.model import Fold, Prose
from reports.page.tables import Column, Table, build_table, number_cell, text_cell
from transforms.config.settings_catalogue import Catalogue

FOUND = "interaction"
"""Reason code of a pair whose effects depend on each other."""


def found_pairs(pairs: pl.DataFrame, response: str) -> pl.DataFrame:
    """Return the pairs whose effects on a response depend on each other, largest change first.

    Args:
        pairs: rows of `setting_pair`.
        response: the response.
    """
    own = pairs.filter((pl.col("response") == response) & (pl.col("reason_code") == FOUND))
    return own.sort(-pl.col("change_pct").abs(), "setting", "other_setting")


def _found_words(r: dict[str, Any], catalogue: Catalogue, shown: DisplayUnits) -> str:
    return say(
        "{first} and {second} together change {response} by {change} % ({span}) beyond the sum of their single effects "
        "(g; n = {n} {rows}).",
        first=describe_step(r["setting"], catalogue, shown),
        second=describe_step(r["other_setting"], catalogue, shown),
        response=say(RESPONSES[r["response"]]),
        change=number(r["change_pct"], 1, sign=True),
        span=interval(r["lo95"], r["hi95"], 1),
        n=number(r["n"], 0),
        rows=counted_label(r["response"]),
    )


def _table(tested: pl.DataFrame, key: str, response: str, catalogue: Catalogue) -> Table:
    return build_table(
        f"pairs-{key}",
        say("pairs of settings and {response}", response=say(RESPONSES[response])),
        (
            Column(say("Setting"), lambda r: text_cell(setting_label(r["setting"], catalogue))),
            Column(
                say("Other setting"), lambda r: text_cell(setting_label(r["other_setting"], catalogue)), numeric=False
            ),
            Column(
                say("Change by both (g), %"), lambda r: number_cell(r["change_pct"], 2, r["lo95"], r["hi95"], sign=True)
            ),
            Column("q", lambda r: number_cell(r["q_value"], 3)),
            Column("n", lambda r: number_cell(r["n"], 0)),
            Column(say("Note"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
        ),
        tested.iter_rows(named=True),
        caption=say(
            "g: change by one step up of both settings beyond the sum of their single effects; 95 % intervals. The "
            "effects of a pair depend on each other if q, the expected share of false findings, is below 0.05; advice "
            "counts a pair only below 0.005."
        ),
    )


def pairs_blocks(
    pairs: pl.DataFrame, response: str, key: str, catalogue: Catalogue, shown: DisplayUnits
) -> list[Prose | Fold]:
    """Return sentences on the pairs found and a folded table of all that were considered; empty if there are none.

    Args:
        pairs: rows of `setting_pair`, of all responses.
        response: the response.
        key: part of the id of the table.
        catalogue: the settings known.
        shown: units of the page.
    """
    names = list(catalogue)
    own = pairs.filter(
        (pl.col("response") == response) & pl.col("setting").is_in(names) & pl.col("other_setting").is_in(names)
    )
    if not own.height:
        return []
    found, tested = found_pairs(own, response), own.drop_nulls("q_value").height
    summary = say_n(
        "Settings whose effects depend on each other: {found} of {n} pair tested",
        "Settings whose effects depend on each other: {found} of {n} pairs tested",
        tested,
        found=found.height,
    )
    lines = [Prose(_found_words(r, catalogue, shown)) for r in found.iter_rows(named=True)]
    return [*lines, Fold(summary, (_table(own, key, response, catalogue),))]
