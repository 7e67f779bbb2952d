"""Page of the what-if sliders: expected dirt, root loss and cost for chosen conditions and settings; works offline."""

from pathlib import Path
from typing import Any

from markupsafe import Markup

from reports.language.basis_messages import earlier_note
from reports.language.display_units import DisplayUnits
from reports.language.precision import setting_value
from reports.language.translate import local_number, mark, say, translated, use_language
from reports.page.html import embedded, own_file, render
from reports.pages.what_if_data import WhatIfPageData
from reports.sections.cautions import CAUTION
from reports.sections.data_health import footer
from reports.sections.parts_ahead import not_a_choice
from reports.sections.prices import assumption_words, price_table
from reports.sections.what_if_parts import part_controls, part_notes
from transforms.advice import storage
from transforms.advice.cost import FIELD_EFFICIENCY, OVER_TOPPED_LOSS
from transforms.advice.moves import USUAL_SPEED_KMH
from transforms.advice.situations import UNKNOWN_LOSS_T_HA
from transforms.config.response_catalogue import OVER_TOPPED, ROOT_LOSS, TOPS
from transforms.config.workspace import Season
from transforms.contracts.classes import SOIL_CLASSES, WETNESS_CLASSES
from transforms.storage.product_basis import GUIDE

CONDITIONS = (
    ("topsoil_wetness", mark("topsoil wetness, 0 dry to 1 wet"), 0.05, 0.95, 0.01, "flag", 2),
    ("clay_pct", mark("clay"), 6.0, 50.0, 0.5, "pct", 1),
    ("air_temp_c", mark("air temperature"), None, None, 0.5, "degC", 0),
    ("yield_t_ha", mark("yield"), None, None, 1.0, "t/ha", 0),
)
SCRIPTS = ("what_if_numbers.js", "what_if_curve.js", "what_if.js")
MAIN_SLIDERS = 6
"""Sliders shown at once; the other settings are in a fold."""
WORDS = {
    "nobody": mark("Outside the observed range: only {n} loads on {soil} soil with {wet} topsoil."),
    "outside": mark("Not tried in such conditions: {label}."),
    "where": mark("{wet} topsoil, {soil} soil: n = {n} loads of the fleet."),
    "span": mark("{lo} to {hi}"),
    "usual": mark("Usual settings cost about {cost} here"),
    "saves": mark("Saves about {cost} against usual"),
    "costs": mark("Costs about {cost} more than usual"),
    "same": mark("Costs as much as usual"),
    "unknown": mark("Not known: outside what the fleet has tried"),
    "lowest": mark("Cost by {label}: lowest at {at}, about {cost}."),
    "untried_all": mark("Cost by {label}: nobody has run these values in such conditions."),
    "now": mark("Now {at}: about {cost}. At {low}: about {first}; at {high}: about {last}."),
    "effect_band": mark("Band: 95 % range of the effect; dashed: not tried."),
    "axis": mark("{label}, {unit}"),
    "cost_axis": mark("cost, {unit}"),
    "about_zero": mark("about 0"),
    "part_band": mark("Lines: 95 % range of the effect of each part."),
    "not_compared": mark(
        "{part} was compared with {usual} on too few loads or machines with {wet} topsoil: nothing is known."
    ),
    "not_together": mark("No machine ran with these parts together."),
    "visit_band": mark("Band: 95 % of visits."),
}
"""Texts of the page's script, by the name it uses; the script fills in what is in braces."""
FILLED = (
    "at",
    "cost",
    "first",
    "hi",
    "high",
    "label",
    "last",
    "lo",
    "low",
    "n",
    "part",
    "soil",
    "unit",
    "usual",
    "wet",
)


def _conditions(table: dict[str, Any], shown: DisplayUnits) -> list[dict[str, Any]]:
    out = []
    for name, label, low, high, step, unit, digits in CONDITIONS:
        if name not in table["at"]:
            continue
        factor, offset = shown.straight(unit)
        side = table["sides"].get(name, [low, high])
        lowest, highest = (round(v / step) * step for v in (side[0], side[-1]))
        out.append(
            {
                "id": f"at-{name}",
                "name": name,
                "label": say(label),
                "low": lowest,
                "high": highest,
                "step": step,
                "usual": round(table["at"][name] / step) * step,
                "kind": "condition",
                "is_flag": False,
                "factor": factor,
                "offset": offset,
                "digits": digits,
                "unit": shown.sign(unit),
            }
        )
    return out


