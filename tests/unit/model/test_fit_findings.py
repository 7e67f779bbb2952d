"""Results of a fit beyond effects: curves, shares, interactions, checks, other seasons, cached weeks."""

import datetime as dt
import json
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from reports.language.reason_text import format_reason
from tests.validation.fit_seasons import FitSeason, fit_season
from transforms.config.response_catalogue import DIRT, ROOT_LOSS, TOPS
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.reason import Reason, reason
from transforms.jobs.product_cache import ProductCache
from transforms.mixed_model.contrasts import contrast
from transforms.mixed_model.p_spline import PSpline
from transforms.mixed_model.secant import SETTLED
from transforms.model.campaign_days import seasons_of
from transforms.model.checks import bootstrap
from transforms.model.checks.bootstrap import (
    ALARM,
    CLEAR,
    DRAWS,
    FALSE_ALARM,
    HONEST,
    MISSED,
    POOR,
    BootstrapCoverage,
    bootstrap_coverage,
)
from transforms.model.checks.fit_checks import CHECKS, fit_checks
from transforms.model.checks.influence import influence
from transforms.model.checks.placebo import placebo
from transforms.model.checks.validation import compare, later_week, out_of_field
from transforms.model.confounding import confounding
from transforms.model.effect_curves import setting_curves
from transforms.model.effects import effects
from transforms.model.estimate import fit_response
from transforms.model.facts import measured_rows
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import prior_rows
from transforms.model.fit_tables import fit_posterior, last_season
from transforms.model.interaction_tests import interaction_gains
from transforms.model.load_decomposition import contributions, expected_loads, parts_of_z
from transforms.model.prediction import PredictionPoint, expected_scale, value_weights
from transforms.model.previous_season import prior_of
from transforms.model.response_scale import pct_from_scale, ratio_scale
from transforms.model.row_batches import RowBatches
from transforms.model.season_products import season_products
from transforms.model.setting_terms import curve_spline
from transforms.model.variance_decomposition import variance_shares
from transforms.model.visits import visit_means
from transforms.model.warm_start import fit_from_warm_start
from transforms.model.weekly_products import with_values

Z = pl.col("z")
UNTRIED = {"effect_few_loads", "effect_hardly_moved", "effect_one_machine"}


def with_z(facts: pl.DataFrame, change: pl.Expr) -> pl.DataFrame:
    """Facts whose dirt is changed on the fitted scale, `pl.col('z')`."""
    z = facts.with_columns(pl.Series("z", ratio_scale(facts[DIRT].to_numpy()))).select(change.alias("z"))["z"]
    return facts.with_columns(pl.Series(DIRT, pct_from_scale(z.to_numpy())))


@pytest.fixture(scope="module")
def small(catalogue: Catalogue) -> FitSeason:
    return fit_season(31, "crumbling", catalogue, machines=8, days=14)


@pytest.fixture(scope="module")
def fit(small: FitSeason, catalogue: Catalogue) -> ResponseFit:
    found = fit_response(small.facts, DIRT, catalogue, 0.1)
    assert found is not None
    return found


def refitted(facts: pl.DataFrame, catalogue: Catalogue) -> ResponseFit:
    found = fit_response(facts, DIRT, catalogue, 0.1)
    assert found is not None
    return found


# --- what is in the model


def test_operators_and_factory_days_are_told_apart_from_machines(fit):
    assert {"field", "machine", "operator", "machine_day", "site_day"} <= set(fit.reml.spans)
    assert fit.left_out == {"season": reason("only_one")}


def test_an_operator_who_never_changes_machine_cannot_be_told_from_it(small, catalogue):
    found = refitted(small.facts.with_columns(pl.col("machine_id").alias("operator_id")), catalogue)
    assert found.left_out["operator"] == reason("same_as_factor", factor="machine")
    assert "operator" not in found.reml.spans
    said = variance_shares(found).filter(pl.col("source") == "operator")
    assert said["share"].to_list() == [None]
    why = reason("source_left_out", why=found.left_out["operator"])
    assert said.select("reason_code", "reason_args").rows() == [(why.code, why.args)]


