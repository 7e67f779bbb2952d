"""Output of `benchmark --for ID`: a subject's own figures and the reference values permitted by disclosure control."""

from typing import Any

import polars as pl

from reports.language.place_messages import MARKS, THIRDS
from reports.language.reason_text import format_reason
from reports.language.translate import say
from transforms.benchmark.own_view import OwnView
from transforms.contracts.reason import REASON_COLUMNS, Reason


def own_outcome(view: OwnView, kind: str, response: str) -> dict[str, Any]:
    """Return a subject's view as the JSON result."""
    row = {
        "subject_kind": kind,
        "subject_id": view.subject_id,
        "response": response,
        "n": view.n,
        **view.figures,
        "third": view.third,
        **_reason_columns(view.reason),
    }
    band = {"marks": view.band.marks, "step": view.band.step, **_reason_columns(view.band.reason)}
    return {"rows": [row], "band": band}


def _reason_columns(why: Reason | None) -> dict[str, str | None]:
    """Return a reason's code, arguments and sentence; null without a reason."""
    if why is None:
        return {**dict.fromkeys(REASON_COLUMNS), "reason": None}
    return {**why.columns, "reason": format_reason(why)}


def own_table(view: OwnView) -> pl.DataFrame:
    """Return a terminal table of a subject's figures and the reference values, one row each."""
    f = view.figures
    own = (view.subject_id, f["observed"], f["expected"], f["from_settings"], _format_interval(view), view.n)
    rows: list[tuple[Any, ...]] = [own]
    rows += [(say(MARKS[name]), None, None, None, f"{mark:g}", None) for name, mark in view.band.marks.items()]
    schema = {
        "who": pl.String,
        "observed": pl.Float64,
        "expected": pl.Float64,
        "from_settings": pl.Float64,
        "own": pl.String,
        "n": pl.Int64,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def _format_interval(view: OwnView) -> str:
    if not view.is_compared:
        return ""
    value, low, high = (view.figures[c] for c in ("shrunken", "shrunken_lo95", "shrunken_hi95"))
    return f"{value:g} ({low:g} to {high:g})"


def own_lines(view: OwnView) -> list[str]:
    """Return the sentences below the table."""
    lines = []
    if view.reason is not None:
        lines.append(f"Not compared with others: {format_reason(view.reason)}.")
    elif view.band.reason is not None:
        lines.append(f"Values of others are not shown: {format_reason(view.band.reason)}.")
    if view.third is not None:
        lines.append(f"Place among all: {say(THIRDS[view.third])}.")
    if view.band.step is not None:
        lines.append(f"Reference values are means of several subjects, rounded to {view.band.step:g}.")
    return lines
