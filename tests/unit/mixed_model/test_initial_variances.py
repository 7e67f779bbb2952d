"""Initial variances by moments: brute force, the optimum nearby, and the same optimum as from equal shares."""

import numpy as np
import pytest

from transforms.mixed_model import variance_search
from transforms.mixed_model.cross_products import DenseBlock, Factor, cross_products
from transforms.mixed_model.initial_variances import equal_shares, moments, variance_of_y
from transforms.mixed_model.reml import RemlError, fit_products


@pytest.fixture
def crossed():
    """Two crossed factors, a dense block and weights."""
    rng = np.random.default_rng(7)
    n = 4000
    X = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    factors = [Factor("a", rng.integers(0, 150, n), 150), Factor("b", rng.integers(0, 80, n), 80)]
    block, w = DenseBlock("z", rng.normal(size=(n, 40))), rng.uniform(0.5, 2.0, n)
    y = X @ [1.0, 0.5, -1.0] + block.columns @ rng.normal(0, np.sqrt(0.2), 40) + rng.normal(size=n) / np.sqrt(w)
    y += rng.normal(0, np.sqrt(0.5), 150)[factors[0].codes] + rng.normal(0, np.sqrt(0.3), 80)[factors[1].codes]
    return y, X, block, factors, w


def test_moments_equal_those_of_the_projected_columns(crossed):
    y, X, block, factors, w = crossed
    rows = slice(0, 500)
    factors = [Factor(f.name, f.codes[rows], f.levels) for f in factors]
    m = cross_products(y[rows], X[rows], [DenseBlock("z", block.columns[rows])], factors, w[rows])
    root = np.sqrt(w[rows])[:, None]
    off_x = np.eye(500) - (root * X[rows]) @ np.linalg.pinv(root * X[rows])
    Z = [off_x @ (root * z) for z in (block.columns[rows], *(np.eye(f.levels)[f.codes] for f in factors))]
    Z.append(off_x)
    target = off_x @ (root[:, 0] * y[rows])
    expected = np.array([[((a.T @ b) ** 2).sum() for b in Z] for a in Z])
    theta = np.linalg.solve(expected, [((a.T @ target) ** 2).sum() for a in Z])
    variances, rest = moments(m, variance_of_y(m))
    assert [*variances.values(), rest] == pytest.approx(theta.tolist(), rel=1e-8)


def test_moments_are_near_the_optimum(crossed):
    y, X, block, factors, w = crossed
    m = cross_products(y, X, [block], factors, w)
    variances, rest = moments(m, variance_of_y(m))
    best = fit_products(m)
    assert variances == pytest.approx(best.variances, rel=0.25)
    assert rest == pytest.approx(best.residual, rel=0.05)


def test_a_negative_moment_becomes_a_small_variance():
    rng = np.random.default_rng(2)
    n, noise = 400, rng.normal(size=400)
    codes = np.repeat(np.arange(100), 4)
    noise -= (np.bincount(codes, noise) / 4)[codes]
    m = cross_products(noise, np.ones((n, 1)), [], [Factor("a", codes, 100)])
    total = variance_of_y(m)
    variances, _ = moments(m, total)
    assert 0 < variances["a"] < 0.05 * equal_shares(m, total)[0]["a"]


def test_both_starts_end_at_the_same_optimum(crossed, monkeypatch):
    y, X, block, factors, w = crossed
    m = cross_products(y, X, [block], factors, w)
    shares = fit_products(m)
    monkeypatch.setattr(variance_search, "LARGE_MODEL", 1)
    found = fit_products(m)
    assert found.converged
    assert found.deviance == pytest.approx(shares.deviance, abs=1e-7)
    assert found.variances == pytest.approx(shares.variances, rel=1e-4)
    assert np.abs(found.beta - shares.beta).max() < 1e-3 * found.errors.min()


def test_dependent_columns_are_an_error_from_moments_too(crossed, monkeypatch):
    y, X, _, factors, w = crossed
    monkeypatch.setattr(variance_search, "LARGE_MODEL", 1)
    with pytest.raises(RemlError):
        fit_products(cross_products(y, np.column_stack([X, X[:, 1]]), [], factors, w))