def _settings(table: dict[str, Any], order: list[str], season: Season, shown: DisplayUnits) -> list[dict[str, Any]]:
    """Return the controls of settings, in half steps, of flags in two states, with the text of every position."""
    out = []
    for name in (n for n in order if n in season.catalogue):
        s, setting = table["settings"][name], season.catalogue[name]
        step, usual = s["step"] / (1 if setting.is_flag else 2), table["usual"][name]
        below, above = (round((v - usual) / step) for v in s["range"])
        values = [usual + k * step for k in range(below, above + 1)]
        out.append(
            {
                "id": f"set-{name}",
                "name": name,
                "label": translated(s["label"]),
                "low": values[0],
                "high": values[-1],
                "step": step,
                "usual": usual,
                "kind": "setting",
                "texts": [setting_value(v, setting, shown, unit=False) for v in values],
                "unit": "" if setting.is_flag else shown.sign(s["unit"]),
                "is_flag": setting.is_flag,
            }
        )
    return out


def _words(shown: DisplayUnits, settings: list[dict[str, Any]], parts: dict[str, Any]) -> dict[str, Any]:
    """Return the texts and constants that the page's script needs.

    Args:
        shown: units of the page.
        settings: the controls of settings.
        parts: notes on fitted parts.
    """
    usual = 1 + (storage.DAMAGED_TIMES - 1) * storage.UNAVOIDABLE_BREAKAGE / storage.BREAK_FRACTION_AT_6_CM
    return {
        **{k: say(text, **{n: "{" + n + "}" for n in FILLED}) for k, text in WORDS.items()},
        "classes": {c: translated(c) for c in (*WETNESS_CLASSES, *SOIL_CLASSES)},
        "parts": parts,
        "texts": {s["name"]: s["texts"] for s in settings},
        "decimal": local_number("0.5")[1],
        "group": local_number("1,000")[1:-3],
        "efficiency": FIELD_EFFICIENCY,
        "usual_kmh": USUAL_SPEED_KMH,
        "unknown_loss": UNKNOWN_LOSS_T_HA,
        "over_loss": OVER_TOPPED_LOSS,
        "money": shown.money_per_t,
        "loss_digits": shown.digits("t/ha"),
        "loss_factor": shown.convert(1.0, "t/ha"),
        "tonne_factor": 1 / shown.convert(1.0, "t"),
        "storage": {
            "from_c": storage.EXPONENTIAL_C[0],
            "to_c": storage.EXPONENTIAL_C[1],
            "per_c": storage.PER_C,
            "cool_c": storage.COOL_C,
            "cool_kg": storage.COOL_LOSS_KG_PER_T / storage.SIX_WEEKS_DAYS,
            "times": storage.DAMAGED_TIMES,
            "broken": storage.BREAK_FRACTION_AT_6_CM,
            "usual": usual,
        },
    }


def write_what_if(data: WhatIfPageData, season: Season, out: Path) -> Path:
    """Write the page and return its path."""
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    with use_language(season.locale, season.texts):
        settings = _settings(data.table, list(data.cost_effects), season, shown)
        return render(
            "what_if.html.j2",
            out / "what-if.html",
            season=season,
            shown=shown,
            caution=say(CAUTION),
            conditions=_conditions(data.table, shown),
            settings=settings[:MAIN_SLIDERS],
            more=settings[MAIN_SLIDERS:],
            has_loss=ROOT_LOSS in data.table["responses"],
            has_tops=TOPS in data.table["responses"],
            has_over={TOPS, OVER_TOPPED} <= set(data.table["responses"]),
            table=embedded(data.table),
            words=embedded(_words(shown, settings, part_notes(data.table, season.catalogue))),
            scripts=[Markup(own_file(name)) for name in SCRIPTS],  # noqa: S704  our own files
            assumptions=assumption_words(season),
            prices=price_table(season),
            choices=part_controls(data.table),
            parts=not_a_choice(data.parts, season.catalogue),
            footer=footer(data.footer),
            earlier=earlier_note(GUIDE, data.status),
        )
