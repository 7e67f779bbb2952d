"""Lines that `trial read` prints: both readings of each response, and the evidence for stopping early."""

from typing import Any

from reports.language.display_units import number
from reports.language.labels import capital, response_label
from reports.language.reason_text import row_reason
from reports.language.translate import say, say_n
from reports.sections.trial_results import NOT_FINISHED, stopping_sentence, traced_reason
from transforms.config.settings_catalogue import Catalogue

INDENT = "  "


def result_lines(rows: list[dict[str, Any]], planned: int, catalogue: Catalogue) -> list[str]:
    """Return the lines of a trial that was read.

    Args:
        rows: its results as rows of `trial_result`, the deciding response first.
        planned: number of pairs planned.
        catalogue: the settings known.
    """
    first, *others = rows
    lines = [*_response_lines(first, planned, catalogue), INDENT + stopping_sentence(first, catalogue)]
    lines += [line for row in others for line in _response_lines(row, planned, catalogue)]
    if first["pairs"] < planned:
        lines.append(say(NOT_FINISHED))
    if first["strayed"]:
        strayed = say_n(
            "{n} load ran closer to the other value than to its own.",
            "{n} loads ran closer to the other value than to their own.",
            first["strayed"],
        )
        lines.append(strayed)
    return lines


def _response_lines(row: dict[str, Any], planned: int, catalogue: Catalogue) -> list[str]:
    """Return the lines of one response: the reading by planned arm, and by traced settings if there is the former."""
    label, message = capital(response_label(row["response"])), row_reason(row, catalogue)
    if row["effect_pct"] is None:
        return [say("{response}: {message}.", response=label, message=message)]
    measured = say("{response}: {n} of {all} pairs are measured.", response=label, n=row["pairs"], all=planned)
    change = say(
        "B against A as planned: {effect} % ({low} to {high}, 95 %), p = {p}.",
        **_change(row, ""),
        p=number(row["p_value"], 3),
    )
    result = say("Result: {message}.", message=message)
    return [f"{measured} {change} {result}", _traced_line(row, catalogue)]


def _traced_line(row: dict[str, Any], catalogue: Catalogue) -> str:
    message = say("Traced settings: {message}.", message=traced_reason(row, catalogue))
    if row["traced_effect_pct"] is None:
        return INDENT + message
    change = say("By traced settings: {effect} % ({low} to {high}, 95 %).", **_change(row, "traced_"))
    return f"{INDENT}{change} {message}"


def _change(row: dict[str, Any], prefix: str) -> dict[str, str]:
    """Return the change of a reading and the ends of its interval as texts."""
    columns = {"effect": "effect_pct", "low": "lo95", "high": "hi95"}
    return {name: number(row[prefix + column], 1, sign=True) for name, column in columns.items()}
