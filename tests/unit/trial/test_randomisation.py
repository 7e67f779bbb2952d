"""The randomisation test and its closed-form interval, against a published example and against brute force."""

import numpy as np
import pytest

from transforms.trial.randomisation import EXACT_PAIRS, interval, p_value, signs

DARWIN = np.array([49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48], dtype=float)
"""Differences in height of 15 pairs of maize, eighths of an inch (Darwin 1876, in Fisher 1935, The Design of
Experiments, section 21; from memory)."""


def test_signs_are_counted_exactly():
    """Six pairs that all point one way: 2 of the 64 patterns are as far from zero."""
    d = np.array([0.1, 0.2, 0.15, 0.3, 0.05, 0.2])
    assert p_value(d, signs(6)) == pytest.approx(2 / 64)
    assert p_value(np.array([1.0, -1, 1, -1, 1, -1]), signs(6)) == 1.0


def test_sixteen_pairs_are_exact_and_more_are_sampled():
    assert EXACT_PAIRS == 16
    patterns = signs(16)
    assert np.unique(patterns, axis=0).shape == (65_536, 16)
    assert p_value(np.ones(16), patterns) == 2 / 65_536
    assert len(signs(17)) < 65_536


def test_the_published_example_has_the_published_p_value():
    """Fisher counted 1,726 of 32,768 patterns at least as far from zero: 863 on either side (from memory)."""
    assert DARWIN.sum() == 314
    assert round(p_value(DARWIN, signs(15)) * 2**15) == 1726


def test_intervals_hold_the_effect():
    rng = np.random.default_rng(2)
    held = []
    for _ in range(300):
        low, high = interval(rng.normal(0.3, 1, 10), signs(10))
        held.append(low <= 0.3 <= high)
    assert np.mean(held) == pytest.approx(0.95, abs=0.035)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("spread", [0.0, 0.45])
def test_the_interval_is_that_of_all_effects_that_are_not_rejected(seed: int, spread: float):
    rng = np.random.default_rng(seed)
    doses = 1.0 + spread * rng.uniform(-1, 1, 9)
    d, patterns = 0.4 * doses + rng.normal(0, 0.3, 9), signs(9)
    low, high = interval(d, patterns, doses)
    for effect in (*(low + np.array([-1e-6, 1e-6])), *(high + np.array([-1e-6, 1e-6])), *rng.uniform(-0.5, 1.5, 50)):
        is_rejected = p_value(d - effect * doses, patterns) <= 0.05
        assert is_rejected == (not low <= effect <= high)


def test_doses_of_opposite_signs_widen_the_interval_and_may_leave_it_open():
    rng = np.random.default_rng(5)
    doses = np.array([1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, -0.2])
    d, patterns = 0.4 * doses + rng.normal(0, 0.1, 10), signs(10)
    low, high = interval(d, patterns, doses)
    assert low < 0.4 < high
    kept = [b for b in np.linspace(-1, 2, 601) if p_value(d - b * doses, patterns) > 0.05]
    assert low <= min(kept)
    assert max(kept) <= high
    uneven = np.array([3.0, 3.0, -1.0, -1.0, 2.0, -1.0])
    assert np.isinf(interval(0.4 * uneven, signs(6), uneven)).all()


def test_five_pairs_reject_nothing():
    assert np.isinf(interval(np.arange(1.0, 6.0), signs(5))).all()