def test_machines_that_lack_a_setting_stay_in(small, catalogue):
    lacks = small.facts.with_columns(
        pl.when(pl.col("machine_id").is_in(["M000", "M001"]))
        .then(None)
        .otherwise("cleaner_2_speed_rpm")
        .alias("cleaner_2_speed_rpm")
    )
    found = refitted(lacks, catalogue)
    assert found.z.size == small.facts.height
    assert "without cleaner_2_speed_rpm" in found.at
    rows = effects(found, catalogue, 30).filter(pl.col("soil_class").is_null() & pl.col("wetness_class").is_null())
    n = dict(rows.select("setting", "n").iter_rows())
    assert n["cleaner_2_speed_rpm"] < n["cleaner_1_speed_rpm"] == small.facts.height


def test_a_setting_that_never_moves_within_a_visit_is_left_out(small, catalogue):
    still = small.facts.with_columns(pl.col("share_drive_pct").mean().over("machine_id", "shift_date", "field_id"))
    found = refitted(still, catalogue)
    assert "share_drive_pct" not in found.settings
    said = effects(found, catalogue, 30).filter(pl.col("setting") == "share_drive_pct")
    assert said["change_pct"].null_count() == said.height
    assert set(said["reason_code"]) <= {"effect_hardly_moved", "effect_few_loads"}
    assert "effect_hardly_moved" in said["reason_code"]


def test_every_silent_cell_says_why(fit, catalogue):
    table = effects(fit, catalogue, 60)
    silent = table.filter(pl.col("change_pct").is_null())
    assert silent.height > 0
    assert set(silent["reason_code"]) <= UNTRIED
    few = silent.filter(pl.col("reason_code") == "effect_few_loads")
    for row in few.iter_rows(named=True):
        assert json.loads(row["reason_args"]) == {"measured": row["n"], "needed": 60}


def test_top_tare_is_a_third_response(catalogue):
    rng = np.random.default_rng(4)
    season = fit_season(5, "sieving", catalogue, machines=5, days=8).facts
    height = rng.normal(30, 8, season.height)
    z = -3.3 + 0.05 * (height - 30) / 5 + rng.normal(0, 0.1, season.height)
    facts = season.with_columns(pl.Series("scalper_height_mm", height), pl.Series(TOPS, pct_from_scale(z)))
    found = fit_response(facts, TOPS, catalogue, 0.1)
    assert found is not None
    overall = effects(found, catalogue, 30).filter(pl.col("wetness_class").is_null() & pl.col("soil_class").is_null())
    row = overall.filter(pl.col("setting") == "scalper_height_mm").row(0, named=True)
    assert row["lo95"] < 100 * np.expm1(0.05) < row["hi95"]
    assert row["response"] == TOPS


# --- curves


def test_a_p_spline_has_no_straight_line_of_its_own():
    spline = PSpline(3, 12, 9)
    grid = np.linspace(3, 12, 200)
    lines = np.linalg.lstsq(np.column_stack([np.ones(200), grid]), spline.columns(grid), rcond=None)[0]
    assert np.abs(lines).max() < 1e-9
    assert spline.columns(grid).shape == (200, spline.width)
    assert spline.columns(np.array([20.0])) == pytest.approx(spline.columns(np.array([12.0])), abs=1e-6)


def test_a_setting_that_bends_is_followed_and_its_band_holds_the_curve(small, fit, catalogue):
    depth = pl.col("share_depth_cm")
    found = refitted(with_z(small.facts, Z + 0.25 * ((depth - 7.0) ** 2 - 0.6)), catalogue)
    assert found.reml.edf["bends of settings"] > 1
    curve = setting_curves(found, 30).filter(
        (pl.col("setting") == "share_depth_cm") & pl.col("wetness_class").is_null() & pl.col("tried")
    )
    plain = setting_curves(fit, 30).filter(
        (pl.col("setting") == "share_depth_cm") & pl.col("wetness_class").is_null() & pl.col("tried")
    )
    assert curve["value"].to_list() == plain["value"].to_list()
    usual = float(small.facts["share_depth_cm"].median())
    added = 0.25 * ((curve["value"] - 7.0) ** 2 - (usual - 7.0) ** 2)
    gap = (1 + curve["mean"] / 100).log() - (1 + plain["mean"] / 100).log() - added
    half = ((1 + curve["hi95"] / 100).log() - (1 + curve["lo95"] / 100).log()) / 2
    assert (gap.abs() < half + 0.01).all()
    gains = interaction_gains(found).filter(
        (pl.col("setting") == "share_depth_cm") & (pl.col("changes_with") == "its own value")
    )
    assert gains["block_p_value"].item() < 0.01


