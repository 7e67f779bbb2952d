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
        strayed = (
            _strayed_days(first["strayed"])
            if first["part_a"] is not None
            else say_n(
                "{n} load ran closer to the other value than to its own.",
                "{n} loads ran closer to the other value than to their own.",
                first["strayed"],
            )
        )
        lines.append(strayed)
    return lines


def _strayed_days(n: int) -> str:
    return say_n(
        "{n} day had the other part by the machine list.", "{n} days had the other part by the machine list.", n
    )


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
    return [f"{measured} {change} {result}", _anytime_line(row), _traced_line(row, catalogue)]


def _traced_line(row: dict[str, Any], catalogue: Catalogue) -> str:
    """Return the reading by traced settings, or by the parts that the machine list names."""
    why = traced_reason(row, catalogue)
    if row["part_a"] is None:
        message = say("Traced settings: {message}.", message=why)
    else:
        message = say("Parts by the machine list: {message}.", message=why)
    if row["traced_effect_pct"] is None:
        return INDENT + message
    change = say("By traced settings: {effect} % ({low} to {high}, 95 %).", **_change(row, "traced_"))
    return f"{INDENT}{change} {message}"


def _anytime_line(row: dict[str, Any]) -> str:
    """Return the interval that may be looked at on any day."""
    ends = {"low": row["anytime_lo95"], "high": row["anytime_hi95"]}
    if None in ends.values():
        return INDENT + say("Interval on any day: too few pairs yet.")
    shown = {name: number(value, 1, sign=True) for name, value in ends.items()}
    return INDENT + say("Interval on any day: {low} to {high} % (95 %).", **shown)


def _change(row: dict[str, Any], prefix: str) -> dict[str, str]:
    """Return the change of a reading and the ends of its interval as texts."""
    columns = {"effect": "effect_pct", "low": "lo95", "high": "hi95"}
    return {name: number(row[prefix + column], 1, sign=True) for name, column in columns.items()}
