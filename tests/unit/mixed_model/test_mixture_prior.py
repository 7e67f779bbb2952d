"""The robust mixture prior against numerical quadrature, and as rows of a regression."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from transforms.mixed_model.cross_products import cross_products
from transforms.mixed_model.mixture_prior import (
    MixturePrior,
    NormalPrior,
    gained_precision,
    posterior_weight,
    with_prior,
)
from transforms.mixed_model.reml import fit_products


@pytest.mark.parametrize("estimate", [0.12, 0.02, -0.05, -0.3])
@pytest.mark.parametrize("weight", [0.2, 0.5, 0.9])
def test_moments_of_one_coefficient_are_those_of_quadrature(estimate, weight):
    C, prior = np.array([[0.03**2]]), MixturePrior(np.array([0.1]), np.array([[0.02**2]]), np.array([[0.08**2]]))
    b = np.linspace(estimate - 12 * 0.03, estimate + 12 * 0.03, 200_001)
    flat = norm.pdf(estimate, 0, np.hypot(0.03, 0.08))
    likelihood = norm.pdf(estimate, b, 0.03)
    informed, vague = weight * norm.pdf(b, 0.1, 0.02) * likelihood, (1 - weight) * flat * likelihood
    p = (informed + vague) / (informed + vague).sum()
    mean = float(p @ b)
    of_last = posterior_weight(prior.log_evidence_ratio(np.array([estimate]), C), weight)
    found, K = prior.moments(np.array([estimate]), C, of_last)
    assert of_last == pytest.approx(informed.sum() / (informed + vague).sum(), rel=1e-6, abs=1e-12)
    assert found[0] == pytest.approx(mean, abs=1e-7)
    assert K[0, 0] == pytest.approx(float(p @ (b - mean) ** 2), rel=1e-5)


def test_moments_of_a_block_are_those_of_quadrature():
    estimate, C = np.array([0.06, -0.01]), np.array([[9.0, 3.0], [3.0, 4.0]]) * 1e-4
    prior = MixturePrior(np.array([0.1, 0.02]), np.array([[4.0, -1.0], [-1.0, 2.0]]) * 1e-4, np.diag([0.0064, 0.0016]))
    grid = np.linspace(-0.25, 0.25, 801)
    b = np.stack(np.meshgrid(estimate[0] + grid, estimate[1] + grid, indexing="ij"), axis=-1).reshape(-1, 2)
    flat = multivariate_normal.pdf(estimate, np.zeros(2), C + prior.vague)
    likelihood = multivariate_normal.pdf(b, estimate, C)
    informed = 0.5 * multivariate_normal.pdf(b, prior.mean, prior.covariance) * likelihood
    p = informed + 0.5 * flat * likelihood
    weight = posterior_weight(prior.log_evidence_ratio(estimate, C), 0.5)
    assert weight == pytest.approx(informed.sum() / p.sum(), rel=1e-5)
    p /= p.sum()
    mean = p @ b
    found, K = prior.moments(estimate, C, weight)
    assert found == pytest.approx(mean, abs=1e-6)
    assert pytest.approx((p[:, None] * (b - mean)).T @ (b - mean), rel=1e-4, abs=1e-9) == K


def test_the_normal_prior_leads_to_the_covariance_of_the_mixture():
    C, K = np.array([[9.0, 3.0], [3.0, 4.0]]), np.array([[5.0, 1.0], [1.0, 2.0]])
    P = gained_precision(C, K)
    assert np.linalg.inv(np.linalg.inv(C) + P) == pytest.approx(K)


def test_a_mixture_wider_than_the_estimate_in_one_direction_gains_nothing_there():
    C, K = np.diag([1.0, 1.0]), np.diag([3.0, 0.5])
    assert gained_precision(C, K) == pytest.approx(np.diag([0.0, 1.0]))


def test_a_prior_as_rows_gives_the_normal_posterior():
    rng = np.random.default_rng(4)
    X, s2 = rng.normal(size=(400, 2)), 0.25
    y = X @ np.array([0.5, -0.2]) + rng.normal(0, np.sqrt(s2), 400)
    products = cross_products(y, X, [], [])
    prior = NormalPrior(("a", "b"), np.array([1.0, 0.0]), np.array([[300.0, 100.0], [100.0, 200.0]]), 0)
    found = fit_products(with_prior(products, {"a": 0, "b": 1}, prior, s2))
    A, b = X.T @ X / s2 + prior.precision, X.T @ y / s2 + prior.precision @ prior.mean
    assert found.coef == pytest.approx(np.linalg.solve(A, b), rel=1e-6)
    assert found.cov_core / found.residual * s2 == pytest.approx(np.linalg.inv(A), rel=1e-6)
    R = prior.roots()
    assert pytest.approx(prior.precision) == R.T @ R


def test_a_prior_without_precision_has_no_rows():
    assert NormalPrior(("a",), np.zeros(1), np.zeros((1, 1)), 0).roots().shape == (0, 1)