def test_a_point_with_few_visits_has_no_support(fit):
    curve = setting_curves(fit, 30)
    assert set(curve.filter(~pl.col("tried"))["reason_code"]) <= {"few_visits_near", *UNTRIED}
    assert set(curve.filter("tried")["reason_code"]) == {"change_from_usual"}
    reported = curve.drop_nulls("mean")
    assert (reported["lo95"] <= reported["mean"]).all()
    assert (reported["mean"] <= reported["hi95"]).all()


# --- shares, gains, confounding


def test_shares_of_variance_add_up_and_follow_what_is_put_in(small, fit, catalogue):
    table = variance_shares(fit)
    assert table["share"].sum() == pytest.approx(1)
    share = dict(table.select("source", "share").iter_rows())
    assert share["topsoil wetness"] + share["soil"] > 0.2
    louder = refitted(with_z(small.facts, Z + 0.12 * (pl.col("cleaner_1_speed_rpm") - 38) / 3), catalogue)
    before = abs(share["cleaner_1_speed_rpm"])
    after = variance_shares(louder).filter(pl.col("source") == "cleaner_1_speed_rpm")["share"].item()
    assert after > before + 0.1


def test_sources_of_z_add_up_exactly(fit):
    total = np.sum([p for *_, p in parts_of_z(fit)], axis=0) + fit.typical
    assert total == pytest.approx(fit.z, abs=1e-10)
    points = contributions(fit).group_by("load_id").agg(pl.col("points").sum())
    both = points.join(expected_loads(fit), on="load_id")
    typical = both["observed_pct"] - both["points"]
    assert typical.max() - typical.min() < 1e-9


def test_an_effect_that_changes_with_wetness_is_told(small, catalogue):
    wetness, speed = pl.col("topsoil_wetness"), pl.col("ground_speed_kmh")
    facts = with_z(small.facts, Z + 0.15 * (wetness - 0.5) / 0.25 * (speed - 6) / 0.5)
    table = interaction_gains(refitted(facts, catalogue))
    row = table.filter((pl.col("setting") == "ground_speed_kmh") & (pl.col("changes_with") == "wetness"))
    assert row["lo95"].item() > 5
    assert (table["block_gain"] >= 0).all()


def test_naive_between_and_within_stand_side_by_side_and_flips_are_flagged(small, catalogue):
    mean = pl.col("cleaner_1_speed_rpm").mean().over("machine_id", "shift_date", "field_id")
    facts = with_z(small.facts, Z + 0.2 * (mean - 38) / 3)
    row = confounding(refitted(facts, catalogue)).filter(pl.col("setting") == "cleaner_1_speed_rpm").row(0, named=True)
    assert row["within_hi95"] < 0 < row["between_lo95"]
    assert row["naive_pct"] > 0
    assert row["reason_code"] == "sign_flips_pooled_and_between"
    assert abs(row["wetness_balance"]) <= 1


# --- checks


def test_settings_of_the_next_load_explain_nothing_and_are_caught_when_they_seem_to(small, fit, catalogue):
    found = placebo(fit)
    assert found is not None
    assert found.p_value > 0.01
    order = small.facts.sort("machine_id", "lifted_at")
    ahead = pl.col("cleaner_1_speed_rpm").shift(-1).over("machine_id", "shift_date", "field_id")
    facts = with_z(order, Z + 0.1 * (ahead - pl.col("cleaner_1_speed_rpm")).fill_null(0) / 3)
    caught = placebo(refitted(facts, catalogue))
    assert caught is not None
    assert caught.p_value < 1e-4


def test_loads_of_fields_not_seen_are_predicted_better_than_by_the_last_load(fit):
    found = out_of_field(fit)
    assert found is not None
    assert found.last_load.ratio < 1
    assert found.model < found.mean
    assert found.rows == fit.z.size


@pytest.mark.slow
def test_drawn_again_intervals_hold_what_they_were_drawn_with(fit):
    found = bootstrap_coverage(fit)
    assert found.n % (DRAWS * len(fit.settings)) == 0
    assert found.evidence <= CLEAR


