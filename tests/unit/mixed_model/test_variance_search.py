"""The search for variances on small random data."""

import numpy as np
import pytest

from transforms.mixed_model import variance_search
from transforms.mixed_model.cross_products import Factor, cross_products
from transforms.mixed_model.reml import fit_products

TOLERANCE = 1e-6


@pytest.mark.parametrize("edf", [0.0, 1e9])
def test_the_search_ends_at_the_optimum_if_setting_a_variance_to_zero_costs_likelihood(edf, monkeypatch):
    """Every variance above its optimum counts as vanishing with the second limit, though none is zero there."""
    rng = np.random.default_rng(1)
    codes = [rng.integers(0, 30, 600), rng.integers(0, 20, 600)]
    factors = [Factor(n, c, int(c.max()) + 1) for n, c in zip("ab", codes, strict=True)]
    y = np.sum([rng.normal(0, 1, f.levels)[f.codes] for f in factors], axis=0) + rng.normal(0, 1, 600)
    products = cross_products(y, np.ones((600, 1)), (), factors, None)
    best = fit_products(products, tolerance=TOLERANCE)
    monkeypatch.setattr(variance_search, "VANISHING_EDF", edf)
    start = ({n: 1.05 * v for n, v in best.variances.items()}, best.residual)
    found = fit_products(products, start, tolerance=TOLERANCE)
    assert found.converged
    assert found.deviance == pytest.approx(best.deviance, abs=1e-6)
