"""Score tests of the pairs of settings that the catalogue declares, and those pairs whose effects interact."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import false_discovery_control

from transforms.arrays import Array
from transforms.contracts.reason import Reason, reason
from transforms.model.checks.score import score_test
from transforms.model.fit_result import ResponseFit
from transforms.model.visits import visit_means

ADMITTED_Q = 0.005
"""Pairs with a smaller q count in advice and curves: stricter than in the report, because a false pair would move
settings."""

SMALLEST = 0.01
"""A smaller change, log change per step and step, does not count: it moves no setting, and curved effects of single
settings can look like it."""


def declared_pairs(fit: ResponseFit) -> list[tuple[str, str]]:
    """Return the pairs of the catalogue of which both settings are in the model."""
    known = set(fit.settings)
    return [(s.name, other) for s in fit.frame.settings if s.name in known for other in s.pairs if other in known]


def pair_column(fit: ResponseFit, pair: tuple[str, str]) -> Array:
    """Return the product of two settings in steps less its visit mean, shape (n,); 0 where one is unknown.

    Args:
        fit: fit with both settings, n rows.
        pair: names of the two settings.
    """
    i, j = (fit.setting_column(name) for name in pair)
    known = fit.observed[:, i] & fit.observed[:, j]
    # About the settings' means, so that the product says least about either setting alone.
    product = np.where(known, (fit.x[:, i] - fit.x[known, i].mean()) * (fit.x[:, j] - fit.x[known, j].mean()), 0.0)
    return np.asarray((product - visit_means(product[:, None], fit.visits)[:, 0]) * known)


@dataclass(frozen=True)
class PairTest:
    """Test of one pair.

    Attributes:
        pair: names of the settings.
        n: rows with both.
        estimate: change of one effect per step of the other on the fitted scale, with its standard error; None if the
            pair is not tested.
        p_value: p of the score test; None if the pair is not tested.
        untested: reason why it is not tested; None if it is.
    """

    pair: tuple[str, str]
    n: int
    estimate: tuple[float, float] | None
    p_value: float | None
    untested: Reason | None


def pair_tests(fit: ResponseFit, min_loads: int) -> list[PairTest]:
    """Return the test of every declared pair, each alone at the fitted variances and inside visits (score test).

    Args:
        fit: the fit.
        min_loads: minimum number of rows with both settings.
    """
    return fit.cached(f"pairs from {min_loads}", lambda: [_tested(fit, p, min_loads) for p in declared_pairs(fit)])


def _tested(fit: ResponseFit, pair: tuple[str, str], min_loads: int) -> PairTest:
    """Return the test of one pair."""
    n = int(fit.observed[:, [fit.setting_column(name) for name in pair]].all(axis=1).sum())
    if n < min_loads:
        return PairTest(pair, n, None, None, reason("effect_few_loads", measured=n, needed=min_loads))
    tested = fit.cached(f"score test of {pair}", lambda: score_test(fit, pair_column(fit, pair)[:, None]))
    if not tested.df:
        return PairTest(pair, n, None, None, reason("effect_hardly_moved"))
    return PairTest(pair, n, tested.each[0], tested.p_value, None)


def q_values(tests: list[PairTest]) -> list[float | None]:
    """Return Benjamini and Hochberg's q of each test over the pairs of the response; None if not tested."""
    known = [t.p_value for t in tests if t.p_value is not None]
    if not known:
        return [None] * len(tests)
    q = iter(false_discovery_control(np.clip(known, 1e-300, 1)).tolist())
    return [None if t.p_value is None else next(q) for t in tests]


def interacting_pairs(fit: ResponseFit, min_loads: int) -> list[PairTest]:
    """Return the tests of the pairs whose settings' effects depend on each other (q below `ADMITTED_Q`).

    Args:
        fit: the fit.
        min_loads: minimum number of rows with both settings.
    """
    tests = pair_tests(fit, min_loads)
    return [t for t, q in zip(tests, q_values(tests), strict=True) if q is not None and q < ADMITTED_Q]


def mean_steps(fit: ResponseFit, setting: str) -> float:
    """Return the mean of a setting over the rows that have it, in practical steps from the middle of its range."""
    at = fit.setting_column(setting)
    return float(fit.x[fit.observed[:, at], at].mean())
