"""Levels are inside what was tried, and never go back on an advised move by more than its interval allows."""

import numpy as np
import pytest

from transforms.contracts.reason import Reason
from transforms.variation.levels import Levels, MoveAdvised, practical_grid, safe_levels


def levels(catalogue, name: str, base: float, tried: tuple[float, float], move: MoveAdvised | None = None):
    return safe_levels(catalogue[name], base, tried, move, practical_grid(catalogue[name], "metric"))


def code(found: Levels | Reason) -> str:
    assert isinstance(found, Reason)
    return found.code


def test_the_levels_are_one_step_below_and_above(catalogue):
    assert levels(catalogue, "cleaner_1_speed_rpm", 36.2, (30, 45)) == Levels(36.0, 33.0, 39.0)
    assert levels(catalogue, "share_depth_cm", 6.13, (4, 8)) == Levels(6.1, 5.6, 6.6)


def test_the_base_is_shifted_inwards_by_at_most_a_step(catalogue):
    assert levels(catalogue, "share_depth_cm", 4.2, (4.0, 8.0)) == Levels(4.2, 4.0, 5.0)
    assert levels(catalogue, "share_depth_cm", 8.0, (4.0, 8.0)) == Levels(8.0, 7.0, 8.0)
    assert code(levels(catalogue, "share_depth_cm", 3.2, (4.0, 8.0))) == "vary_base_outside"


def test_a_range_of_less_than_two_steps_is_too_narrow(catalogue):
    assert code(levels(catalogue, "share_depth_cm", 6.0, (5.6, 6.5))) == "vary_narrow_range"
    assert levels(catalogue, "share_depth_cm", 6.0, (5.5, 6.5)) == Levels(6.0, 5.5, 6.5)
    # The catalogue ends at 2 cm, whatever was logged.
    assert code(levels(catalogue, "share_depth_cm", 2.0, (1.0, 2.9))) == "vary_narrow_range"


@pytest.mark.parametrize("half", np.linspace(0.0, 1.0, 21))
@pytest.mark.parametrize("steps", [-2, -1, 1, 2])
def test_a_level_goes_back_on_a_move_by_no_more_than_its_interval_allows(catalogue, steps: int, half: float):
    step = catalogue["share_depth_cm"].step
    move = MoveAdvised(6.0, 6.0 + steps * step, 0.4, 0.4 - half, 0.4 + half)
    allowed = min(step, abs(steps) * step * half / 0.4)
    found = levels(catalogue, "share_depth_cm", move.to_value, (4.0, 8.0), move)
    if allowed < step / 2:
        assert code(found) == "vary_against_move"
        return
    assert isinstance(found, Levels)
    back = found.low if steps > 0 else found.high
    assert abs(back - move.to_value) <= allowed + 1e-9
    assert found.high - found.low >= step - 1e-9
    assert found.low <= found.base <= found.high


def test_a_move_to_the_end_of_the_range_is_not_undone_by_the_shift(catalogue):
    """Advised to the end of the range: the levels would be a step and two steps back, which the move does not allow."""
    wide = MoveAdvised(7.5, 8.0, 0.3, -0.1, 0.7)
    assert levels(catalogue, "share_depth_cm", 8.0, (4.0, 8.0), wide) == Levels(8.0, 7.5, 8.0)
    narrow = MoveAdvised(7.5, 8.0, 0.3, 0.1, 0.5)
    assert code(levels(catalogue, "share_depth_cm", 8.0, (4.0, 8.0), narrow)) == "vary_against_move"


def test_values_can_be_set_in_both_systems_of_units(catalogue):
    from transforms.config.settings_catalogue import load_catalogue  # noqa: PLC0415

    us = load_catalogue(units="us")
    assert practical_grid(us["share_depth_cm"], "us") == pytest.approx(2.54 / 8)
    assert practical_grid(us["cleaner_1_speed_rpm"], "us") == practical_grid(catalogue["cleaner_1_speed_rpm"], "metric")
    assert practical_grid(catalogue["topper_speed_rpm"], "metric") == 10.0
