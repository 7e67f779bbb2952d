"""Summary of the fits in about a dozen lines each; every number comes from a query (`reports/fit_summary_data.py`)."""

from typing import Any

from reports.language.display_units import DisplayUnits, number
from reports.language.labels import KINDS, capital, counted_label, interval, response_label
from transforms.config.response_catalogue import DIRT, RESPONSES, ROOT_LOSS, TOPS
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Season

EXPECTED = (DIRT, ROOT_LOSS, TOPS)
"""Responses that are reported even if they are not fitted."""
UNTRIED = {
    "effect_few_loads": "with too few loads",
    "effect_hardly_moved": "with hardly any change within visits",
    "effect_one_machine": "with one machine only",
}
"""Code of a reason why an effect has no estimate -> phrase after the number of combinations."""
MAX_EFFECTS = 6


def _step(row: dict[str, Any], catalogue: Catalogue, shown: DisplayUnits) -> str:
    setting = catalogue[row["setting"]]
    if setting.unit == "pct":
        return f"{setting.label} {number(setting.step, 0)} points {setting.up}"
    return f"{setting.label} {shown.quantity(setting.step, setting.unit)} {setting.up}"


def _of(rows: list[dict[str, Any]], response: str) -> list[dict[str, Any]]:
    return [r for r in rows if r["response"] == response]


def _sources(rows: list[dict[str, Any]]) -> str:
    if not rows:
        return "  The sources of its variation cannot be estimated yet: too few loads."
    shares = [
        f"{KINDS.get(r['kind'], r['kind'])} {number(100 * r['share'], 0)} %" for r in rows if abs(r["share"]) >= 0.005
    ]
    return f"  Sources of its variation: {', '.join(shares)}."


def _drivers(rows: list[dict[str, Any]], catalogue: Catalogue, shown: DisplayUnits) -> list[str]:
    if not rows:
        return ["  No setting has a certain effect yet."]
    lines = ["  Effect of one step on the same machine, day and field (95 % interval):"]
    counted = counted_label(rows[0]["response"])
    for r in rows[:MAX_EFFECTS]:
        change = f"{number(r['change_pct'], 1, sign=True)} % ({interval(r['lo95'], r['hi95'], 1)})"
        confounded = "; confounded between visits" if r["reason_code"] == "effect_confounded" else ""
        lines.append(f"    {_step(r, catalogue, shown)}: {change}, {r['n']:,} {counted}{confounded}")
    if len(rows) > MAX_EFFECTS:
        lines.append(f"    and {len(rows) - MAX_EFFECTS} smaller certain effects")
    return lines


def _changing(rows: list[dict[str, Any]], catalogue: Catalogue) -> list[str]:
    changes = [
        f"{catalogue[r['setting']].label} {number(r['low_pct'], 1, sign=True)} % on {r['low_class']} topsoil,"
        f" {number(r['high_pct'], 1, sign=True)} % on {r['high_class']} topsoil"
        for r in rows[:3]
    ]
    return [f"  Effects that change with wetness: {'; '.join(changes)}."] if changes else []


def _silence(rows: list[dict[str, Any]]) -> list[str]:
    if not rows:
        return []
    reasons = ", ".join(f"{r['cells']} {UNTRIED[r['reason_code']]}" for r in rows)
    return [f"  No estimate for {sum(r['cells'] for r in rows)} combinations of setting and wetness: {reasons}."]


def _verdict(verdict: dict[str, Any], failed: list[dict[str, Any]]) -> list[str]:
    lines = [f"  Checks: {verdict['passed']} of {verdict['made']} passed."]
    lines += [f"    Not passed: {r['check']}: {r['reason']}." for r in failed]
    return lines if verdict["converged"] else [*lines, "    The fit did not converge: do not act on it."]


def fit_lines(facts: dict[str, Any], season: Season) -> list[str]:
    """Return the lines of the summary, in the season's units."""
    shown, lines = DisplayUnits(season.units, season.currency, season.time_zone), []
    fitted = {v["response"]: v for v in facts["fit_verdict"]}
    for response in RESPONSES:
        name = capital(response_label(response))
        if response not in fitted and response not in EXPECTED:
            continue
        if response not in fitted:
            lines.append(f"{name}: too few measured and traced rows to fit yet.")
            continue
        verdict = fitted[response]
        lines += [
            f"{name}: fitted on {verdict['n']:,} {counted_label(response)}.",
            _sources(_of(facts["fit_sources"], response)),
            *_drivers(_of(facts["fit_drivers"], response), season.catalogue, shown),
            *_changing(_of(facts["fit_changing"], response), season.catalogue),
            *_silence(_of(facts["fit_silence"], response)),
            *_verdict(verdict, _of(facts["not_passed"], response)),
        ]
    return lines
