"""Hidden dirt within visits: found, its bias foreseen, intervals wider; ordinary seasons untouched."""

import numpy as np
import polars as pl
import pytest

from tests.validation.adversarial_seasons import noisy_sensors, reacting, strong_pairs
from tests.validation.fit_seasons import fit_season
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.model.checks.fit_checks import CHECKS
from transforms.model.drawn_residuals import drawn_residuals
from transforms.model.effects import effects
from transforms.model.estimate import fit_response
from transforms.model.facts import time_order
from transforms.model.fit_result import ResponseFit
from transforms.model.hidden_dirt import RELATED_Z, hidden_dirt
from transforms.model.hidden_reaction import reaction_between_visits, reaction_within_visits
from transforms.model.lag_products import LAGS, VisitOrder
from transforms.model.sensor_error import sensor_errors
from transforms.model.setting_terms import SettingEffect

SEED = 8003


def fitted(facts: pl.DataFrame, catalogue: Catalogue) -> ResponseFit:
    found = fit_response(facts, DIRT, catalogue, 0.1)
    assert found is not None
    return found


@pytest.fixture(scope="module")
def season(catalogue):
    return fit_season(SEED, "crumbling", catalogue)


@pytest.fixture(scope="module")
def ordinary(season, catalogue) -> ResponseFit:
    return fitted(season.facts, catalogue)


@pytest.fixture(scope="module")
def hidden(season, catalogue) -> ResponseFit:
    return fitted(reacting(1.0)(season, catalogue, np.random.default_rng(1)).facts, catalogue)


def test_expected_products_are_those_of_simulated_processes():
    visit = np.repeat(np.arange(3000), np.tile([3, 7, 12], 1000))
    order = VisitOrder(visit, np.arange(visit.size, dtype=np.float64))
    rng, stay = np.random.default_rng(3), 0.8
    noise, values = rng.normal(size=visit.size), np.empty(visit.size)
    for i in range(visit.size):
        is_first = i == 0 or visit[i] != visit[i - 1]
        values[i] = noise[i] if is_first else stay * values[i - 1] + np.sqrt(1 - stay**2) * noise[i]
    four_errors = 4 * np.sqrt(visit.size)
    assert order.products(noise[:, None])[:, 0] == pytest.approx(order.expected(0.0), abs=four_errors)
    assert order.products(values[:, None])[:, 0] == pytest.approx(order.expected(stay), abs=four_errors)
    assert order.expected(0.0).size == LAGS + 1


def test_order_in_time_decides_not_order_of_rows():
    rng = np.random.default_rng(5)
    visit, time, values = np.repeat(np.arange(40), 8), np.tile(np.arange(8.0), 40), rng.normal(size=320)
    shuffled = rng.permutation(320)
    sums = VisitOrder(visit, time).products(values[:, None])
    assert VisitOrder(visit[shuffled], time[shuffled]).products(values[shuffled][:, None]) == pytest.approx(sums)


def test_drawn_residuals_have_the_variance_of_the_fits_own(ordinary):
    drawn = drawn_residuals(ordinary, 20, 1)
    assert drawn.std() == pytest.approx(ordinary.residual.std(), rel=0.02)


def test_an_ordinary_season_has_none_and_the_check_passes(ordinary):
    found = hidden_dirt(ordinary)
    assert found is not None
    assert found.z < RELATED_Z
    assert reaction_within_visits(ordinary) is None
    (row,) = CHECKS["successive_loads"](ordinary)
    assert (row["passed"], row["reason_code"]) == (True, "successive_unrelated")


def test_settings_that_interact_are_not_taken_for_hidden_dirt(season, ordinary, catalogue):
    changed = strong_pairs(season, catalogue, np.random.default_rng(1))
    found, usual = hidden_dirt(fitted(changed.facts, catalogue)), hidden_dirt(ordinary)
    assert found is not None
    assert usual is not None
    assert found.z == pytest.approx(usual.z, abs=0.7)


def test_the_error_that_noise_of_sensors_leaves_is_drawn_as_it_is(season, ordinary, catalogue):
    """Its products by lag against those of the true departures, with the effects of the fit."""
    noisy = fitted(noisy_sensors(season, catalogue, np.random.default_rng(4)).facts, catalogue)
    order = VisitOrder(noisy.visits, time_order(noisy.rows))
    drawn = sensor_errors(noisy, order, 20, np.random.default_rng(2))
    assert drawn is not None
    key = noisy.rows["load_id"].str.slice(1).cast(pl.Int64).to_numpy()
    truth = np.zeros((noisy.z.size, 1))
    for s, reliability in zip(noisy.frame.settings, noisy.frame.sensors, strict=True):
        true, shown = (season.facts[s.name].to_numpy()[key], noisy.rows[s.name].to_numpy())
        truth[:, 0] += noisy.reml.coef[noisy.index_of(SettingEffect(s.name))] * (true - reliability * shown) / s.step
    products, of_draws, new = order.products(truth)[:, 0], order.products(drawn).mean(axis=1), order.expected(0.0)
    # Errors that are new in each load have these products after centring; the excess of the next load is what lasts.
    lasting, drawn_lasting = (p[1] - p[0] * new[1] / new[0] for p in (products, of_draws))
    assert of_draws[0] == pytest.approx(products[0], rel=0.15)
    assert drawn_lasting == pytest.approx(lasting, rel=0.25)
    assert lasting > 0.1 * products[0]
    assert sensor_errors(ordinary, order, 2, np.random.default_rng(2)) is None


def test_the_reaction_between_visits_is_recovered(ordinary):
    """Operators' own numbers (`REACTION`): 6 steps of the first cleaner, -3 of depth, 0 of the share drive."""
    found = dict(zip(ordinary.settings, reaction_between_visits(ordinary), strict=True))
    assert 3 < found["cleaner_1_speed_rpm"] < 9
    assert -5 < found["share_depth_cm"] < -1
    assert abs(found["share_drive_pct"]) < 2


def test_reaction_within_visits_is_seen_and_its_bias_foreseen(season, hidden):
    (row,) = CHECKS["successive_loads"](hidden)
    assert (row["passed"], row["reason_code"]) == (False, "successive_reaction")
    reaction = reaction_within_visits(hidden)
    assert reaction is not None
    assert reaction.tolerable_share < 0.5
    order = hidden.rows["load_id"].str.slice(1).cast(pl.Int64).to_numpy()
    slopes = np.array([hidden.reml.coef[hidden.index_of(SettingEffect(s))] for s in hidden.settings])
    truth = np.array([season.effect[s][order].mean() for s in hidden.settings])
    assert np.corrcoef(slopes - truth, reaction.likely)[0, 1] > 0.8


def test_intervals_hold_for_every_reaction_up_to_the_largest(season, hidden, catalogue):
    table = effects(hidden, catalogue, 30).filter(pl.col("wetness_class").is_null() & pl.col("soil_class").is_null())
    order = hidden.rows["load_id"].str.slice(1).cast(pl.Int64).to_numpy()
    truth = {s: 100 * np.expm1(season.effect[s][order].mean()) for s in hidden.settings}
    rows = list(table.select("setting", "change_pct", "lo95", "hi95").iter_rows())
    covered = [low <= truth[s] <= high for s, _, low, high in rows]
    plain = [abs(truth[s] - change) <= min(high - change, change - low) for s, change, low, high in rows]
    assert sum(covered) >= 8
    assert sum(plain) <= 6
