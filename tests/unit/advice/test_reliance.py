"""Reliance on advice: probabilities after a season whose moves promised more than twice what they saved."""

import polars as pl
import pytest

from transforms.advice.reliance import Reliance, reliance


def calibration(value: float, half: float, verdict: str) -> pl.DataFrame:
    ends = {"value": value, "lo95": value - half, "hi95": value + half, "verdict_code": verdict}
    return pl.DataFrame([{"part": "slope", **ends}, {"part": "intercept", **ends, "value": 0.1}])


def test_promises_that_came_true_change_no_probability():
    assert reliance(calibration(0.9, 0.2, "reliable")) is None
    assert reliance(calibration(0.9, 0.2, "reliable").clear()) is None


def test_the_slope_of_an_unreliable_season_is_used_with_its_error():
    known = reliance(calibration(0.2, 0.196, "unreliable"))
    assert known is not None
    assert (known.slope, known.error) == pytest.approx((0.2, 0.1))


@pytest.mark.parametrize(
    ("slope", "by_fit", "expected"),
    [(0.0, 0.95, 0.5), (10.0, 0.95, 0.95), (-10.0, 0.95, 0.05), (0.1, 0.5, 0.5)],
)
def test_a_probability_is_kept_levelled_or_turned_round(slope, by_fit, expected):
    assert Reliance(slope, 0.1).probability(by_fit) == pytest.approx(expected, abs=1e-9)