@pytest.mark.slow
def test_intervals_too_narrow_by_a_fifth_are_caught(fit, monkeypatch):
    monkeypatch.setattr(bootstrap, "contrast", lambda *a: replace(c := contrast(*a), se=0.75 * c.se))
    found = bootstrap_coverage(fit)
    assert found.evidence >= ALARM
    assert found.share <= found.bound


@pytest.mark.parametrize(("coverage", "alarms"), [(HONEST, FALSE_ALARM), (POOR, 1 - MISSED)])
def test_the_sequential_test_of_coverage_has_its_error_rates(coverage, alarms):
    """Wald's bounds: at most the stated chance of either error, in a thousand tests without a limit."""
    rng, fired = np.random.default_rng(4), 0
    for _ in range(1000):
        found = BootstrapCoverage(0, 0)
        while found.is_undecided:
            found = BootstrapCoverage(found.covered + int(rng.binomial(30, coverage)), found.n + 30)
        fired += found.evidence >= ALARM
    assert fired / 1000 <= alarms + 0.01 if coverage == HONEST else fired / 1000 >= alarms - 0.02


@pytest.mark.parametrize(("ratio", "most"), [(1.0, 0.04), (1.5, 0.0)])
def test_a_comparison_of_errors_allows_for_days_that_differ_by_chance(ratio, most):
    """Seven days of fifty loads, with an error common to each day: equally good predictors pass, a worse one fails."""
    rng, clusters, passed = np.random.default_rng(3), np.repeat(np.arange(7), 50), []
    for _ in range(300):
        own, other = (rng.normal(0, 0.1, 7)[clusters] + rng.normal(0, 0.3, 350) for _ in range(2))
        found = compare(ratio * own, other, clusters, 1.0)
        assert found.ratio == pytest.approx(np.sqrt((ratio**2 * own**2).mean() / (other**2).mean()))
        passed.append(found.ratio <= found.bound)
    failed = 1 - np.mean(passed)
    assert failed <= most if ratio == 1.0 else failed > 0.9


@pytest.mark.slow
def test_a_later_week_is_predicted_within_the_days_and_conditions_of_the_earlier_ones(small, catalogue):
    """A wave over the days is fitted by the curve of the season, which must not run on beyond its last day."""
    day = (pl.col("shift_date") - pl.col("shift_date").min()).dt.total_days()
    wave = with_z(small.facts, Z + 0.3 * (2 * np.pi * day / 14).sin())
    is_last = pl.col("shift_date") >= pl.col("shift_date").max().dt.truncate("1w")
    delayed = pl.when(is_last).then(pl.col("shift_date", "lifted_at") + dt.timedelta(days=28))
    soon = later_week(refitted(wave, catalogue))
    late = later_week(refitted(wave.with_columns(delayed.otherwise(pl.col("shift_date", "lifted_at"))), catalogue))
    assert soon is not None
    assert late is not None
    assert late.model == pytest.approx(soon.model, rel=0.05)


def test_one_machine_that_carries_an_effect_is_named(fit):
    """One machine's loads pull one setting's effect; Huberised, they would pull less, so the fit itself stays."""
    inside = (fit.x - visit_means(fit.x, fit.visits))[:, fit.setting_column("transfer_web_speed_pct")]
    odd = 0.6 * (fit.rows["machine_id"] == "M003").to_numpy() * inside
    found, plain = influence(replace(fit, pseudo=fit.pseudo + odd), "machine"), influence(fit, "machine")
    assert found is not None
    assert plain is not None
    assert (found.level, found.setting) == ("M003", "transfer_web_speed_pct")
    assert found.worst_se > plain.worst_se


def test_outlying_loads_are_drawn_in_and_told(small, fit, catalogue):
    rng = np.random.default_rng(2)
    odd = rng.random(small.facts.height) < 0.03
    facts = with_z(small.facts, Z + pl.Series(np.where(odd, rng.choice([-2.0, 2.0], odd.size), 0.0)))
    found = refitted(facts, catalogue)
    assert found.tails.is_huberised
    (row,) = CHECKS["tails"](found)
    assert row["passed"] is False
    assert row["reason_code"] == "tails_huberised"
    assert json.loads(str(row["reason_args"]))["far_pct"] == pytest.approx(100 * found.tails.far_share, rel=1e-5)
    assert row["value"] == found.tails.far_share
    assert not fit.tails.is_huberised
    assert found.reml.residual < 3 * fit.reml.residual
    # Rows are weighed by what is found again, Huberised or not.
    for either in (found, fit):
        assert either.reml.residual == pytest.approx(either.s2, rel=SETTLED)


