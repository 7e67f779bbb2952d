"""Figures on advised changes by week or by machine: what was done with them, and what they saved."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import polars as pl

from reports.charts.saving_strip import saving_strip
from reports.charts.uptake_bars import uptake_bars
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import capital
from reports.language.translate import say, say_n
from reports.language.uptake_words import UPTAKE, uptake_word
from reports.page.model import Figure
from reports.page.tables import Cell, Column, build_table, few_cell, number_cell, text_cell
from reports.page.theme import FEW

COUNTS = {"followed": "followed", "partly": "partly", "not": "not_made", "opposite": "opposite", "unknown": "unknown"}
"""Code of an uptake -> its column in the queries."""


@dataclass(frozen=True)
class Grouping:
    """Grouping of advised changes, by week or by machine.

    Attributes:
        id: start of the anchors.
        head: header of the first column.
        label: function from a row to its name in tables and charts.
        subject: function from a row to its name in a sentence.
        name: short description, also of the sheets of the workbook.
        kept: sentence on the number of groups (`kept` of `n`) that saved what they promised; empty without savings.
        is_ranked: True if a sentence may name the groups with the largest and the smallest share.
    """

    id: str
    head: str
    label: Callable[[dict[str, Any]], str]
    subject: Callable[[dict[str, Any]], str]
    name: str
    kept: str = ""
    is_ranked: bool = True


def known_moves(r: dict[str, Any]) -> int:
    """Return the moves of a row whose uptake is known."""
    return int(r["moves"] - r["unknown"])


def ends_finding(rows: pl.DataFrame, by: Grouping) -> str:
    """Return a sentence on the groups that made the largest and the smallest share of their changes.

    Only groups with at least `FEW` changes of known uptake are ranked.
    """
    known = rows.with_columns((pl.col("moves") - pl.col("unknown")).alias("known"))
    ranked = known.filter(pl.col("known") >= FEW).sort(
        pl.col("followed") / pl.col("known"), "known", descending=[True, True], maintain_order=True
    )
    if ranked.height < 2 or not by.is_ranked:
        total = known.select("followed", "known").sum().row(0, named=True)
        made = number(total["followed"], 0)
        return say_n("{made} of {n} change made.", "{made} of {n} changes made.", total["known"], made=made)
    best, worst = ranked.row(0, named=True), ranked.row(-1, named=True)
    return say(
        "Most made: {best}, {made} of {n} changes; fewest: {worst}, {few} of {all}.",
        best=by.subject(best),
        made=number(best["followed"], 0),
        n=number(best["known"], 0),
        worst=by.subject(worst),
        few=number(worst["followed"], 0),
        all=number(worst["known"], 0),
    )


def uptake_figure(rows: pl.DataFrame, by: Grouping) -> Figure:
    """Return the figure of what was done with the advised changes of each group."""
    labels = [by.label(r) for r in rows.iter_rows(named=True)]
    counts = rows.select(
        pl.Series("label", labels, dtype=pl.String), *(pl.col(column).alias(code) for code, column in COUNTS.items())
    )
    columns = [Column(capital(uptake_word(code)), _count(COUNTS[code])) for code in UPTAKE]
    table = build_table(
        f"{by.id}-uptake-table",
        by.name,
        (
            Column(by.head, lambda r: text_cell(by.label(r))),
            Column(say("Changes advised"), lambda r: number_cell(r["moves"], 0)),
            *columns,
        ),
        rows.iter_rows(named=True),
        caption=say(
            "Number of advised changes. Made: three quarters of the change or more, on average over the shift."
        ),
    )
    chart = uptake_bars(counts, say("Advised changes by what the machines did with them"))
    return Figure(f"{by.id}-uptake", ends_finding(rows, by), "", chart, say("Changes made and not made"), table)


def _count(column: str) -> Callable[[Any], Cell]:
    return lambda r: number_cell(r[column], 0)


def savings_finding(savings: pl.DataFrame, by: Grouping, missing: str) -> str:
    """Return a sentence on the number of groups whose changes saved what they promised; `missing` if none is known.

    Only groups with at least `FEW` shifts are counted.
    """
    known = savings.drop_nulls("saved_per_t")
    if not known.height:
        return missing
    known = known.filter(pl.col("shifts") >= FEW)
    if not known.height:
        return say("None has {few} shifts with changes made, so none is judged.", few=FEW)
    kept = known.filter(pl.col("saved_per_t") >= pl.col("promised_per_t")).height
    return say(by.kept, kept=number(kept, 0), n=number(known.height, 0))


def savings_figure(rows: pl.DataFrame, by: Grouping, missing: str, shown: DisplayUnits) -> Figure:
    """Return the figure of the saving of each group, promised and realised.

    Args:
        rows: rows of `uptake_period` or `uptake_machine`.
        by: the grouping.
        missing: sentence shown if no saving is known.
        shown: units.
    """
    known, t, half = rows.drop_nulls("saved_per_t"), shown.per_tonne, pl.col("saved_half")
    drawn = known.select(
        pl.Series("label", [by.label(r) for r in known.iter_rows(named=True)], dtype=pl.String),
        (pl.col("promised_per_t") * t).alias("promised"),
        (pl.col("saved_per_t") * t).alias("saved"),
        ((pl.col("saved_per_t") - half) * t).alias("lo"),
        ((pl.col("saved_per_t") + half) * t).alias("hi"),
        "shifts",
    )
    unit = shown.money_per_t
    table = build_table(
        f"{by.id}-savings-table",
        say("{name}: savings", name=by.name),
        (
            Column(by.head, lambda r: text_cell(by.label(r))),
            Column(say("Shifts with changes made"), lambda r: number_cell(r["shifts"], 0)),
            Column(say("Promised, {unit}", unit=unit), lambda r: number_cell(r["promised_per_t"] * t, 2)),
            Column(say("Saved, {unit}", unit=unit), lambda r: _saved(r, t)),
        ),
        known.iter_rows(named=True),
        caption=say(
            "Soil alone, in shifts that made their changes, compared with like shifts that did not. Brackets are 95 % "
            "intervals; the mean of all rows, weighted with clean beet, is the figure of the season."
        ),
    )
    reading = say("Dots: saved, with 95 % interval. Ticks: promised.") if known.height else ""
    if (known["shifts"] < FEW).any():
        reading += " " + say("Pale: fewer than {n} shifts.", n=FEW)
    chart = saving_strip(drawn, unit, say("Saving on soil, promised and realised")) if known.height else None
    finding, alt = savings_finding(rows, by, missing), say("Saving on soil, promised and realised")
    return Figure(f"{by.id}-savings", finding, reading, chart, alt, table if known.height else None)


def _saved(r: dict[str, Any], factor: float) -> Cell:
    """Return the saving of a row with its interval; pale if few shifts are behind it."""
    value, half = r["saved_per_t"] * factor, None if r["saved_half"] is None else r["saved_half"] * factor
    lo, hi = (None, None) if half is None else (value - half, value + half)
    return few_cell(number_cell(value, 2, lo, hi), r["shifts"], FEW, say("few shifts"))
