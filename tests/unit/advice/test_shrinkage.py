"""Posterior of settings' effects: averaged over their spread, checked by quadrature and against a published example."""

import numpy as np
import pytest
from scipy.stats import norm

from transforms.advice.shrinkage import DRAWS, USUAL_SD, effect_draws

SCHOOLS = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0]), np.array([15.0, 10, 16, 11, 9, 11, 10, 18])
"""Estimates and standard errors of eight schools (Rubin 1981)."""
ONE_KIND = np.zeros(8, dtype=np.int64)


def quadrature(estimates: np.ndarray, se: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return posterior means and standard deviations of effects with mean 0 by integration over their spread."""
    t = np.exp(np.linspace(np.log(1e-4), 0.0, 4001))[:, None]
    log_p = norm.logpdf(estimates, 0, np.sqrt(se**2 + t**2)).sum(axis=1) + np.log(t[:, 0])
    log_p -= np.log1p((t[:, 0] / USUAL_SD) ** 2)
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    kept = t**2 / (t**2 + se**2)
    mean = p @ (kept * estimates)
    return mean, np.sqrt(p @ (kept * se**2 + (kept * estimates) ** 2) - mean**2)


@pytest.mark.parametrize("factor", [0.3, 1.0, 4.0], ids=["noise", "some", "clear"])
def test_draws_have_the_moments_of_the_exact_posterior(factor):
    rng = np.random.default_rng(1)
    se = rng.uniform(0.01, 0.03, 8)
    estimates = factor * 0.02 * rng.standard_normal(8)
    draws = effect_draws(estimates, np.diag(se**2), ONE_KIND, np.zeros(8), np.inf)
    mean, sd = quadrature(estimates, se)
    assert draws.shape == (DRAWS, 8)
    assert draws.mean(axis=0) == pytest.approx(mean, abs=0.1 * sd.max())
    assert draws.std(axis=0) == pytest.approx(sd, rel=0.08)


def test_eight_schools_averaged_over_their_spread():
    """Posterior means under a uniform prior of the spread: 11.4, 7.9, 6.1, 7.7, 5.1, 6.1, 10.7, 8.5 (Gelman et al.).

    Divided by 4,000, the effects are so far below the scale of the prior that it is practically uniform.
    """
    estimates, se = (v / 4000 for v in SCHOOLS)
    draws = 4000 * effect_draws(estimates, np.diag(se**2), ONE_KIND, np.ones(8), np.inf)
    assert draws.mean(axis=0) == pytest.approx([11.4, 7.9, 6.1, 7.7, 5.1, 6.1, 10.7, 8.5], abs=0.5)


def test_where_all_is_sure_nothing_is_shrunk():
    """With errors far below their spread effects stay; with errors far above it they nearly go."""
    effects = np.array([0.08, -0.05, 0.03, -0.06, 0.02, 0.07, -0.04, 0.05])
    sure = effect_draws(effects, 1e-8 * np.eye(8), ONE_KIND, np.zeros(8))
    assert sure.mean(axis=0) == pytest.approx(effects, abs=1e-4)
    unsure = effect_draws(effects, 25.0 * np.eye(8), ONE_KIND, np.zeros(8))
    assert np.abs(unsure.mean(axis=0)).max() < 0.02
    assert unsure.std(axis=0).min() > sure.std(axis=0).max()


def test_heavy_tails_leave_a_large_effect_among_small_ones():
    """One setting does much and seven do little: the large effect is shrunk less than by a normal distribution."""
    effects = np.array([0.15, 0.01, -0.012, 0.008, -0.01, 0.012, -0.008, 0.0])
    V = 0.015**2 * np.eye(8)
    normal, heavy = (effect_draws(effects, V, ONE_KIND, np.zeros(8), t).mean(axis=0) for t in (np.inf, 2.0))
    assert normal[0] < heavy[0] < 0.15
    assert np.abs(heavy[1:]).max() < np.abs(normal[1:]).max()


def test_kinds_of_effects_have_spreads_of_their_own():
    """Large effects of one kind do not make small ones of another kind large."""
    large, small = 0.2 * np.array([1, -1, 1, -1.0]), 0.004 * np.array([1, 1, -1, -1.0])
    kind = np.repeat([0, 1], 4)
    draws = effect_draws(np.concatenate([large, small]), 0.01**2 * np.eye(8), kind, np.zeros(8))
    means = draws.mean(axis=0)
    assert means[:4] == pytest.approx(large, rel=0.02)
    assert np.abs(means[4:]).max() < 0.5 * 0.004


def test_each_mechanism_has_a_mean_of_its_own():
    """Uncertain effects of one mechanism are shrunk to their own mean, not to that of another with larger effects."""
    estimates = np.array([-0.09, 0.06, 0.001, 0.035, 0.018, 0.026])
    direction = np.array([-1.0, 1, 1, 1, 1, 1])
    V = np.diag(np.array([0.005, 0.005, 0.012, 0.012, 0.012, 0.012]) ** 2)
    apart, together = (
        effect_draws(estimates, V, np.array(kind), direction).mean(axis=0)
        for kind in ([0, 0, 1, 1, 1, 1], [0, 0, 0, 0, 0, 0])
    )
    assert np.ptp(apart[2:]) < np.ptp(together[2:]) < np.ptp(estimates[2:])
    assert apart[2:].mean() == pytest.approx(estimates[2:].mean(), abs=0.003)
    assert apart[:2] == pytest.approx(estimates[:2], abs=0.01)
