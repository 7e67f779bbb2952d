"""Results of trials in words: both readings of every measured response, and the evidence for stopping early."""

from typing import Any

import polars as pl

from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.labels import capital, response_label, setting_label
from reports.language.precision import setting_value
from reports.language.reason_text import reason_text, row_reason
from reports.language.translate import mark, say
from reports.page.tables import Cell, Column, Table, build_table, number_cell, text_cell
from transforms.config.response_catalogue import RESPONSES
from transforms.config.settings_catalogue import Catalogue
from transforms.trial.anytime import STOP_FROM

MOST_EVIDENCE = 1000
"""Evidence is shown up to this figure: beyond it nothing depends on it."""
NOT_FINISHED = mark(
    "The trial is not complete. Until it is, act only on the evidence for stopping early; change, interval and p count "
    "at the end."
)


def evidence_text(e_value: float | None) -> str:
    """Return the evidence for stopping early as text; a dash if there is none."""
    if e_value is None:
        return NO_VALUE
    if e_value > MOST_EVIDENCE:
        return say("over {n}", n=number(MOST_EVIDENCE, 0))
    return number(e_value, 0 if e_value >= 10 else 1)


def stopping_text(row: dict[str, Any], catalogue: Catalogue) -> str:
    """Return the evidence for stopping early and, for the response that decides it, if the trial may stop."""
    evidence = evidence_text(row["e_value"])
    if row["stop_code"] is None:
        return evidence
    return say("{evidence}: {advice}", evidence=evidence, advice=reason_text(row["stop_code"], None, catalogue))


def traced_reason(row: dict[str, Any], catalogue: Catalogue) -> str:
    """Return why the reading by traced settings is used, or why not; empty for a trial read by an earlier version."""
    return reason_text(row["traced_reason_code"], row["traced_reason_args"], catalogue)


def _compared(row: dict[str, Any], catalogue: Catalogue, shown: DisplayUnits) -> Cell:
    """Return the setting with the values of both arms."""
    label = setting_label(row["setting"], catalogue)
    if row["setting"] not in catalogue:
        return text_cell(label)
    a, b = (setting_value(row[k], catalogue[row["setting"]], shown) for k in ("value_a", "value_b"))
    return text_cell(say("{setting}: A {a}, B {b}", setting=capital(label), a=a, b=b))


def trial_results_table(results: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> Table:
    """Return the table of trials with results, one row per measured response.

    Args:
        results: rows of `trial_result`, at least one.
        catalogue: the settings known.
        shown: units of the page.
    """
    place = {name: i for i, name in enumerate(RESPONSES)}
    rows = results.sort("trial_id", pl.col("response").replace_strict(place, default=len(place), return_dtype=pl.Int64))
    return build_table(
        "trials-read",
        say("trial results"),
        (
            Column(say("Trial"), lambda r: text_cell(r["trial_id"])),
            Column(say("Setting"), lambda r: _compared(r, catalogue, shown), numeric=False, wrap=True),
            Column(say("Response"), lambda r: text_cell(capital(response_label(r["response"]))), numeric=False),
            Column(say("n pairs"), lambda r: number_cell(r["pairs"], 0)),
            Column(
                say("B against A as planned, %"),
                lambda r: number_cell(r["effect_pct"], 1, r["lo95"], r["hi95"], sign=True),
            ),
            Column(say("Result"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
            Column(
                say("B against A by traced settings, %"),
                lambda r: number_cell(r["traced_effect_pct"], 1, r["traced_lo95"], r["traced_hi95"], sign=True),
            ),
            Column(say("Traced settings"), lambda r: text_cell(traced_reason(r, catalogue)), numeric=False, wrap=True),
            Column(
                say("Evidence for stopping early"),
                lambda r: text_cell(stopping_text(r, catalogue)),
                numeric=False,
                wrap=True,
            ),
        ),
        rows.iter_rows(named=True),
        caption=say(
            "Trials of this season; 95 % intervals by randomisation. As planned: each load counts for its planned "
            "value. By traced settings: the change for the whole planned difference, because a load with beets from "
            "elsewhere shows only part of it. The evidence for stopping early may be looked at on any day: {enough} is "
            "enough, and without an effect at most 1 trial in {enough} gets there. All other figures count when all "
            "planned pairs are measured.",
            enough=number(STOP_FROM, 0),
        ),
    )
