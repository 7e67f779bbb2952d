"""A few grossly wrong laboratory values: everything made of residuals rests on the pseudo-values that were fitted."""

import numpy as np
import polars as pl
import pytest

from tests.validation.fit_seasons import fit_season
from tests.validation.test_benchmark_coverage import with_operators_and_growers
from tests.validation.test_gross_errors import with_gross_errors
from transforms.benchmark.benchmark import benchmark
from transforms.benchmark.subject_effects import estimate_subject_effects
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.model.checks.fit_checks import CHECKS
from transforms.model.checks.influence import robust_ratio
from transforms.model.checks.placebo import placebo
from transforms.model.cluster_robust import robust_errors
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import dense_passes, row_weights
from transforms.model.load_decomposition import contributions, expected_loads
from transforms.model.row_batches import factor_sums


@pytest.fixture(scope="module")
def clean(catalogue: Catalogue) -> ResponseFit:
    facts, _ = with_operators_and_growers(fit_season(2, "crumbling", catalogue, machines=6, days=12), 1)
    found = fit_response(facts, DIRT, catalogue, 0.1)
    assert found is not None
    assert not found.tails.is_huberised
    return found


@pytest.fixture(scope="module")
def gross(clean: ResponseFit, catalogue: Catalogue) -> ResponseFit:
    facts = with_gross_errors(clean.rows.drop("season_start", "campaign_day"), 1)
    found = fit_response(facts, DIRT, catalogue, 0.1)
    assert found is not None
    assert found.tails.is_huberised
    return found


def test_residuals_of_pseudo_values_solve_the_equations_that_were_solved(gross: ResponseFit):
    """M'W (z* - fitted) is what the variances keep of the coefficients; of the fixed ones it is nothing."""
    m, left = gross.reml.equations.m, gross.residual * row_weights(gross)
    score = np.zeros(m.r.size)
    for rows, D, cols in dense_passes(gross):
        score[: m.d] += D.T @ left[rows]
        score[m.d :] += factor_sums(m, cols, left[rows][:, None])[:, 0]
    scale = np.sqrt(np.diag(m.DD)[: gross.reml.p])
    assert np.max(np.abs(score[: gross.reml.p]) / scale) < 1e-6 * np.linalg.norm(left)
    penalty = np.zeros(m.r.size)
    for name, span in gross.reml.spans.items():
        variance = gross.reml.variances[name]
        penalty[span] = gross.reml.residual / variance * gross.reml.coef[span] if variance > 0 else 0.0
    for name, span in gross.reml.spans.items():
        if gross.reml.variances[name] > 0:
            assert score[span] == pytest.approx(penalty[span], abs=1e-6), name


def test_without_heavy_tails_pseudo_values_are_the_values_measured(clean: ResponseFit):
    assert np.array_equal(clean.pseudo, clean.z)


def test_gross_errors_do_not_widen_cluster_robust_errors(clean: ResponseFit, gross: ResponseFit):
    ratios = []
    for fit in (clean, gross):
        L = np.zeros((len(fit.settings), fit.reml.coef.size))
        L[range(len(fit.settings)), [fit.at[s] for s in fit.settings]] = 1.0
        model = np.sqrt(np.diag(fit.reml.cov_core)[L.argmax(axis=1)])
        ratios.append(robust_errors(fit, L) / model)
    assert np.median(ratios[1]) < 1.1 * np.median(ratios[0])


def test_gross_errors_do_not_alarm_the_checks(clean: ResponseFit, gross: ResponseFit):
    found, without = placebo(gross), placebo(clean)
    assert found is not None
    assert without is not None
    assert found.p_value > 0.05
    assert found.F < 2 * without.F
    assert robust_ratio(gross) < 1.3 * robust_ratio(clean)
    site, site_clean = (CHECKS["site_day"](fit)[0]["value"] for fit in (gross, clean))
    assert site == pytest.approx(site_clean, abs=0.2)


def test_gross_errors_do_not_widen_the_comparison_of_machines(clean: ResponseFit, gross: ResponseFit):
    own, own_clean = estimate_subject_effects(gross, "machine"), estimate_subject_effects(clean, "machine")
    assert own is not None
    assert own_clean is not None
    assert np.median(np.diag(own.own_cov) / np.diag(own_clean.own_cov)) < 1.3


def test_observed_is_as_measured_and_the_parts_add_up(gross: ResponseFit):
    table = benchmark(gross, 10)[0].drop_nulls("observed")
    machines = table.filter(pl.col("subject_kind") == "machine").sort("subject_id")
    weights = row_weights(gross)
    at = gross.machines - 1
    z = np.bincount(at, weights=weights * gross.z) / np.bincount(at, weights=weights)
    assert machines["observed"].to_numpy() == pytest.approx(100 / (1 + np.exp(-z)))
    parts = table["from_settings"] + table["from_outliers"] + table["unexplained"]
    assert (table["observed"] - table["expected"] - parts).abs().max() < 1e-9
    assert table["from_outliers"].abs().max() > 0.1


def test_a_loads_parts_still_add_up_to_what_was_measured(gross: ResponseFit):
    observed = expected_loads(gross).select("load_id", "observed_pct")
    total = contributions(gross).group_by("load_id").agg(pl.col("points").sum())
    typical = observed.join(total, on="load_id").select(pl.col("observed_pct") - pl.col("points")).to_series()
    assert typical.max() - typical.min() < 1e-9
    assert typical[0] == pytest.approx(100 / (1 + np.exp(-gross.typical)))
