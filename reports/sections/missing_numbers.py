"""Cost of missing data: loads that the fit could use if every ticket named its machine, or its truck."""

from typing import Any

import polars as pl

from reports.language.display_units import number
from reports.language.translate import mark, say
from reports.page.model import Prose, Section
from reports.page.tables import Column, build_table, number_cell, text_cell
from transforms.model.specification import MIN_TRACE_QUALITY

SOURCES = {"machine_id": mark("machine"), "truck_id": mark("truck")}
"""Source -> what the number on a ticket names."""
ANSWERS = {
    "machine_id": mark(
        "With a machine number on each ticket, {then} % instead of {now} % of the loads could be used, with a trace "
        "quality of {quality_then} instead of {quality_now}."
    ),
    "truck_id": mark(
        "With a truck number on each ticket, if trucks mostly keep to one machine, {then} % instead of {now} % of the "
        "loads could be used, with a trace quality of {quality_then} instead of {quality_now}."
    ),
}
MIN_GAIN_PCT, MIN_GAIN_QUALITY = 1.0, 0.02
"""A smaller gain is not worth a sentence (common practice, no source)."""


def _is_gain(row: dict[str, Any]) -> bool:
    gained = row["season_with_pct"] - row["season_now_pct"]
    return bool(gained >= MIN_GAIN_PCT or row["quality_with"] - row["quality_now"] >= MIN_GAIN_QUALITY)


def _source(row: dict[str, Any]) -> str:
    source = SOURCES[row["source_code"]]
    return say(source)


def _answer(row: dict[str, Any]) -> str:
    answer = ANSWERS[row["source_code"]]
    return say(
        answer,
        then=number(row["season_with_pct"], 0),
        now=number(row["season_now_pct"], 0),
        quality_then=number(row["quality_with"], 2),
        quality_now=number(row["quality_now"], 2),
    )


def missing_data_section(rows: pl.DataFrame) -> Section | None:
    """Return the section of the season report; None if nothing that tickets lack would be worth much.

    Args:
        rows: rows of `missing_data`.
    """
    answers = [_answer(r) for r in rows.iter_rows(named=True) if _is_gain(r)]
    if not answers:
        return None
    more = (say("Loads traced again for this"), "season-appendix.html#missing-data")
    return Section("missing", say("What missing data costs"), (Prose(" ".join(answers), more),))


def missing_data_table(rows: pl.DataFrame) -> Section | None:
    """Return the section of the appendix; None if tickets lack nothing that tracing could use.

    Args:
        rows: rows of `missing_data`.
    """
    if not rows.height:
        return None
    answers = [_answer(r) for r in rows.iter_rows(named=True) if _is_gain(r)]
    nothing = say("Numbers of machines or trucks on tickets would make hardly any more loads usable.")
    table = build_table(
        "missing-table",
        say("loads with numbers on their tickets"),
        (
            Column(say("Number on each ticket"), lambda r: text_cell(_source(r))),
            Column(say("Loads without it"), lambda r: number_cell(r["lacking_loads"], 0)),
            Column(say("Of all loads"), lambda r: number_cell(r["season_loads"], 0)),
            Column(say("Used of all now, %"), lambda r: number_cell(r["season_now_pct"], 0)),
            Column(say("Used of all with it, %"), lambda r: number_cell(r["season_with_pct"], 0)),
            Column(say("Loads traced again"), lambda r: number_cell(r["n"], 0)),
            Column(say("Fields of these"), lambda r: number_cell(r["fields"], 0)),
            Column(say("Used of these now, %"), lambda r: number_cell(r["used_now_pct"], 0)),
            Column(say("Used of these with it, %"), lambda r: number_cell(r["used_with_pct"], 0)),
            Column(say("Trace quality now, 0 to 1"), lambda r: number_cell(r["quality_now"], 2)),
            Column(say("Trace quality with it, 0 to 1"), lambda r: number_cell(r["quality_with"], 2)),
        ),
        rows.iter_rows(named=True),
        caption=say(
            "Fields in which several machines worked on a day are traced again as if each ticket had the number, and "
            "as if the machines that the loads were traced to were the true ones. The fits use loads with a trace "
            "quality of at least {quality}.",
            quality=number(MIN_TRACE_QUALITY, 1),
        ),
    )
    return Section("missing-data", say("What missing data costs"), (Prose(" ".join(answers) or nothing), table))
