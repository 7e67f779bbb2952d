"""Summary of the fits in about a dozen lines each; every number comes from a query (`reports/fit_summary_data.py`)."""

from typing import Any

from reports.language.display_units import DisplayUnits, number
from reports.language.labels import (
    KINDS,
    capital,
    check_label,
    describe_step,
    interval,
    response_label,
    setting_label,
)
from reports.language.translate import Counted, mark_n, say, say_n, say_text, translated
from transforms.config.response_catalogue import DIRT, RESPONSES, ROOT_LOSS, TOPS
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Season

EXPECTED = (DIRT, ROOT_LOSS, TOPS)
"""Responses that are reported even if they are not fitted."""
ROWS = {
    "load_fact": mark_n("{n} load", "{n} loads"),
    "audit_fact": mark_n("{n} audit", "{n} audits"),
    "root_check_fact": mark_n("{n} quality check", "{n} quality checks"),
}
UNTRIED = {
    "effect_few_loads": mark_n("{n} with too few loads", "{n} with too few loads"),
    "effect_hardly_moved": mark_n(
        "{n} with hardly any change within visits", "{n} with hardly any change within visits"
    ),
    "effect_one_machine": mark_n("{n} with one machine only", "{n} with one machine only"),
}
"""Code of a reason why an effect has no estimate -> phrase with the number of combinations."""
MAX_EFFECTS = 6
INDENT, FURTHER = "  ", "    "


def _of(rows: list[dict[str, Any]], response: str) -> list[dict[str, Any]]:
    return [r for r in rows if r["response"] == response]


def _sources(rows: list[dict[str, Any]]) -> str:
    if not rows:
        return INDENT + say("The sources of its variation cannot be estimated yet: too few loads.")
    shares = [
        say("{source} {share} %", source=_kind(r["kind"]), share=number(100 * r["share"], 0))
        for r in rows
        if abs(r["share"]) >= 0.005
    ]
    return INDENT + say("Sources of its variation: {shares}.", shares=", ".join(shares))


def _kind(kind: str) -> str:
    return say(KINDS[kind]) if kind in KINDS else kind


def _effects(rows: list[dict[str, Any]], catalogue: Catalogue, shown: DisplayUnits) -> list[str]:
    if not rows:
        return [INDENT + say("No setting has a certain effect yet.")]
    lines = [INDENT + say("Effect of one step on the same machine, day and field (95 % interval):")]
    lines += [FURTHER + _driver(r, ROWS[RESPONSES[r["response"]].facts], catalogue, shown) for r in rows[:MAX_EFFECTS]]
    if len(rows) > MAX_EFFECTS:
        more = say_n("and {n} smaller certain effect", "and {n} smaller certain effects", len(rows) - MAX_EFFECTS)
        lines.append(FURTHER + more)
    return lines


def _driver(r: dict[str, Any], counted: Counted, catalogue: Catalogue, shown: DisplayUnits) -> str:
    text = say(
        "{step}: {change} % ({interval}), {rows}",
        step=describe_step(r["setting"], catalogue, shown),
        change=number(r["change_pct"], 1, sign=True),
        interval=interval(r["lo95"], r["hi95"], 1),
        rows=say_text(counted, n=r["n"]),
    )
    return say("{effect}; confounded between visits", effect=text) if r["reason_code"] == "effect_confounded" else text


def _changing(rows: list[dict[str, Any]], catalogue: Catalogue) -> list[str]:
    changes = [
        say(
            "{setting} {low} % on {low_class} topsoil, {high} % on {high_class} topsoil",
            setting=setting_label(r["setting"], catalogue),
            low=number(r["low_pct"], 1, sign=True),
            low_class=translated(r["low_class"]),
            high=number(r["high_pct"], 1, sign=True),
            high_class=translated(r["high_class"]),
        )
        for r in rows[:3]
    ]
    return [INDENT + say("Effects that change with wetness: {changes}.", changes="; ".join(changes))] if changes else []


def _by_root_mass(rows: list[dict[str, Any]], catalogue: Catalogue) -> list[str]:
    """Return the effects that change with the field's mean root mass, for roots heavier by a standard deviation."""
    changes = [
        say(
            "{setting} by {points} percentage points ({interval})",
            setting=setting_label(r["setting"], catalogue),
            points=number(r["shift_pct"], 1, sign=True),
            interval=interval(r["lo95"], r["hi95"], 1),
        )
        for r in rows[:3]
    ]
    if not changes:
        return []
    return [
        INDENT
        + say(
            "Effects of a step that change where roots are heavier by a standard deviation: {changes}.",
            changes="; ".join(changes),
        )
    ]


def _silence(rows: list[dict[str, Any]]) -> list[str]:
    if not rows:
        return []
    reasons = ", ".join(say_text(UNTRIED[r["reason_code"]], n=r["cells"]) for r in rows)
    text = say_n(
        "No estimate for {n} combination of setting and wetness: {reasons}.",
        "No estimate for {n} combinations of setting and wetness: {reasons}.",
        sum(r["cells"] for r in rows),
        reasons=reasons,
    )
    return [INDENT + text]


def _verdict(verdict: dict[str, Any], failed: list[dict[str, Any]]) -> list[str]:
    lines = [INDENT + say("Checks: {passed} of {made} passed.", passed=verdict["passed"], made=verdict["made"])]
    lines += [
        FURTHER + say("Not passed: {check}: {reason}.", check=check_label(r["check"]), reason=r["reason"])
        for r in failed
    ]
    return lines if verdict["converged"] else [*lines, FURTHER + say("The fit did not converge: do not act on it.")]


def fit_lines(facts: dict[str, Any], season: Season) -> list[str]:
    """Return the lines of the summary, in the season's units."""
    shown, lines = DisplayUnits(season.units, season.currency, season.time_zone), []
    fitted = {v["response"]: v for v in facts["fit_verdict"]}
    for response in RESPONSES:
        name = capital(response_label(response))
        if response not in fitted and response not in EXPECTED:
            continue
        if response not in fitted:
            lines.append(say("{response}: too few measured and traced rows to fit yet.", response=name))
            continue
        verdict = fitted[response]
        rows = say_text(ROWS[RESPONSES[response].facts], n=verdict["n"])
        lines += [
            say("{response}: fitted on {rows}.", response=name, rows=rows),
            _sources(_of(facts["fit_sources"], response)),
            *_effects(_of(facts["fit_effects"], response), season.catalogue, shown),
            *_changing(_of(facts["fit_changing"], response), season.catalogue),
            *_by_root_mass(_of(facts["fit_root_mass"], response), season.catalogue),
            *_silence(_of(facts["fit_silence"], response)),
            *_verdict(verdict, _of(facts["not_passed"], response)),
        ]
    return lines
