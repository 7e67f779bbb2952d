"""Results of trials in words: both readings of every measured response, and the evidence for stopping early."""

import math
from collections.abc import Iterator
from typing import Any

import polars as pl

from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.labels import capital, response_label, setting_label
from reports.language.part_labels import PLACE_OF, part_label, place_label
from reports.language.precision import setting_value
from reports.language.reason_text import reason_text, row_reason
from reports.language.translate import mark, say, translated
from reports.page.model import Prose
from reports.page.tables import Column, Table, build_table, number_cell, text_cell
from transforms.config.response_catalogue import RESPONSES
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.naming import safe_name
from transforms.trial.anytime import ENDED, STOP_FROM

MAX_EVIDENCE = 1000
"""Evidence is shown up to this figure: beyond it nothing depends on it."""
NOT_FINISHED = mark(
    "The trial is not complete. Until it is, act only on the evidence for stopping early; change, interval and p count "
    "at the end."
)


def evidence_text(e_value: float | None) -> str:
    """Return the evidence for stopping early as text, rounded down; a dash if there is none."""
    if e_value is None:
        return NO_VALUE
    if e_value > MAX_EVIDENCE:
        return say("over {n}", n=number(MAX_EVIDENCE, 0))
    return number(math.floor(e_value), 0) if e_value >= 10 else number(e_value, 1)


def stopping_sentence(row: dict[str, Any], catalogue: Catalogue) -> str:
    """Return the sentence on stopping early of the response that decides it."""
    return say(
        "Evidence for stopping early, on any day ({enough} is enough): {evidence}, {advice}.",
        enough=number(STOP_FROM, 0),
        evidence=evidence_text(row["e_value"]),
        advice=reason_text(row["stop_code"], None, catalogue),
    )


def traced_reason(row: dict[str, Any], catalogue: Catalogue) -> str:
    """Return why the reading by traced settings is used, or why not; empty for a trial read by an earlier version."""
    return reason_text(row["traced_reason_code"], row["traced_reason_args"], catalogue)


def _summary(row: dict[str, Any], catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return the sentences on a trial, from the row of the response that decides it."""
    if row["part_a"] is not None:
        return " ".join((_parts_sentence(row), *_result_sentences(row, catalogue)))
    label = setting_label(row["setting"], catalogue)
    if row["setting"] in catalogue:
        a, b = (setting_value(row[k], catalogue[row["setting"]], shown) for k in ("value_a", "value_b"))
        label = say("{setting}, A {a}, B {b}", setting=label, a=a, b=b)
    head = say(
        "Trial {name}, {machine}, {field}: {setting}.",
        name=row["trial_id"],
        machine=row["machine_id"],
        field=row["field_id"],
        setting=label,
    )
    return " ".join((head, *_result_sentences(row, catalogue)))


def _parts_sentence(row: dict[str, Any]) -> str:
    """Return what a trial of fitted parts compares."""
    return say(
        "Trial {name}, {machine}: {place}, A {a}, B {b}; pairs of days, {topsoil} topsoil.",
        name=row["trial_id"],
        machine=row["machine_id"],
        place=place_label(PLACE_OF[row["setting"]]),
        a=part_label(row["part_a"]),
        b=part_label(row["part_b"]),
        topsoil=translated(row["wetness_class"] or say("all")),
    )


def _result_sentences(row: dict[str, Any], catalogue: Catalogue) -> Iterator[str]:
    """Yield the sentences on the result of the deciding response."""
    yield say(
        "{response}: {message}.",
        response=capital(response_label(row["response"])),
        message=row_reason(row, catalogue),
    )
    if row["stop_code"] is not None:
        yield stopping_sentence(row, catalogue)
        if row["part_a"] is None:
            yield say("Traced settings: {message}.", message=traced_reason(row, catalogue))
        else:
            yield say("Parts by the machine list: {message}.", message=traced_reason(row, catalogue))
        if row["stop_code"] != ENDED.code:
            yield say(NOT_FINISHED)


def _table(rows: pl.DataFrame, trial_id: str, catalogue: Catalogue) -> Table:
    """Return the table of a trial, one row per response."""
    return build_table(
        f"trial-{safe_name(trial_id)}",
        say("Trial {name}", name=trial_id),
        (
            Column(say("Response"), lambda r: text_cell(capital(response_label(r["response"]))), numeric=False),
            Column(say("n pairs"), lambda r: number_cell(r["pairs"], 0)),
            Column(
                say("B against A as planned, %"),
                lambda r: number_cell(r["effect_pct"], 1, r["lo95"], r["hi95"], sign=True),
            ),
            Column(
                say("By traced settings, %"),
                lambda r: number_cell(r["traced_effect_pct"], 1, r["traced_lo95"], r["traced_hi95"], sign=True),
            ),
            Column(
                say("On any day, %"),
                lambda r: number_cell(
                    None if r["anytime_lo95"] is None else r["effect_pct"],
                    1,
                    r["anytime_lo95"],
                    r["anytime_hi95"],
                    sign=True,
                ),
            ),
            Column(say("Evidence"), lambda r: text_cell(evidence_text(r["e_value"]))),
            Column(say("Result"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
        ),
        rows.iter_rows(named=True),
    )


def trial_results(results: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> Iterator[Prose | Table]:
    """Yield the explanation of trial results, and for each trial its summary and the table of its responses.

    Args:
        results: rows of `trial_result`, at least one.
        catalogue: the settings known.
        shown: units of the page.
    """
    yield Prose(
        say(
            "Trials of this season; 95 % intervals by randomisation. As planned: each load counts for its planned "
            "value. By traced settings: the change for the whole planned difference, because a load with beets from "
            "elsewhere shows only part of it. The evidence for stopping early may be looked at on any day: {enough} is "
            "enough, and without an effect at most 1 trial in {enough} gets there. The same holds for the intervals on "
            "any day. All other figures count when all planned pairs are measured.",
            enough=number(STOP_FROM, 0),
        )
    )
    place = {name: i for i, name in enumerate(RESPONSES)}
    order = pl.col("response").replace_strict(place, default=len(place), return_dtype=pl.Int64)
    for (trial_id,), rows in results.sort("trial_id", order).group_by("trial_id", maintain_order=True):
        deciding = rows.sort(pl.col("stop_code").is_null(), maintain_order=True).row(0, named=True)
        yield Prose(_summary(deciding, catalogue, shown))
        yield _table(rows, str(trial_id), catalogue)