def test_sums_of_other_values_over_the_same_rows_are_those_summed_from_nothing(small, catalogue):
    measured = measured_rows(small.facts, DIRT, catalogue, 0.1)
    assert measured is not None
    rows, frame, z, classes, _ = measured
    other = z[::-1] ** 2
    quick = with_values(season_products(rows, frame, z, classes, None), RowBatches(rows, frame), other, classes)
    whole = season_products(rows, frame, other, classes, None)
    assert list(quick) == list(whole)
    for k, m in whole.items():
        assert quick[k].r == pytest.approx(m.r, rel=1e-10, abs=1e-9)
        assert quick[k].yy == pytest.approx(m.yy)
        assert np.array_equal(quick[k].DD, m.DD)


def test_who_stops_half_way_over_the_rows_leaves_nothing_half(fit: ResponseFit):
    over = RowBatches(fit.rows, fit.frame)
    next(iter(over))
    assert sum(rows.stop - rows.start for rows, _ in over) == fit.z.size
    assert sum(rows.stop - rows.start for rows, _ in over) == fit.z.size


def test_a_check_that_cannot_be_made_says_why(catalogue):
    season = fit_season(3, "sieving", catalogue, machines=3, days=5)
    table = fit_checks(refitted(season.facts, catalogue))
    not_made = table.filter(pl.col("passed").is_null())
    assert not_made.height > 0
    assert all(format_reason(Reason(*why)) for why in not_made.select("reason_code", "reason_args").iter_rows())
    assert set(table["check"]) >= {"placebo", "out_of_field", "later_week", "coverage", "balance", "tails", "site_day"}


# --- several seasons, weeks kept


def year_before(facts: pl.DataFrame) -> pl.DataFrame:
    """The same facts a year earlier under other ids."""
    year = dt.timedelta(days=364)
    return facts.with_columns(
        pl.col("shift_date", "lifted_at") - year, ("a" + pl.col("load_id", "field_id")).name.keep()
    )


def test_several_seasons_are_fitted_at_once(small, catalogue):
    earlier = with_z(year_before(fit_season(32, "crumbling", catalogue, machines=8, days=14).facts), Z + 0.5)
    both = refitted(pl.concat([small.facts, earlier]), catalogue)
    assert len(both.frame.season_starts) == 2
    assert "season" in both.reml.spans
    assert both.rows["campaign_day"].max() < 20
    low, high = sorted(both.reml.u["season"])
    assert high - low == pytest.approx(0.5, abs=0.35)


def test_a_rest_of_two_months_begins_a_season():
    days = pl.Series([dt.date(2024, 10, 1), dt.date(2024, 11, 20), dt.date(2025, 9, 15), dt.date(2025, 9, 16)])
    assert seasons_of(days) == (dt.date(2024, 10, 1), dt.date(2025, 9, 15))


@pytest.fixture(scope="module")
def before(catalogue: Catalogue) -> pl.DataFrame:
    """The posterior of another season with the same effects."""
    return fit_posterior(refitted(fit_season(33, "crumbling", catalogue, machines=8, days=14).facts, catalogue))


def test_last_season_steadies_a_young_one(small, before, catalogue):
    prior = prior_of(before, DIRT)
    assert prior is not None
    young = small.facts.filter(pl.col("shift_date") < dt.date(2025, 10, 6))
    alone, steadied = refitted(young, catalogue), fit_response(young, DIRT, catalogue, 0.1, prior=prior)
    assert steadied is not None
    assert steadied.last_season is not None
    assert not steadied.last_season.denied
    at = [alone.at[s] for s in alone.settings]
    narrower = np.diag(steadied.reml.cov_core)[at] / np.diag(alone.reml.cov_core)[at]
    assert narrower.max() < 1.0
    assert narrower.mean() < 0.8
    assert steadied.reml.residual == pytest.approx(alone.reml.residual, rel=0.05)
    (row,) = CHECKS["last_season"](steadied)
    assert row["passed"] is True
    assert last_season(steadied)["setting"].to_list() == alone.settings
    assert last_season(alone).height == 0


