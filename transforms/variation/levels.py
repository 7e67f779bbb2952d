"""Safe levels of a varied setting: one practical step below and above its base, within what was tried."""

import math
from dataclasses import dataclass

from transforms.config.settings_catalogue import US_STEPS, Setting
from transforms.contracts.reason import Reason, reason

COARSE_STEP, WHOLE_STEP = 20.0, 1.0
"""Settings with at least the first step are set to tens, with at least the second to whole numbers, others to tenths,
as on pages; in US units lengths and speeds are set to halves of their step."""
MIN_BACK_STEPS = 0.5
"""A level against an advised move is worth its loads from this part of a step (common practice, no source)."""
MIN_SPAN_STEPS = 1.0
"""Smallest difference between the two levels, in practical steps (common practice, no source)."""
SLACK = 1e-6


@dataclass(frozen=True)
class MoveAdvised:
    """Advised move of a setting, with its expected saving and interval in the season's currency per tonne."""

    from_value: float
    to_value: float
    gain: float
    lo95: float
    hi95: float

    @property
    def direction(self) -> int:
        """1 if the move raises the setting, else -1."""
        return 1 if self.to_value > self.from_value else -1

    def back(self, step: float) -> float:
        """Return how far a level may go back from the advised value, in the setting's unit; at most one step.

        The part of the move that its own interval leaves open: |move| times half the interval over its expected saving.
        """
        move, half = abs(self.to_value - self.from_value), (self.hi95 - self.lo95) / 2
        return min(step, move * half / abs(self.gain)) if self.gain else step


@dataclass(frozen=True)
class Levels:
    """Levels of a varied setting: the value to return to, and the lower and higher level."""

    base: float
    low: float
    high: float


def practical_grid(setting: Setting, units: str) -> float:
    """Return the distance of values that an operator can set, in the setting's unit.

    Args:
        setting: the setting.
        units: `metric` or `us`.

    Returns:
        The distance, in the setting's unit: half a step of US units, else 10, 1 or 0.1.
    """
    if units == "us" and setting.unit in US_STEPS:
        return setting.step / 2
    if setting.step >= COARSE_STEP:
        return 10.0
    return 1.0 if setting.step >= WHOLE_STEP else 0.1


def _nearest(value: float, grid: float) -> float:
    return round(round(value / grid) * grid, 9)


def _up(value: float, grid: float) -> float:
    return round(math.ceil(value / grid - SLACK) * grid, 9)


def _down(value: float, grid: float) -> float:
    return round(math.floor(value / grid + SLACK) * grid, 9)


def safe_levels(
    setting: Setting, base: float, tried: tuple[float, float], move: MoveAdvised | None, grid: float
) -> Levels | Reason:
    """Return the levels of a setting, two practical steps apart around its base, or the reason why it is not varied.

    The base is the advised value, else the present one. The levels are values that can be set, shifted inwards by at
    most one step, so that both are within the range tried and that of the catalogue.

    Args:
        setting: the setting.
        base: value without variation.
        tried: lowest and highest value tried under such conditions.
        move: its advised move, if it has one.
        grid: distance of values that can be set.

    Returns:
        Base, lower and higher level in the setting's unit, or a reason.
    """
    lowest, highest = _up(max(tried[0], setting.low), grid), _down(min(tried[1], setting.high), grid)
    span = _down(2 * setting.step, grid)
    if highest - lowest < span - SLACK:
        return reason("vary_narrow_range")
    low = min(max(_nearest(base - setting.step, grid), lowest), _down(highest - span, grid))
    high = _nearest(low + span, grid)
    if abs((low + high) / 2 - base) > setting.step + grid / 2 + SLACK:
        return reason("vary_base_outside")
    if move is not None:
        back = move.back(setting.step)
        if back < MIN_BACK_STEPS * setting.step - SLACK:
            return reason("vary_against_move")
        if move.direction > 0:
            low = max(low, _up(move.to_value - back, grid))
        else:
            high = min(high, _down(move.to_value + back, grid))
        if high - low < MIN_SPAN_STEPS * setting.step - SLACK:
            return reason("vary_against_move")
    return Levels(min(max(_nearest(base, grid), low), high), low, high)
