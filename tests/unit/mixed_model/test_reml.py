"""The engine against brute force on small random data; published figures are in tests/reference."""

import numpy as np
import pandas as pd
import pytest
import scipy.sparse as sp
import statsmodels.api as sm
from scipy.optimize import minimize

from transforms.mixed_model.block_tridiagonal import BlockTridiagonal, banding
from transforms.mixed_model.contrasts import contrast, contrasts, covariance, draws_covariance, simultaneous_band
from transforms.mixed_model.cross_products import (
    CHUNK_ROWS,
    CrossProducts,
    DenseBlock,
    Factor,
    cross_products,
    sum_products,
)
from transforms.mixed_model.equations import RemlError
from transforms.mixed_model.reml import fit_products, fit_reml


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
        assert fit.u_se(name) == pytest.approx(errors[start : start + width], abs=1e-7)


def test_cross_products_do_not_depend_on_chunks(monkeypatch, random_model):
    y, X, block, factors, w = random_model
    whole = cross_products(y, X, [block], factors, w)
    monkeypatch.setattr("transforms.mixed_model.cross_products.CHUNK_ROWS", 37)
    pieces = cross_products(y, X, [block], factors, w)
    assert y.size < CHUNK_ROWS
    assert pytest.approx(whole.DD, abs=1e-9) == pieces.DD
    assert pytest.approx(whole.FD, abs=1e-9) == pieces.FD
    assert pieces.FF.toarray() == pytest.approx(whole.FF.toarray(), abs=1e-9)


def test_the_same_data_give_the_same_bits(random_model):
    y, X, block, factors, w = random_model
    first, again = (fit_reml(y, X, [block], factors, w) for _ in range(2))
    assert np.array_equal(first.coef, again.coef)
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


def part_of(model, rows) -> CrossProducts:
    """Cross-products of some rows, each factor with only the levels that occur there, by their labels."""
    y, X, block, factors, w = model
    mine = []
    for f in factors:
        labels, codes = np.unique([f"{f.name}{c:02d}" for c in f.codes[rows]], return_inverse=True)
        mine.append(Factor(f.name, codes, labels.size, labels=labels))
    return cross_products(y[rows], X[rows], [DenseBlock("z", block.columns[rows])], mine, w[rows])


def test_parts_joined_by_their_labels_are_the_whole(random_model):
    whole = fit_products(part_of(random_model, np.arange(160)))
    pieces = [part_of(random_model, np.arange(k, min(k + 37, 160))) for k in range(0, 160, 37)]
    joined = fit_products(sum_products(pieces))
    assert joined.deviance == pytest.approx(whole.deviance, abs=1e-8)
    assert joined.coef == pytest.approx(whole.coef, abs=1e-7)
    again = fit_products(sum_products(pieces))
    assert np.array_equal(again.coef, joined.coef)


def test_starting_from_what_was_found_before_ends_in_the_same_place(random_model):
    y, X, block, factors, w = random_model
    cold = fit_reml(y, X, [block], factors, w)
    warm = fit_products(cross_products(y, X, [block], factors, w), start=(cold.variances, cold.residual))
    assert warm.iterations < cold.iterations
    assert warm.deviance == pytest.approx(cold.deviance, abs=1e-7)


def test_a_variance_started_on_the_boundary_leaves_it(random_model):
    y, X, block, factors, w = random_model
    cold = fit_reml(y, X, [block], factors, w)
    nothing = dict.fromkeys(cold.variances, 0.0)
    warm = fit_products(cross_products(y, X, [block], factors, w), start=(nothing, cold.residual))
    assert warm.deviance == pytest.approx(cold.deviance, abs=1e-6)
    assert warm.iterations < 20


def test_maximum_likelihood_is_that_of_the_marginal_covariance(random_model):
    y, X, block, factors, w = random_model
    fit = fit_reml(y, X, [block], factors, w, method="ml")
    parts = [block.columns, indicator(factors[0]), indicator(factors[1])]

    def minus_2l_ml(theta):
        V = np.diag(theta[-1] / w) + sum(t * Z @ Z.T for t, Z in zip(theta[:-1], parts, strict=True))
        inverse = np.linalg.inv(V)
        r = y - X @ np.linalg.solve(X.T @ inverse @ X, X.T @ inverse @ y)
        return y.size * np.log(2 * np.pi) + np.linalg.slogdet(V)[1] + r @ inverse @ r

    theta = np.array([fit.variances["z"], fit.variances["a"], fit.variances["b"], fit.residual])
    assert fit.deviance == pytest.approx(minus_2l_ml(theta), abs=1e-7)
    best = minimize(lambda t: minus_2l_ml(np.exp(t)), np.log(theta), method="Nelder-Mead")
    assert fit.deviance <= best.fun + 1e-5


