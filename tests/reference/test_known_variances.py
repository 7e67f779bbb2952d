"""Restricted likelihood and shrinkage with known variances of the estimates, against published meta-analyses."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from transforms.arrays import Array
from transforms.benchmark.shrinkage import shrink_effects
from transforms.mixed_model.cross_products import Factor, cross_products
from transforms.mixed_model.equations import Equations, Solution
from transforms.mixed_model.likelihood import Criterion

# Cases and others of the vaccinated, cases and others of the controls; from memory.
BCG = np.array(
    [
        [4, 119, 11, 128],
        [6, 300, 29, 274],
        [3, 228, 11, 209],
        [62, 13536, 248, 12619],
        [33, 5036, 47, 5761],
        [180, 1361, 372, 1079],
        [8, 2537, 10, 619],
        [505, 87886, 499, 87892],
        [29, 7470, 45, 7232],
        [17, 1699, 65, 1600],
        [186, 50448, 141, 27197],
        [5, 2493, 3, 2338],
        [27, 16886, 29, 17825],
    ]
).astype(float)
# From memory.
SCHOOLS, SCHOOL_ERRORS = np.array([28.0, 8, -3, 7, -1, 1, 18, 12]), np.array([15.0, 10, 16, 11, 9, 11, 10, 18])


class Studies:
    """Estimates of several studies about a common mean, with known variances: the residual variance is one."""

    def __init__(self, estimates: Array, variances: Array) -> None:
        n = estimates.size
        study = Factor("study", np.arange(n), n)
        self.equations = Equations(cross_products(estimates, np.ones((n, 1)), [], [study], 1 / variances))

    def solve(self, tau2: float) -> Solution:
        return self.equations.solve({"study": tau2}, 1.0)

    def minus_2l(self, tau2: float) -> float:
        return Criterion(self.equations, "reml").minus_2l(self.solve(tau2))

    def best(self) -> float:
        """Return the variance between studies at the maximum of the restricted likelihood."""
        found = minimize_scalar(self.minus_2l, bounds=(1e-6, 1000), method="bounded", options={"xatol": 1e-8})
        return float(found.x)


def test_bcg_vaccine():
    """Viechtbauer 2010 (metafor's dat.bcg; Colditz et al. 1994): log risk ratio -.7145 (.1798), tau2 .3132 by REML."""
    a, b, c, d = BCG.T
    studies = Studies(np.log(a / (a + b) / (c / (c + d))), 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))
    tau2 = studies.best()
    at = studies.solve(tau2)
    assert tau2 == pytest.approx(0.3132, abs=5e-5)
    assert at.coef[0] == pytest.approx(-0.7145, abs=5e-5)
    assert np.sqrt(studies.equations.fixed_inverse(at)[0, 0]) == pytest.approx(0.1798, abs=5e-5)


def test_eight_schools_are_at_the_zero_boundary():
    """Rubin 1981: the restricted likelihood of the variance between schools falls from zero on."""
    studies = Studies(SCHOOLS, SCHOOL_ERRORS**2)
    assert np.all(np.diff([studies.minus_2l(tau2) for tau2 in (1e-6, 1e-3, 1, 10, 100, 1000)]) > 0)
    assert studies.best() == pytest.approx(0, abs=1e-4)


def test_eight_schools_averaged_over_the_spread():
    """Gelman et al. 2013, Bayesian Data Analysis, section 5.5: posterior means with a flat prior on the spread.

    The means, to one decimal, are from memory. `shrink_effects` returns differences from the mean of the schools.
    """
    published = np.array([11.4, 7.9, 6.1, 7.7, 5.1, 6.1, 10.7, 8.5])
    studies = Studies(SCHOOLS, SCHOOL_ERRORS**2)
    spread = np.linspace(0.1, 120, 600)
    minus_2l = np.array([studies.minus_2l(sd**2) for sd in spread])
    probability = np.exp(-(minus_2l - minus_2l.min()) / 2)
    probability /= probability.sum()
    centre, V = np.eye(8) - 1 / 8, np.diag(SCHOOL_ERRORS**2)
    found = shrink_effects(
        centre @ SCHOOLS, centre @ V @ centre, np.full(8, 1 / 8), spread, probability, np.zeros((8, 8)), 1e6
    )
    assert found.mean == pytest.approx(published - published.mean(), abs=0.06)
    means = sum(p * studies.solve(sd**2).coef for p, sd in zip(probability, spread, strict=True))
    assert means[0] + means[1:] == pytest.approx(published, abs=0.06)
