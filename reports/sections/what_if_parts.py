"""Fitted parts on the what-if page: their controls, and notes on what each comparison rests on."""

from typing import Any

from reports.language.display_units import number
from reports.language.labels import interval, response_label
from reports.language.part_labels import part_label, place_label
from reports.language.reason_text import row_reason
from reports.language.translate import say, translated
from transforms.config.settings_catalogue import Catalogue


def _places(table: dict[str, Any]) -> dict[str, Any]:
    """Return the places of the what-if table whose parts can be chosen."""
    places: dict[str, Any] = table.get("parts", {}).get("places", {})
    return places


def part_controls(table: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the control of each place: its id, label and parts, the usual one first.

    Args:
        table: the what-if table; one without parts has no controls.
    """
    out = []
    for place, about in _places(table).items():
        usual = say("{part} (usual)", part=part_label(about["usual"]))
        options = [{"part": about["usual"], "label": usual}]
        options += [{"part": part, "label": part_label(part)} for part in about["choices"]]
        label = say("parts of {place}", place=place_label(place))
        out.append({"id": f"part-{place}", "place": place, "label": label, "options": options})
    return out


def part_notes(table: dict[str, Any], catalogue: Catalogue) -> dict[str, Any]:
    """Return, by place, the note on the usual part, and by part and wetness class that on its comparison.

    Args:
        table: the what-if table.
        catalogue: the settings known.
    """
    out = {}
    for place, about in _places(table).items():
        usual = say("Usual: most loads were lifted with {part}.", part=part_label(about["usual"]))
        notes = {
            part: {wet: _note(about["usual"], part, wet, compared, catalogue) for wet, compared in by_class.items()}
            for part, by_class in about["choices"].items()
        }
        out[place] = {"usual": usual, "notes": notes}
    return out


def _note(usual: str, part: str, wet: str, compared: dict[str, Any], catalogue: Catalogue) -> str:
    """Return the note on the comparison of a part with the usual one in a wetness class.

    Args:
        usual: the usual part.
        part: the part.
        wet: the wetness class.
        compared: the comparison in the what-if table.
        catalogue: the settings known.
    """
    effect = say(
        "Dirt {change} % ({span}) with {part} instead of {usual} on {wet} topsoil; {machines} machines, n = {n} loads; "
        "{reason}.",
        change=number(compared["change_pct"], 0, sign=True),
        span=interval(compared["lo95"], compared["hi95"], 0),
        part=part_label(part),
        usual=part_label(usual),
        wet=translated(wet),
        machines=number(compared["machines"], 0),
        n=number(compared["n"], 0),
        reason=row_reason(compared, catalogue),
    )
    if not compared["uncompared"]:
        return effect
    others = ", ".join(response_label(r) for r in compared["uncompared"])
    return f"{effect} {say('Not compared, so taken as unchanged: {responses}.', responses=others)}"
