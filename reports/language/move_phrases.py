"""Phrases for a change of a setting: short commands for headings, and values before and after."""

from typing import Any

from reports.language.display_units import DisplayUnits
from reports.language.labels import capital, setting_label
from reports.language.precision import setting_change, setting_value
from reports.language.translate import mark, say, translated
from transforms.config.settings_catalogue import Catalogue

COMMANDS = {
    "share_depth_cm": (mark("Lift deeper"), mark("Lift shallower")),
    "ground_speed_kmh": (mark("Drive faster"), mark("Drive slower")),
    "topper_speed_rpm": (mark("Run the topper faster"), mark("Run the topper slower")),
    "scalper_height_mm": (mark("Raise the scalper"), mark("Lower the scalper")),
    "share_drive_pct": (mark("Drive the shares faster"), mark("Drive the shares slower")),
    "intake_roller_height_mm": (mark("Raise the intake rollers"), mark("Lower the intake rollers")),
    "intake_roller_speed_pct": (mark("Run the intake rollers faster"), mark("Run the intake rollers slower")),
    "rear_roller_speed_pct": (mark("Run the rear roller faster"), mark("Run the rear roller slower")),
    "rear_roller_reversed": (mark("Reverse the rear roller"), mark("Run the rear roller forward")),
    "transfer_web_speed_pct": (mark("Run the transfer web faster"), mark("Run the transfer web slower")),
    "cleaner_1_speed_rpm": (mark("Run the first cleaner faster"), mark("Run the first cleaner slower")),
    "cleaner_2_speed_rpm": (mark("Run the second cleaner faster"), mark("Run the second cleaner slower")),
    "cleaner_3_speed_rpm": (mark("Run the third cleaner faster"), mark("Run the third cleaner slower")),
    "cleaner_4_speed_rpm": (mark("Run the fourth cleaner faster"), mark("Run the fourth cleaner slower")),
    "separator_1_height_mm": (mark("Raise the first separator"), mark("Lower the first separator")),
    "separator_2_height_mm": (mark("Raise the second separator"), mark("Lower the second separator")),
    "separator_3_height_mm": (mark("Raise the third separator"), mark("Lower the third separator")),
    "separator_4_height_mm": (mark("Raise the fourth separator"), mark("Lower the fourth separator")),
}
"""Setting -> commands to raise and to lower it; other settings are named by their label and direction."""


def is_increase(move: dict[str, Any]) -> bool:
    """Return True if a move, a row of `advice`, raises its setting."""
    return bool(move["to_value"] > move["from_value"])


def move_command(setting: str, *, is_up: bool, catalogue: Catalogue) -> str:
    """Return a change as a short command, such as "Lift shallower"."""
    if setting in COMMANDS:
        raised, lowered = COMMANDS[setting]
        return say(raised if is_up else lowered)
    row = catalogue[setting]
    way = translated(row.up if is_up else row.down)
    return say("{setting} {way}", setting=capital(setting_label(setting, catalogue)), way=way)


def move_values(move: dict[str, Any], catalogue: Catalogue, shown: DisplayUnits) -> tuple[str, str]:
    """Return (present value without unit, value to set with unit) of a move, a row of `advice`."""
    setting = catalogue[move["setting"]]
    before = setting_value(move["from_value"], setting, shown, unit=False)
    return before, setting_value(move["to_value"], setting, shown)


def move_step(move: dict[str, Any], catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return the step of a move from the value of the last shift; empty for a flag, whose new state says it all."""
    setting = catalogue[move["setting"]]
    step = setting_change(move["from_value"], move["to_value"], setting, shown)
    way = translated(setting.up if is_increase(move) else setting.down)
    return say("{step} {way} than in its last shift", step=step, way=way) if step else ""