@pytest.fixture
def days_and_fields(monkeypatch):
    """A model whose second factor is eliminated as a banded block: 40 machine-days that share 60 fields."""
    monkeypatch.setattr("transforms.mixed_model.equations.LARGE_FACTOR", 30)
    monkeypatch.setattr("transforms.mixed_model.block_tridiagonal.SMALLEST_BLOCK", 4)
    rng = np.random.default_rng(6)
    n = 600
    day = np.sort(rng.integers(0, 40, n))
    field = np.minimum(day + rng.integers(0, 3, n) + 20 * (rng.random(n) < 0.01), 59)
    X = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    machine = rng.integers(0, 6, n)
    factors = [
        Factor("field", field, 60),
        Factor("day", day, 40),
        Factor("machine", machine, 6),
        Factor("machine slope", machine, 6, slope=X[:, 1]),
    ]
    y = X @ [1.0, 0.5, 0.0] + rng.normal(0, 0.7, 60)[field] + rng.normal(0, 0.5, 40)[day] + rng.normal(0, 0.5, n)
    y += rng.normal(0, 0.4, 6)[machine] * X[:, 1] + rng.normal(0, 0.3, 6)[machine]
    return y, X, DenseBlock("z", rng.normal(size=(n, 3))), factors


def test_eliminating_a_banded_factor_changes_nothing(days_and_fields, monkeypatch):
    y, X, block, factors = days_and_fields
    banded = fit_reml(y, X, [block], factors)
    assert banded.equations.banded == ["day"]
    monkeypatch.setattr("transforms.mixed_model.equations.LARGE_FACTOR", 10**9)
    dense = fit_reml(y, X, [block], factors)
    assert dense.equations.banded == []
    assert banded.deviance == pytest.approx(dense.deviance, abs=1e-7)
    assert banded.coef == pytest.approx(dense.coef, abs=1e-5)
    for name in ("field", "day", "machine slope", "z"):
        assert banded.u_se(name) == pytest.approx(dense.u_se(name), rel=1e-6)
        assert banded.edf[name] == pytest.approx(dense.edf[name], rel=1e-4, abs=1e-5)


def test_several_large_factors_go_into_one_band(days_and_fields, monkeypatch):
    y, X, block, factors = days_and_fields
    monkeypatch.setattr("transforms.mixed_model.equations.LARGE_FACTOR", 6)
    monkeypatch.setattr("transforms.mixed_model.equations.WIDEST_BAND", 1.0)
    together = fit_reml(y, X, [block], factors)
    assert together.equations.banded == ["day", "machine", "machine slope"]
    monkeypatch.setattr("transforms.mixed_model.equations.WIDEST_BAND", 0.2)
    assert fit_reml(y, X, [block], factors).equations.banded == ["day"]
    monkeypatch.setattr("transforms.mixed_model.equations.LARGE_FACTOR", 10**9)
    dense = fit_reml(y, X, [block], factors)
    assert together.deviance == pytest.approx(dense.deviance, abs=1e-7)
    assert together.coef == pytest.approx(dense.coef, abs=1e-5)
    for name in ("field", "day", "machine", "machine slope"):
        assert together.u_se(name) == pytest.approx(dense.u_se(name), rel=1e-6)
        assert together.edf[name] == pytest.approx(dense.edf[name], rel=1e-4, abs=1e-5)


def test_a_block_tridiagonal_matrix_is_solved_and_inverted_in_its_band(monkeypatch):
    monkeypatch.setattr("transforms.mixed_model.block_tridiagonal.SMALLEST_BLOCK", 3)
    rng = np.random.default_rng(1)
    m = 50
    A = np.zeros((m, m))
    for k in range(4):
        values = rng.normal(size=m - k)
        A += np.diag(values, k) + np.diag(values, -k)
    A += 12 * np.eye(m)
    turn = rng.permutation(m)
    A = A[np.ix_(turn, turn)]
    layout = banding(sp.csr_matrix(A))
    assert layout.edges.size > 5
    A = A[np.ix_(layout.order, layout.order)]
    factored = BlockTridiagonal(sp.csr_matrix(A), layout.edges)
    right = rng.normal(size=(m, 2))
    assert factored.solve(right) == pytest.approx(np.linalg.solve(A, right), abs=1e-10)
    assert factored.log_determinant == pytest.approx(np.linalg.slogdet(A)[1])
    root = rng.normal(size=(m, 3))
    inverse = np.linalg.inv(A) + root @ root.T
    found = factored.inverse_on(sp.csr_matrix(A), root).toarray()
    assert found == pytest.approx(np.where(A != 0, inverse, 0), abs=1e-10)


