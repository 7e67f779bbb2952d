"""The doubly robust contrast: right if one of its two models is, and its jackknife."""

from dataclasses import replace

import numpy as np
import pytest

from transforms.outcome.doubly_robust import Units, effect_on_treated, effect_on_untreated, jackknife

TRUE = 0.4


def invented(n: int, *, curved: bool, seed: int = 1) -> Units:
    """Return units whose treatment and outcome depend on one covariate; the outcome by its square if curved."""
    rng = np.random.default_rng(seed)
    x = rng.normal(0, 1, n)
    treated = rng.random(n) < 1 / (1 + np.exp(-x))
    outcome = (x**2 + x if curved else 2 * x) + TRUE * treated + rng.normal(0, 0.5, n)
    return Units(outcome, treated, x[:, None], np.ones(n), np.arange(n) % 20)


def plain(units: Units) -> float:
    return float(units.outcome[units.treated].mean() - units.outcome[~units.treated].mean())


@pytest.mark.parametrize("curved", [False, True])
@pytest.mark.parametrize("effect", [effect_on_treated, effect_on_untreated])
def test_it_removes_what_the_covariates_explain(curved, effect):
    units = invented(40_000, curved=curved)
    assert abs(plain(units) - TRUE) > 0.5
    assert effect(units) == pytest.approx(TRUE, abs=0.06)


def test_it_is_right_with_a_wrong_model_of_treatment():
    """Units treated by a threshold, which the logistic model cannot be; the outcome is linear."""
    units = invented(20_000, curved=False)
    rng = np.random.default_rng(2)
    x = units.covariates[:, 0]
    treated = (np.abs(x) < 1) ^ (rng.random(x.size) < 0.1)
    by_threshold = replace(units, treated=treated, outcome=2 * x + TRUE * treated)
    assert effect_on_treated(by_threshold) == pytest.approx(TRUE, abs=1e-9)


def test_effects_on_treated_and_untreated_differ_if_the_effect_does():
    units = invented(40_000, curved=False)
    x = units.covariates[:, 0]
    grown = replace(units, outcome=x * units.treated)
    assert effect_on_treated(grown) == pytest.approx(x[units.treated].mean(), abs=0.02)
    assert effect_on_untreated(grown) == pytest.approx(x[~units.treated].mean(), abs=0.03)


def test_the_jackknife_of_a_mean_is_its_standard_error():
    units = replace(invented(30, curved=False), cluster=np.arange(30))
    found = jackknife(units, lambda u: float(u.outcome.mean()))
    assert found.error == pytest.approx(units.outcome.std(ddof=1) / np.sqrt(30))
    assert found.hi95 - found.value == pytest.approx(2.0452 * found.error, rel=1e-4)  # t, 29 degrees of freedom


def test_repeated_units_of_a_cluster_do_not_make_it_more_certain():
    units = replace(invented(30, curved=False), cluster=np.arange(30))
    rows = np.repeat(np.arange(30), 10)
    many = Units(*(getattr(units, f)[rows] for f in ("outcome", "treated", "covariates", "weight", "cluster")))
    one, ten = (jackknife(u, lambda v: float(v.outcome.mean())) for u in (units, many))
    assert ten.error == pytest.approx(one.error)
