"""Sentences and tables of the fleet page's comparisons."""

from typing import Any

import polars as pl

from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.labels import UNJUDGED, interval, standing_label
from reports.language.reason_text import row_reason
from reports.language.translate import say, say_n
from reports.page.links import loads_link
from reports.page.tables import Cell, Column, Table, build_table, number_cell, text_cell
from reports.page.theme import FEW
from transforms.config.response_catalogue import ROOT_LOSS

WIDE = 0.5
"""If intervals are typically at least this wide, effects are shown to a tenth, otherwise to a hundredth."""


def effect_digits(rows: pl.DataFrame) -> int:
    """Return the decimals of the effects of one comparison, from the usual width of their intervals."""
    width = (rows["shrunken_hi95"] - rows["shrunken_lo95"]).median()
    return 1 if isinstance(width, float) and width >= WIDE else 2


def in_shown_units(rows: pl.DataFrame, response: str, shown: DisplayUnits) -> tuple[pl.DataFrame, str]:
    """Return `benchmark` rows in displayed units, and the unit."""
    if response != ROOT_LOSS:
        return rows, say("points")
    factor = shown.convert(1.0, "t/ha")
    floats = [c for c, t in rows.schema.items() if t == pl.Float64 and c != "overdispersion"]
    return rows.with_columns(pl.col(floats) * factor), shown.sign("t/ha")


def shown_amount(r: dict[str, Any], unit: str, digits: int) -> str:
    """Return the size of a subject's own effect with its unit and 95 % interval."""
    span = interval(r["shrunken_lo95"], r["shrunken_hi95"], digits)
    return say("{value} {unit} ({span})", value=number(r["shrunken"], digits), unit=unit, span=span)


def comparison_count(rows: pl.DataFrame) -> str:
    """Return the number of subjects that clearly differ, in a few words for the line of a fold."""
    known = rows.drop_nulls("standing")
    different = known.filter(pl.col("standing") != "usual").height
    return say_n("{n} of {all} differs clearly", "{n} of {all} differ clearly", different, all=known.height)


def comparison_finding(rows: pl.DataFrame, unit: str) -> str:
    """Return a sentence on the number of subjects compared, and those that clearly differ from the middle."""
    known = rows.drop_nulls("shrunken").sort("shrunken")
    if not known.height:
        return say("no comparison: {reason}.", reason=row_reason(rows.row(0, named=True)))
    different = known.filter(pl.col("standing") != "usual")
    counted = say("{compared} of {all} compared", compared=known.height, all=rows.height)
    judged = known["standing"].count()
    if not judged:
        return say("{counted}; none is judged, because each has fewer than {few}.", counted=counted, few=FEW)
    if judged < known.height:
        counted = say("{counted}, {judged} judged (n of {few} or more)", counted=counted, judged=judged, few=FEW)
    if not different.height:
        return say("{counted}; none differs clearly from the middle.", counted=counted)
    ends, digits = [], effect_digits(rows)
    if different["standing"][-1] == "higher":
        ends.append(say("highest {name}", name=_end(different, -1, unit, digits)))
    if different["standing"][0] == "lower":
        ends.append(say("lowest {name}", name=_end(different, 0, unit, digits)))
    return say_n(
        "{counted}; {n} differs clearly from the middle: {ends}.",
        "{counted}; {n} differ clearly from the middle: {ends}.",
        different.height,
        counted=counted,
        ends=", ".join(ends),
    )


def _end(different: pl.DataFrame, at: int, unit: str, digits: int) -> str:
    r = different.row(at, named=True)
    span = interval(r["shrunken_lo95"], r["shrunken_hi95"], digits)
    return say(
        "{name}, {value} {unit} ({span})",
        name=r["subject_id"],
        value=number(r["shrunken"], digits, sign=True),
        unit=unit,
        span=span,
    )


def rank_cell(r: dict[str, Any]) -> Cell:
    """Return a cell with the rank, its interval and the number of subjects; a dash if there is no rank."""
    if r["rank"] is None:
        return Cell(NO_VALUE)
    text = say(
        "{rank} ({lo} to {hi} of {all})", rank=r["rank"], lo=r["rank_lo95"], hi=r["rank_hi95"], all=r["subjects"]
    )
    return Cell(text, r["rank"], r["rank_lo95"], r["rank_hi95"])


def _standing_words(r: dict[str, Any]) -> str:
    """Return where a subject is among all, or the reason why it is not compared."""
    return standing_label(r["standing"] or UNJUDGED) if r["observed"] is not None else row_reason(r)


def benchmark_table(name: str, title: str, rows: pl.DataFrame, unit: str, link: str | None = None) -> Table:
    """Return the table of one response and kind of subject; `link` is the mark that selects a subject's loads."""
    digits = effect_digits(rows)
    outliers = bool((rows["from_outliers"].fill_null(0.0) != 0).any())
    by_outliers = Column(
        say("By outlying loads, {unit}", unit=unit), lambda r: number_cell(r["from_outliers"], digits, sign=True)
    )
    return build_table(
        name,
        title,
        (
            Column(
                say("Name"),
                lambda r: text_cell(
                    r["subject_id"], loads_link("season-loads.html", **{link: r["subject_id"]}) if link else None
                ),
            ),
            Column(say("Observed"), lambda r: number_cell(r["observed"], digits)),
            Column(say("Expected"), lambda r: number_cell(r["expected"], digits)),
            Column(say("By settings, {unit}", unit=unit), lambda r: number_cell(r["from_settings"], digits, sign=True)),
            *((by_outliers,) if outliers else ()),
            Column(
                say("Unexplained, {unit}", unit=unit),
                lambda r: number_cell(r["unexplained"], digits, r["lo95"], r["hi95"], sign=True),
            ),
            Column(
                say("Own effect, {unit}", unit=unit),
                lambda r: number_cell(r["shrunken"], digits, r["shrunken_lo95"], r["shrunken_hi95"], sign=True),
            ),
            Column(say("Rank"), rank_cell),
            Column(say("Compared with the middle"), lambda r: text_cell(_standing_words(r)), numeric=False, wrap=True),
            Column("n", lambda r: number_cell(r["n"], 0)),
        ),
        rows.iter_rows(named=True),
        caption=say("Brackets are 95 % intervals; rank 1 is the lowest."),
        marks=lambda r: {link: r["subject_id"]} if link else {},
    )
