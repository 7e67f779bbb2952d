"""The engine against brute force on small random data; published figures stand in tests/published."""

import numpy as np
import pytest
from scipy.optimize import minimize

from transforms.model.cross_products import CHUNK_ROWS, cross_products
from transforms.model.reml import DenseBlock, Factor, RemlError, fit_reml


def indicator(factor: Factor) -> np.ndarray:
    return np.eye(factor.levels)[factor.codes]


def minus_2l(theta, y, X, parts, w):
    """The restricted likelihood from the marginal covariance itself (Patterson and Thompson 1971)."""
    V = np.diag(theta[-1] / w) + sum(t * Z @ Z.T for t, Z in zip(theta[:-1], parts, strict=True))
    inverse = np.linalg.inv(V)
    information = X.T @ inverse @ X
    beta = np.linalg.solve(information, X.T @ inverse @ y)
    r = y - X @ beta
    n, p = X.shape
    logs = np.linalg.slogdet(V)[1] + np.linalg.slogdet(information)[1]
    return (n - p) * np.log(2 * np.pi) + logs + r @ inverse @ r, beta, np.linalg.inv(information)


@pytest.fixture
def random_model():
    rng = np.random.default_rng(3)
    n = 160
    X = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    factors = [Factor("a", rng.integers(0, 12, n), 12), Factor("b", rng.integers(0, 5, n), 5)]
    block = DenseBlock("z", rng.normal(size=(n, 6)))
    w = rng.uniform(0.4, 1.6, n)
    y = X @ [3.0, 1.0, -0.5] + 0.8 * rng.normal(size=12)[factors[0].codes] + 0.5 * rng.normal(size=5)[factors[1].codes]
    y += block.columns @ rng.normal(0, 0.3, 6) + rng.normal(size=n) / np.sqrt(w)
    return y, X, block, factors, w


def test_the_optimum_is_that_of_the_marginal_likelihood(random_model):
    y, X, block, factors, w = random_model
    fit = fit_reml(y, X, [block], factors, w)
    parts = [block.columns, indicator(factors[0]), indicator(factors[1])]
    theta = np.array([fit.variances["z"], fit.variances["a"], fit.variances["b"], fit.residual])
    value, beta, covariance = minus_2l(theta, y, X, parts, w)
    assert fit.deviance == pytest.approx(value, abs=1e-7)
    assert fit.beta == pytest.approx(beta, abs=1e-8)
    assert fit.cov_core[:3, :3] == pytest.approx(covariance, abs=1e-8)
    best = minimize(lambda t: minus_2l(np.exp(t), y, X, parts, w)[0], np.log(theta), method="Nelder-Mead")
    assert fit.deviance <= best.fun + 1e-5


def test_random_effects_and_their_errors_are_henderson_s(random_model):
    y, X, block, factors, w = random_model
    fit = fit_reml(y, X, [block], factors, w)
    Z = [block.columns, indicator(factors[0]), indicator(factors[1])]
    M = np.hstack([X, *Z])
    sizes = [6, 12, 5]
    shrink = np.concatenate(
        [np.zeros(3), *(np.full(q, fit.residual / fit.variances[k]) for k, q in zip("zab", sizes, strict=True))]
    )
    C = np.linalg.inv(M.T @ (w[:, None] * M) + np.diag(shrink))
    solution = C @ (M.T @ (w * y))
    errors = np.sqrt(fit.residual * np.diag(C))
    for name, start in (("z", 3), ("a", 9), ("b", 21)):
        width = fit.u[name].size
        assert fit.u[name] == pytest.approx(solution[start : start + width], abs=1e-7)
        assert fit.u_se[name] == pytest.approx(errors[start : start + width], abs=1e-7)


def test_cross_products_do_not_depend_on_chunks(monkeypatch, random_model):
    y, X, block, factors, w = random_model
    whole = cross_products(y, X, [block], factors, w)
    monkeypatch.setattr("transforms.model.cross_products.CHUNK_ROWS", 37)
    pieces = cross_products(y, X, [block], factors, w)
    assert y.size < CHUNK_ROWS
    assert pytest.approx(whole.K, abs=1e-9) == pieces.K
    assert pieces.B.toarray() == pytest.approx(whole.B.toarray(), abs=1e-9)


def test_the_same_data_give_the_same_bits(random_model):
    y, X, block, factors, w = random_model
    first, again = (fit_reml(y, X, [block], factors, w) for _ in range(2))
    assert np.array_equal(first.core, again.core)
    assert first.deviance == again.deviance


def test_a_block_without_evidence_vanishes():
    rng = np.random.default_rng(8)
    n = 400
    y = rng.normal(size=n)
    noise = DenseBlock("noise", rng.normal(size=(n, 8)) * 1e-3)
    fit = fit_reml(y, np.ones((n, 1)), [noise], [Factor("g", rng.integers(0, 20, n), 20)])
    assert np.abs(noise.columns @ fit.u["noise"]).max() < 0.2


def test_too_few_rows_are_said(random_model):
    y, X, _, factors, _ = random_model
    with pytest.raises(RemlError, match="too few"):
        fit_reml(y[:3], X[:3], [], [Factor("a", factors[0].codes[:3], 12)])


def test_dependent_columns_are_said(random_model):
    y, X, _, factors, _ = random_model
    with pytest.raises(RemlError, match="depend on each other"):
        fit_reml(y, np.column_stack([X, X[:, 1] * 2]), [], factors)