def test_separate_chains_and_a_graph_without_an_order_are_banded_too(monkeypatch):
    monkeypatch.setattr("transforms.mixed_model.block_tridiagonal.SMALLEST_BLOCK", 3)
    chain = np.diag(np.ones(9), 1) + np.eye(10)
    chain = chain + chain.T
    two = banding(sp.csr_matrix(np.kron(np.eye(2), chain)))
    assert sorted(two.order) == list(range(20))
    assert np.diff(two.edges).max() <= 5
    full = banding(sp.csr_matrix(np.ones((7, 7))))
    assert full.edges.tolist() == [0, 7]


def test_statsmodels_agrees_on_random_data():
    rng = np.random.default_rng(12)
    group, x = np.repeat(np.arange(25), 8), rng.normal(size=200)
    y = 1 + 0.5 * x + rng.normal(0, 1, 25)[group] + rng.normal(0, 0.6, 25)[group] * x + rng.normal(0, 0.8, 200)
    X = np.column_stack([np.ones(200), x])
    factors = [Factor("g", group, 25), Factor("slope", group, 25, slope=x)]
    data = pd.DataFrame({"y": y, "x": x, "g": group})
    for method in ("reml", "ml"):
        theirs = sm.MixedLM.from_formula(
            "y ~ x", data, groups="g", re_formula="0", vc_formula={"i": "0 + C(g)", "s": "0 + C(g):x"}
        ).fit(reml=method == "reml", method="lbfgs")
        fit = fit_reml(y, X, [], factors, method=method)
        assert fit.beta == pytest.approx(theirs.fe_params.to_numpy(), abs=1e-4)
        assert [fit.variances["g"], fit.variances["slope"]] == pytest.approx(list(theirs.vcomp), rel=2e-3)
        assert fit.deviance == pytest.approx(-2 * theirs.llf, abs=1e-4)


@pytest.mark.slow
def test_the_adjustment_is_the_spread_of_estimates_over_unknown_variances(random_model):
    """Derivatives of predictions by the variances, by small differences, against what (8) is built of."""
    y, X, block, factors, w = random_model
    fit = fit_reml(y, X, [block], factors, w)
    products = cross_products(y, X, [block], factors, w)
    L = np.zeros((3, fit.coef.size))
    L[0, 1], L[1, [2, 4]], L[2, [0, 12]] = 1.0, 1.0, 1.0
    adjusted = covariance(fit, L)
    plain = L @ fit.covariances(L.T)
    assert (np.diag(adjusted) >= np.diag(plain)).all()
    rng = np.random.default_rng(5)
    parts = [block.columns, indicator(factors[0]), indicator(factors[1])]
    moved, theta = [], np.array([*fit.variances.values(), fit.residual])
    V = np.diag(theta[-1] / w) + sum(t * Z @ Z.T for t, Z in zip(theta[:-1], parts, strict=True))
    root = np.linalg.cholesky(V)
    for _ in range(400):
        drawn = cross_products(root @ rng.normal(size=y.size), X, [block], factors, w)
        row = []
        for i in range(theta.size):
            out = []
            for sign in (1, -1):
                at = theta * (1 + sign * 1e-4 * (np.arange(theta.size) == i))
                s = fit.equations.__class__(drawn).solve(dict(zip(fit.spans, at[:-1], strict=True)), at[-1])
                out.append(L @ s.coef)
            row.append((out[0] - out[1]) / (2e-4 * theta[i]))
        moved.append(row)
    D = np.einsum("rik,rjk->ijk", moved, moved) / 400
    extra = 2 * np.einsum("ij,ijk->k", fit.theta_cov, D)
    assert np.diag(adjusted) - np.diag(plain) == pytest.approx(extra, rel=0.2)
    drawn_from = draws_covariance(fit, L)
    assert np.diag(drawn_from) == pytest.approx([contrast(fit, row).se ** 2 for row in L])
    scale = np.sqrt(np.diag(drawn_from) / np.diag(plain))
    assert drawn_from == pytest.approx(plain * np.outer(scale, scale))
    assert products.n == y.size


def test_a_simultaneous_band_holds_the_whole_curve(random_model):
    """Drawn from their own covariance, curves stay in the band as often as it says, in pointwise limits less."""
    y, X, block, factors, w = random_model
    fit = fit_reml(y, X, [block], factors, w)
    L = np.zeros((9, fit.cov_core.shape[0]))
    L[:, 1], L[:, 2] = np.linspace(-1, 1, 9), np.linspace(-1, 1, 9) ** 2
    L[:, 3:9] = np.sin(np.outer(np.arange(9), np.arange(1, 7)))
    _, factor = simultaneous_band(fit, L)
    V = covariance(fit, L)
    draws = np.random.default_rng(9).multivariate_normal(np.zeros(9), V, size=20_000, method="eigh")
    worst = np.abs(draws / np.sqrt(np.diag(V))).max(axis=1)
    assert np.mean(worst <= factor) == pytest.approx(0.95, abs=0.02)
    assert np.mean(worst <= 1.96) < 0.87
    assert contrast(fit, L[0]).se == pytest.approx(contrasts(fit, L)[0].se)
