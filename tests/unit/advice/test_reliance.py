"""Reliance on advice: probabilities after a season whose moves promised more than twice what they saved."""

import numpy as np
import polars as pl
import pytest

from transforms.advice.reliance import USUAL_SPREAD, Reliance, mix_spreads, reliance


def calibration(value: float, half: float, verdict: str, **settings: tuple[float, float]) -> pl.DataFrame:
    """Return a calibration with the slope of all moves, and value and half width of those of some settings."""
    rows: list[tuple[str, str | None, float, float, str]]
    rows = [("slope", None, value, half, verdict), ("intercept", None, 0.1, half, verdict)]
    rows += [("setting_slope", name, v, h, "reliable") for name, (v, h) in settings.items()]
    parts = [
        {"part": part, "setting": name, "value": v, "lo95": v - h, "hi95": v + h, "verdict_code": code}
        for part, name, v, h, code in rows
    ]
    return pl.DataFrame(parts, schema_overrides={"setting": pl.String})


def test_promises_that_came_true_change_no_probability():
    kept = calibration(0.9, 0.2, "reliable", share_depth_cm=(-1.0, 0.2))
    assert reliance(kept) is None
    assert reliance(kept.clear()) is None


def test_without_slopes_of_settings_that_of_all_moves_counts_for_each():
    """Slope 0.2, error 0.1: positive with probability 0.977 if settings do not differ, less because they may."""
    known = reliance(calibration(0.2, 0.196, "unreliable"))
    assert known is not None
    assert known.by_setting == {}
    assert 0.5 < known.other < 0.977
    assert known.probability(0.95, "share_depth_cm") == pytest.approx(known.other * 0.95 + (1 - known.other) * 0.05)


def test_each_setting_has_the_reliance_of_its_own_promises():
    own = {"share_depth_cm": (0.8, 0.2), "share_drive_pct": (-1.5, 0.4)}
    known = reliance(calibration(0.1, 0.2, "unreliable", **own))
    assert known is not None
    kept, turned = (known.probability(0.95, name) for name in own)
    assert kept > 0.94
    assert turned < 0.06
    assert 0.3 < known.probability(0.95, "cleaner_1_speed_rpm") < 0.7


@pytest.mark.parametrize(("kept", "by_fit", "expected"), [(0.5, 0.95, 0.5), (1.0, 0.95, 0.95), (0.0, 0.95, 0.05)])
def test_a_probability_is_kept_levelled_or_turned_round(kept, by_fit, expected):
    assert Reliance({"a": kept}, 0.3).probability(by_fit, "a") == pytest.approx(expected)
    assert Reliance({"a": 0.3}, kept).probability(by_fit, "b") == pytest.approx(expected)


def test_the_posterior_of_eight_schools_is_the_published_one():
    """Coaching in eight schools with a flat prior of the standard deviation: Gelman and others 2013, table 5.3."""
    effects = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
    errors = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])
    mixture = mix_spreads(effects / 10, errors / 10, usual=1e6)
    mean = 10 * mixture.weight @ mixture.mean
    # The grid of spreads ends at twenty times the usual size of an effect, the prior of the book does not.
    assert mean[:-1] == pytest.approx([11.4, 7.9, 6.1, 7.7, 5.1, 6.1, 10.7, 8.5], abs=0.35)


def test_the_probability_of_a_sign_is_the_share_of_simulated_slopes():
    """Draw spread, slopes and estimates of two settings from the prior; among equal estimates count the signs."""
    rng = np.random.default_rng(3)
    n, error = 3_000_000, np.array([0.3, 0.6])
    t = np.abs(rng.standard_cauchy(n)) * USUAL_SPREAD
    slopes = rng.uniform(-4, 4, (n, 1)) + t[:, None] * rng.standard_normal((n, 3))
    estimates = slopes[:, :2] + error * rng.standard_normal((n, 2))
    seen = np.array([0.2, -0.4])
    near = (np.abs(estimates - seen) < 0.15).all(axis=1)
    assert near.sum() > 3000
    assert mix_spreads(seen, error).positive() == pytest.approx((slopes[near] > 0).mean(axis=0), abs=0.03)
