"""Against lme4, lmerTest, pbkrtest and mgcv on data/unbalanced.csv: invented, unbalanced, a treatment on whole fields.

`r/mixed_models.R` wrote data/r_output.json; where R and its packages are installed the script runs again.
"""

import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from transforms.mixed_model.contrasts import contrast, contrasts, f_test
from transforms.mixed_model.p_spline import PSpline
from transforms.mixed_model.reml import DenseBlock, Factor, RemlFit, fit_reml

HERE = Path(__file__).parent
R_OUTPUT = json.loads((HERE / "data" / "r_output.json").read_text("utf-8"))
DATA = pd.read_csv(HERE / "data" / "unbalanced.csv")
X = np.column_stack([np.ones(len(DATA)), DATA[["depth", "speed", "treatment"]]]).astype(float)
Y = DATA["y"].to_numpy(float)


def factor(name: str, slope: np.ndarray | None = None) -> Factor:
    codes, levels = pd.factorize(DATA[name.split(maxsplit=1)[0]], sort=True)
    return Factor(name, codes.astype(np.int64), len(levels), slope)


FIELD, MACHINE = factor("field"), factor("machine")
FITS: dict[str, RemlFit] = {
    "plain": fit_reml(Y, X, [], [FIELD, MACHINE]),
    "weighted": fit_reml(Y, X, [], [FIELD, MACHINE], DATA["w"].to_numpy()),
    "likely": fit_reml(Y, X, [], [FIELD, MACHINE], method="ml"),
    "sloped": fit_reml(Y, X, [], [FIELD, MACHINE, factor("machine slope", X[:, 1])]),
}


@pytest.mark.parametrize("name", FITS)
def test_deviance_variances_and_effects_are_lme4_s(name):
    fit, theirs = FITS[name], R_OUTPUT[name]
    assert fit.deviance == pytest.approx(theirs["deviance"], abs=1e-5)
    for part, ours in (
        ("field", fit.variances["field"]),
        ("machine", fit.variances["machine"]),
        ("Residual", fit.residual),
    ):
        assert ours == pytest.approx(theirs["variances"][part], rel=2e-3, abs=1e-6)
    assert fit.beta == pytest.approx(theirs["beta"], abs=2e-4)
    assert np.sqrt(np.diag(fit.cov_core)) == pytest.approx(theirs["se"], rel=1e-3)
    for part in ("field", "machine"):
        assert fit.u[part] == pytest.approx(theirs["blup"][part], abs=2e-3)


def test_slopes_of_machines_are_lme4_s():
    assert FITS["sloped"].variances["machine slope"] == pytest.approx(
        R_OUTPUT["sloped"]["variances"]["machine.1"], rel=2e-3
    )


def test_adjusted_errors_are_pbkrtest_s_and_degrees_of_freedom_near_lmertest_s():
    """lmerTest takes the observed Hessian, pbkrtest and we the expected information: 13.8 against 12.5 at most."""
    found = contrasts(FITS["plain"], np.eye(4))
    assert [c.df for c in found] == pytest.approx(R_OUTPUT["satterthwaite"], rel=0.11)
    assert [c.se for c in found] == pytest.approx(R_OUTPUT["kenward_roger_se"], rel=1e-4)


@pytest.mark.parametrize(("name", "rows"), [("treatment", [3]), ("depth_and_speed", [1, 2])])
def test_f_tests_are_kenward_and_roger_s(name, rows):
    found, theirs = f_test(FITS["plain"], np.eye(4)[rows]), R_OUTPUT[name]
    assert pytest.approx(theirs["F"], rel=1e-4) == found.F
    assert found.df_within == pytest.approx(theirs["df"], rel=1e-3)
    assert found.p_value == pytest.approx(theirs["p"], rel=2e-3)


def test_a_curve_is_mgcv_s():
    """Same knots (ten pieces from 2 to 5), REML: the centred curve and its error, given the variances."""
    spline = PSpline(2, 5, 10)
    Z = spline.columns(X[:, 1])
    fit = fit_reml(Y, X, [DenseBlock("depth", Z)], [FIELD, MACHINE])
    at = np.array(R_OUTPUT["curve"]["depth"])
    L = np.zeros((at.size, fit.cov_core.shape[0]))
    L[:, 1] = at - X[:, 1].mean()
    L[:, 4:] = spline.columns(at) - Z.mean(axis=0)
    se = np.sqrt(np.diag(L @ fit.cov_core @ L.T))
    assert L @ fit.coef[: L.shape[1]] == pytest.approx(R_OUTPUT["curve"]["fit"], abs=0.01 * se.min())
    assert se == pytest.approx(R_OUTPUT["curve"]["se"], rel=0.005)
    assert all(contrast(fit, row).se >= s for row, s in zip(L, se, strict=True))


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="Rscript is not installed")
def test_the_script_still_writes_what_is_stored(tmp_path):
    packages = "c('lme4', 'lmerTest', 'pbkrtest', 'mgcv', 'jsonlite')"
    asked = f"for (p in {packages}) stopifnot(requireNamespace(p, quietly = TRUE))"
    if subprocess.run(["Rscript", "-e", asked], capture_output=True, check=False).returncode:
        pytest.skip("an R package of the script is not installed")
    shutil.copytree(HERE / "r", tmp_path / "r")
    shutil.copytree(HERE / "data", tmp_path / "data")
    (tmp_path / "data" / "r_output.json").unlink()
    subprocess.run(["Rscript", "mixed_models.R"], cwd=tmp_path / "r", check=True, capture_output=True)
    again = json.loads((tmp_path / "data" / "r_output.json").read_text("utf-8"))
    for name in FITS:
        assert again[name]["deviance"] == pytest.approx(R_OUTPUT[name]["deviance"], abs=1e-5)
