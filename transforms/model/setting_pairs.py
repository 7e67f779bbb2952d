"""Pairs of settings whose effects may depend on each other: a score test of every pair that the catalogue declares."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import false_discovery_control, t

from transforms.arrays import Array
from transforms.contracts.reason import Reason, reason
from transforms.contracts.result_tables import schema_of
from transforms.model.checks.score import score_test
from transforms.model.effects import percent
from transforms.model.fit_result import ResponseFit
from transforms.model.visits import visit_means

PAIR_SCHEMA = schema_of("setting_pair")
FALSE_DISCOVERIES = 0.05
"""A pair interacts if its q value is below this."""


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
    tested = score_test(fit, pair_column(fit, pair)[:, None])
    if not tested.df:
        return PairTest(pair, n, None, None, reason("effect_hardly_moved"))
    return PairTest(pair, n, tested.each[0], tested.p_value, None)


def _q_values(tests: list[PairTest]) -> list[float | None]:
    """Return Benjamini and Hochberg's q of each test over the pairs of the response; None if not tested."""
    known = [t.p_value for t in tests if t.p_value is not None]
    if not known:
        return [None] * len(tests)
    q = iter(false_discovery_control(np.clip(known, 1e-300, 1)).tolist())
    return [None if t.p_value is None else next(q) for t in tests]


def interacting_pairs(fit: ResponseFit, min_loads: int, largest_q: float) -> set[tuple[str, str]]:
    """Return the pairs whose settings' effects depend on each other.

    Args:
        fit: the fit.
        min_loads: minimum number of rows with both settings.
        largest_q: limit of q, which these pairs are below.
    """
    tests = pair_tests(fit, min_loads)
    return {t.pair for t, q in zip(tests, _q_values(tests), strict=True) if q is not None and q < largest_q}


def setting_pairs(fit: ResponseFit, min_loads: int) -> pl.DataFrame:
    """Return `setting_pair` rows: how much the effect of one setting's step changes with a step of another.

    Args:
        fit: the fit.
        min_loads: minimum number of rows with both settings.
    """
    tests, rows = pair_tests(fit, min_loads), []
    for test, q in zip(tests, _q_values(tests), strict=True):
        head = {"response": fit.response, "setting": test.pair[0], "other_setting": test.pair[1], "n": test.n}
        if test.estimate is None or q is None:
            rows.append({**head, **(test.untested or reason("effect_hardly_moved")).columns})
            continue
        (estimate, error), df = test.estimate, max(fit.z.size - fit.width, 1)
        half = float(t.ppf(0.975, df)) * error
        change = {"change_pct": estimate, "lo95": estimate - half, "hi95": estimate + half}
        why = reason("interaction" if q < FALSE_DISCOVERIES else "no_interaction")
        tested = {**{k: percent(v) for k, v in change.items()}, "p_value": test.p_value, "q_value": q}
        rows.append({**head, **tested, **why.columns})
    return pl.DataFrame(rows, schema=PAIR_SCHEMA)