def test_a_last_season_that_this_one_denies_is_not_used(small, fit, catalogue):
    wrong = fit_posterior(fit).with_columns(pl.col("mean") + 1.0)
    found = fit_response(small.facts, DIRT, catalogue, 0.1, prior=prior_of(wrong, DIRT))
    assert found is not None
    assert found.last_season is not None
    assert found.last_season.denied == fit.settings
    assert found.reml.coef == pytest.approx(fit.reml.coef, abs=1e-4)
    (row,) = CHECKS["last_season"](found)
    assert row["passed"] is False
    assert row["reason_code"] == "last_season_contradicted"
    assert set(last_season(found)["reason_code"]) == {"last_season_denied"}


def test_a_setting_that_denies_last_season_leaves_the_others_their_prior(small, before, catalogue):
    is_depth = pl.col("label").str.starts_with("share_depth_cm")
    wrong = before.with_columns(pl.when(is_depth).then(pl.col("mean") + 0.3).otherwise("mean").alias("mean"))
    found = fit_response(small.facts, DIRT, catalogue, 0.1, prior=prior_of(wrong, DIRT))
    assert found is not None
    assert found.last_season is not None
    assert found.last_season.denied == ["share_depth_cm"]
    assert all(w > 0.5 for s, w in found.last_season.weights.items() if s != "share_depth_cm")
    prior = found.last_season.prior
    gained = dict(zip(prior.labels, np.diag(prior.precision) * found.reml.residual, strict=True))
    assert gained["share_depth_cm"] < 1e-6
    assert all(gained[s] > 1 for s in found.settings if s != "share_depth_cm")
    (row,) = CHECKS["last_season"](found)
    assert row["reason_code"] == "last_season_partly"
    assert json.loads(str(row["reason_args"]))["setting"] == ["share_depth_cm"]


def test_simulated_data_include_the_prior(small, before, catalogue):
    found = fit_response(small.facts, DIRT, catalogue, 0.1, prior=prior_of(before, DIRT))
    assert found is not None
    assert found.last_season is not None
    rows, prior = prior_rows(found), found.last_season.prior
    at = [found.at[label] for label in prior.labels]
    assert (rows.T @ rows)[np.ix_(at, at)] / found.s2 == pytest.approx(prior.precision, rel=1e-6, abs=1e-3)
    truth, pushed, _ = bootstrap._drawn_products(found, 50, np.random.default_rng(5))
    gap = found.reml.equations.inverse(found.reml.solution, pushed)[at] - truth[at]
    standard = gap / np.sqrt(np.diag(found.reml.cov_core)[at])[:, None]
    assert np.abs(standard.mean(axis=1)).max() < 4 / np.sqrt(50)
    assert (standard**2).mean() == pytest.approx(1, abs=0.15)


def test_one_more_week_is_summed_alone_and_gives_the_same_bits(small, fit, catalogue, tmp_path):
    early = small.facts.filter(pl.col("shift_date") < dt.date(2025, 10, 6))
    store = ProductCache(tmp_path)
    assert fit_response(early, DIRT, catalogue, 0.1, store) is not None
    made = store.weeks_written
    assert made >= 1
    grown = fit_response(small.facts, DIRT, catalogue, 0.1, store)
    assert grown is not None
    assert np.array_equal(grown.reml.coef, fit.reml.coef)
    assert store.weeks_written - made == 2
    again = ProductCache(tmp_path)
    assert fit_response(small.facts, DIRT, catalogue, 0.1, again) is not None
    assert again.weeks_written == 0


@pytest.mark.parametrize(("seed", "days"), [(3, 6), (8, 5)])
def test_a_fit_of_a_few_days_ends_where_the_equations_of_reml_hold(catalogue, seed, days):
    """Variances that vanish once stopped the search short and were called settled: the residual was 8 % too large."""
    season = fit_season(seed, "sieving", catalogue, machines=6, days=20).facts
    since = pl.col("shift_date") - pl.col("shift_date").min()
    found = fit_response(season.filter(since < dt.timedelta(days=days)), DIRT, catalogue, 0.1)
    assert found is not None
    reml = found.reml
    assert reml.converged
    left = reml.equations.m.n - reml.p - sum(reml.edf.values())
    assert reml.residual == pytest.approx(reml.solution.rss / left, rel=0.005)
    for name, u in reml.u.items():
        if reml.variances[name] > 1e-6 * reml.residual:
            # Half of edf - u'u / s2: what -2 log-likelihood would gain by a relative change of s2.
            assert abs(reml.edf[name] - float(u @ u) / reml.variances[name]) < 0.3, name


