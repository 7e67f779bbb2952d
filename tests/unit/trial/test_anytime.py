"""Evidence for stopping early: a mean of one without an effect, false alarms over all looks, and the order of pairs."""

import numpy as np
import pytest

from transforms.trial.anytime import (
    CARRY_ON,
    ENDED,
    MAY_STOP,
    STOP_FROM,
    anytime_interval,
    e_process,
    stopping_reason,
)
from transforms.trial.randomisation import signs

LOOKS = 200


def test_the_mean_over_all_orders_is_one_whatever_the_differences():
    """The expectation over the lots drawn is exact: no distribution is assumed."""
    d = np.array([0.1, -3.0, 0.02, 40.0, 0.3, 0.0, 0.15, 1.0])
    assert e_process(signs(8) * d).mean(axis=0) == pytest.approx(np.ones(8), rel=1e-12)


@pytest.mark.parametrize("degrees", [1, 2])
def test_false_alarms_over_two_hundred_looks_are_at_most_two_in_a_hundred(degrees: int):
    """Tails without variance. `tests/validation/test_trial_reading.py` has more trials and other tails."""
    d = 0.3 * np.random.default_rng(degrees).standard_t(degrees, (2000, LOOKS))
    assert np.mean(e_process(d).max(axis=1) >= STOP_FROM) <= 0.02


def test_an_effect_is_seen_whichever_way_it_goes_and_in_any_order_of_pairs():
    d = np.random.default_rng(3).normal(0.2, 0.2, 30)
    assert e_process(d)[-1] > STOP_FROM
    assert e_process(-d)[-1] == pytest.approx(e_process(d)[-1])
    assert e_process(d[::-1])[-1] == pytest.approx(e_process(d)[-1])


def test_a_huge_difference_of_one_pair_is_worth_no_more_than_a_doubling():
    assert e_process(np.array([1e6, -1e6])) == pytest.approx(np.array([1.0, 0.0]), abs=1e-9)
    assert e_process(np.array([0.1, 1e6]))[-1] <= 2 * 2 / 1.0


def test_the_interval_on_any_day_holds_all_effects_that_the_evidence_does_not_reject():
    d = np.random.default_rng(7).normal(0.1, 0.2, 15)
    low, high = anytime_interval(d)
    for effect in np.linspace(-1.0, 1.2, 221):
        inside = low <= effect <= high
        assert inside or e_process(d - effect)[-1] >= 20 - 1e-9
    assert e_process(d - (low - 1e-6))[-1] >= 20 > e_process(d - (low + 0.02))[-1]
    assert e_process(d - (high + 1e-6))[-1] >= 20 > e_process(d - (high - 0.02))[-1]


def test_without_six_pairs_no_effect_is_excluded():
    assert anytime_interval(np.full(5, 0.1)) == (-np.inf, np.inf)
    assert np.isfinite(anytime_interval(np.full(6, 0.1))).all()
    assert anytime_interval(np.array([])) == (-np.inf, np.inf)


def test_a_trial_may_stop_from_the_threshold_and_not_once_it_is_complete():
    assert stopping_reason(STOP_FROM, 9, 20) == MAY_STOP
    assert stopping_reason(STOP_FROM - 0.1, 9, 20) == CARRY_ON
    assert stopping_reason(None, 0, 20) == CARRY_ON
    assert stopping_reason(2 * STOP_FROM, 20, 20) == ENDED
