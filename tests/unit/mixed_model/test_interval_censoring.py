"""Fits of intervals against the Tobit likelihood itself."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import norm, truncnorm

from transforms.mixed_model.interval_censoring import Intervals, fit_intervals, interval_response


def test_the_working_response_has_the_moments_of_a_truncated_normal_variable():
    low, high = np.array([-np.inf, -0.5, 1.0, 2.5]), np.array([-0.3, 0.7, 2.0, 3.5])
    eta, sd, s2 = np.zeros(4), np.full(4, 0.8), 0.3
    found = interval_response(Intervals(low, high), eta, sd, s2)
    mean, variance = truncnorm.stats(low / 0.8, high / 0.8, scale=0.8, moments="mv")
    w = 1 - variance / 0.64
    assert found.variance == pytest.approx(0.64 / w - s2)
    assert found.z == pytest.approx(mean / w)


@pytest.mark.parametrize("far", [-30.0, 30.0])
def test_an_interval_far_from_its_fitted_value_is_finite_and_on_its_side(far):
    found = interval_response(Intervals(np.array([far]), np.array([far + 0.1])), np.zeros(1), np.ones(1), 1.0)
    assert np.isfinite(found.z[0])
    assert np.sign(found.z[0]) == np.sign(far)
    assert found.variance[0] >= 0


def test_repeated_least_squares_end_at_the_maximum_of_the_tobit_likelihood():
    """A line with a fifth of its values below a limit and the others rounded coarsely."""
    rng = np.random.default_rng(6)
    x, sd = rng.normal(size=600), 0.5
    X, y = np.column_stack([np.ones(600), x]), 0.4 * x + rng.normal(0, sd, 600)
    middle = np.round(y / 0.5) * 0.5
    is_low = middle <= -0.5
    intervals = Intervals(np.where(is_low, -np.inf, middle - 0.25), np.where(is_low, -0.25, middle + 0.25))

    def least_squares(response, _):
        weight = 1 / (sd**2 + response.variance)
        found = np.linalg.solve((X.T * weight) @ X, (X.T * weight) @ response.z)
        return found, X @ found, sd**2

    def minus_log_likelihood(b):
        eta = X @ b
        return -np.log(norm.cdf((intervals.high - eta) / sd) - norm.cdf((intervals.low - eta) / sd)).sum()

    plain = np.linalg.lstsq(X, np.maximum(middle, -0.5), rcond=None)[0]
    found = fit_intervals(intervals, np.zeros(600), (plain, X @ plain, sd**2), least_squares)
    best = minimize(minus_log_likelihood, plain, tol=1e-9).x
    assert found == pytest.approx(best, abs=2e-3)
    assert abs(plain[1] - best[1]) > 0.03
