"""Output of `benchmark --for ID`: a subject's own figures and the reference values permitted by disclosure control."""

from typing import Any

from flows.cli.benchmark_table import response_columns, response_digits, response_unit
from flows.cli.columns import plain
from flows.cli.console_table import ConsoleTable
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import COUNTED, capital
from reports.language.place_messages import MARKS, THIRDS
from reports.language.reason_text import format_reason
from reports.language.translate import say, translated
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


def own_table(view: OwnView, title: str, kind: str, response: str, shown: DisplayUnits) -> ConsoleTable:
    """Return a console table of a subject's figures and the reference values, one row each."""
    own = {"name": view.subject_id, "n": view.n, **view.figures}
    unknown = dict.fromkeys(own)
    marks = [{**unknown, "name": say(MARKS[name]), "shrunken": mark} for name, mark in view.band.marks.items()]
    return ConsoleTable(
        title,
        (
            plain(capital(translated(kind)), "name"),
            *response_columns(response, shown),
            plain(capital(say(COUNTED[response])), "n"),
        ),
        [own, *marks],
    )


def own_lines(view: OwnView, response: str, shown: DisplayUnits) -> list[str]:
    """Return the sentences below the table."""
    lines = []
    if view.reason is not None:
        lines.append(say("Not compared with others: {reason}.", reason=format_reason(view.reason)))
    elif view.band.reason is not None:
        lines.append(say("Values of others are not shown: {reason}.", reason=format_reason(view.band.reason)))
    if view.third is not None:
        lines.append(say("Place among all: {place}.", place=say(THIRDS[view.third])))
    if view.band.step is not None:
        factor, _ = shown.straight(response_unit(response))
        step = number(view.band.step * factor, response_digits(response, shown))
        rounded = f"{step} {shown.sign(response_unit(response))}"
        lines.append(say("Reference values are means of several subjects, rounded to {step}.", step=rounded))
    return lines
