"""Labels of fitted parts and of their places, the change that a trial tests, and the command that plans it."""

import shlex
from collections.abc import Iterable
from typing import Any

from reports.language.display_units import DisplayUnits
from reports.language.labels import describe_step
from reports.language.translate import mark, say
from transforms.config.settings_catalogue import Catalogue
from transforms.model.fitted_parts import PLACES

PLACE_LABELS = {
    "cleaning": mark("all cleaning stages"),
    "cleaner_1": mark("first cleaner"),
    "cleaner_2": mark("second cleaner"),
    "cleaner_3": mark("third cleaner"),
    "cleaner_4": mark("fourth cleaner"),
}
"""Place of a part -> label."""
KNOWN_PARTS = {"smooth bars": mark("smooth bars"), "mixed": mark("mixed"), "tines": mark("tines")}
"""Part as usual in machine lists -> label; others are shown as the list names them."""
PLACE_OF = {column: place for place, column in PLACES.items()}


def part_label(name: str) -> str:
    """Return the label of a part; its name if it has none."""
    return say(KNOWN_PARTS[name]) if name in KNOWN_PARTS else name


def place_label(place: str) -> str:
    """Return the label of a place of parts."""
    return say(PLACE_LABELS[place])


def tested_change(r: dict[str, Any], catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return the change that a suggested trial tests: one step of a setting, or a part instead of another.

    Args:
        r: a row of `trial_wanted`.
        catalogue: the settings known.
        shown: units of the page.
    """
    if r["part"] is None:
        return describe_step(r["setting"], catalogue, shown)
    return say(
        "{part} instead of {now} ({place})",
        part=part_label(r["part"]),
        now=part_label(r["part_now"]),
        place=place_label(PLACE_OF[r["setting"]]),
    )


def plan_command(r: dict[str, Any]) -> str:
    """Return the command that plans a suggested trial, a row of `trial_wanted`."""
    options = {
        "setting": r["setting"],
        "to": r["part"],
        "machine": r["machine_id"].replace(" ", "") if r["part"] is not None else r["machine_id"],
        "topsoil": r["wetness_class"] if r["part"] is not None else None,
        "detect-pct": f"{r['detect_pct']:.0f}",
    }
    given = (f"--{name} {shlex.quote(value)}" for name, value in options.items() if value is not None)
    return " ".join(("taretrace trial plan", *given))


def find_place(text: str) -> str | None:
    """Return the place of parts that a person names by its column or label; None if it is not one.

    >>> find_place("cleaning elements"), find_place("cleaner_1_elements"), find_place("share depth")
    ('cleaning', 'cleaner_1', None)
    """
    wanted = " ".join(text.casefold().replace("_", " ").split())
    for place, column in PLACES.items():
        if wanted in {column.replace("_", " "), PLACE_LABELS[place], place_label(place).casefold()}:
            return place
    return None


def parse_part(text: str, known: Iterable[str]) -> str:
    """Return the part that a person names as the machine list does or by its label; the text if it is neither.

    >>> parse_part(" Smooth bars", ["smooth bars", "tines"])
    'smooth bars'
    """
    wanted = " ".join(text.casefold().split())
    return next((p for p in known if wanted in {p.casefold(), part_label(p).casefold()}), text.strip())