@pytest.mark.slow
def test_a_refit_after_one_more_shift_gives_the_bits_of_a_refit_from_nothing(catalogue, tmp_path):
    facts = fit_season(31, "crumbling", catalogue, machines=4, days=29).facts
    last = facts["shift_date"].max()
    assert fit_from_warm_start(facts.filter(pl.col("shift_date") < last), DIRT, catalogue, 0.1, ProductCache(tmp_path))
    (kept,) = tmp_path.glob("*.json")
    grown = fit_from_warm_start(facts, DIRT, catalogue, 0.1, ProductCache(tmp_path))
    assert [p.name for p in tmp_path.glob("*.json")] == [kept.name]
    whole, cold = fit_from_warm_start(facts, DIRT, catalogue, 0.1), fit_response(facts, DIRT, catalogue, 0.1)
    assert grown is not None
    assert whole is not None
    assert cold is not None
    assert np.array_equal(grown.reml.coef, whole.reml.coef)
    assert np.array_equal(grown.reml.theta_cov, whole.reml.theta_cov)
    gap = np.abs(whole.reml.coef - cold.reml.coef)[: cold.width] / np.sqrt(np.diag(cold.reml.cov_core))
    assert gap.max() < 0.02
    kept.write_text("{")
    again = fit_from_warm_start(facts, DIRT, catalogue, 0.1, ProductCache(tmp_path))
    assert again is not None
    assert np.array_equal(again.reml.coef, whole.reml.coef)


def test_a_damaged_week_is_summed_again(small, fit, catalogue, tmp_path):
    assert fit_response(small.facts, DIRT, catalogue, 0.1, ProductCache(tmp_path)) is not None
    for path in tmp_path.glob("*.npz"):
        path.write_bytes(path.read_bytes()[:1000])
    store = ProductCache(tmp_path)
    again = fit_response(small.facts, DIRT, catalogue, 0.1, store)
    assert again is not None
    assert np.array_equal(again.reml.coef, fit.reml.coef)
    assert store.weeks_written == len(list(tmp_path.glob("*.npz")))


def test_weeks_no_fit_asks_for_are_removed(small, catalogue, tmp_path):
    (tmp_path / "old.npz").write_bytes(b"")
    store = ProductCache(tmp_path)
    fit_response(small.facts, DIRT, catalogue, 0.1, store)
    store.remove_unused()
    assert not (tmp_path / "old.npz").exists()
    assert list(tmp_path.glob("*.npz"))


# --- prediction at a place


def test_a_place_s_expectation_moves_by_the_setting_s_own_part(fit):
    row = fit.rows.row(5, named=True)
    place = PredictionPoint({n: float(row[n]) for n in fit.frame.terms.conditions}, "medium", row["machine_id"])
    held = {s: float(row[s]) for s in fit.settings}
    moved = {**held, "share_depth_cm": held["share_depth_cm"] + 0.5}
    change = expected_scale(fit, place, row["field_id"], moved) - expected_scale(fit, place, row["field_id"], held)
    weights = [value_weights(fit, "share_depth_cm", v["share_depth_cm"], place) for v in (moved, held)]
    assert change == pytest.approx(float((weights[0] - weights[1]) @ fit.reml.coef))
    assert abs(change) < 0.5
    far = PredictionPoint({**place.conditions, "clay_pct": 500.0}, "heavy", row["machine_id"])
    edge = PredictionPoint(
        {**place.conditions, "clay_pct": float(fit.rows["clay_pct"].max())}, "heavy", row["machine_id"]
    )
    assert expected_scale(fit, far, "F999", {}) == pytest.approx(expected_scale(fit, edge, "F999", {}))


def test_curves_stand_on_the_catalogue(catalogue):
    assert curve_spline(catalogue["share_depth_cm"]) == PSpline(3, 12, 9)
    with pytest.raises(ValueError, match="has no curve"):
        curve_spline(catalogue["share_drive_pct"])


def test_root_loss_needs_eighty_audits(catalogue):
    assert fit_response(pl.DataFrame({ROOT_LOSS: [1.0]}), ROOT_LOSS, catalogue, 0.1) is None
