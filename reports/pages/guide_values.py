"""Values of the guide as an operator sets them, and the rule for a change from the usual setting."""

from typing import Any

from reports.language.display_units import NO_VALUE, DisplayUnits
from reports.language.precision import money_range, plain_money, setting_value
from reports.language.translate import say
from transforms.config.settings_catalogue import Catalogue

CHANGE_STEPS = 0.5
"""A value nearer to the usual one than this, in practical steps, is not a change that anybody would make."""


def is_change(r: dict[str, Any], catalogue: Catalogue, shown: DisplayUnits) -> bool:
    """Return True if the guide's value differs from the usual one in a way that an operator can set.

    Args:
        r: row of `guide`.
        catalogue: settings with their steps.
        shown: displayed units.
    """
    setting, start, usual = catalogue[r["setting"]], r["start_value"], r["usual_value"]
    if r["reason_code"] != "best_of_tried" or usual is None or abs(start - usual) < CHANGE_STEPS * setting.step:
        return False
    return setting_value(start, setting, shown) != setting_value(usual, setting, shown)


def value_to_set(r: dict[str, Any], catalogue: Catalogue, shown: DisplayUnits) -> float:
    """Return the guide's value if it is a change, otherwise the usual value, in the stored unit."""
    if is_change(r, catalogue, shown) or r["usual_value"] is None:
        return float(r["start_value"])
    return float(r["usual_value"])


def value_range(r: dict[str, Any], low: str, high: str, catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return a range of a setting's values without its unit; a dash if it is unknown."""
    if r[low] is None:
        return NO_VALUE
    lo, hi = (setting_value(r[k], catalogue[r["setting"]], shown, unit=False) for k in (low, high))
    return say("{lo} to {hi}", lo=lo, hi=hi)


def money_span(cell: dict[str, Any], keys: tuple[str, str, str], shown: DisplayUnits) -> str:
    """Return money per tonne with its interval, rounded to what is known."""
    value, low, high = (cell[k] * shown.per_tonne for k in keys)
    return say(
        "about {value} {unit} ({span})", value=plain_money(value), unit=shown.money_per_t, span=money_range(low, high)
    )
