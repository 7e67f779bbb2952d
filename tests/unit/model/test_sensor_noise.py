"""Noise of sensors is found and corrected; movements that are new in each load are not taken for noise."""

import numpy as np
import polars as pl
import pytest

from tests.validation.adversarial_seasons import moved, noisy_sensors, settings_of
from tests.validation.fit_seasons import USUAL, FitSeason, fit_season
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.model.checks.fit_checks import CHECKS
from transforms.model.effects import slope_weights
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit


@pytest.fixture(scope="module")
def season(catalogue) -> FitSeason:
    return fit_season(8001, "crumbling", catalogue)


def fitted(facts: pl.DataFrame, catalogue: Catalogue) -> ResponseFit:
    found = fit_response(facts, DIRT, catalogue, 0.1)
    assert found is not None
    return found


def slope_on_truth(fit: ResponseFit, season: FitSeason) -> float:
    """Return the slope of estimated on true effects over all loads."""
    order = fit.rows["load_id"].str.slice(1).cast(pl.Int64).to_numpy()
    truth = np.array([season.effect[s][order].mean() for s in fit.settings])
    every = np.ones(fit.z.size, dtype=bool)
    estimate = np.array([slope_weights(fit, s, every) @ fit.reml.coef for s in fit.settings])
    return float(estimate @ truth / (truth @ truth))


def test_noise_of_half_a_step_is_found_and_effects_are_corrected(season, catalogue):
    facts = noisy_sensors(season, catalogue, np.random.default_rng(4)).facts
    found = fitted(facts, catalogue)
    assert min(found.frame.sensors) < 0.9
    assert found.reliability.max() < 0.95
    (row,) = CHECKS["sensor_noise"](found)
    assert (row["passed"], row["reason_code"]) == (False, "sensors_noisy")
    # Without times nothing is known of successive loads, so nothing is corrected.
    plain = fitted(facts.drop("lifted_at"), catalogue)
    assert plain.frame.sensors == ()
    assert slope_on_truth(plain, season) < 0.8
    assert 0.85 < slope_on_truth(found, season) < 1.15


@pytest.mark.slow
def test_one_noisy_sensor_leaves_the_others_alone(season, catalogue):
    rng, name = np.random.default_rng(5), "cleaner_1_speed_rpm"
    noise = rng.normal(0, 0.8 * catalogue[name].step, season.facts.height)
    found = fitted(season.facts.with_columns(pl.col(name) + pl.Series(noise)), catalogue)
    sensors = dict(zip((s.name for s in found.frame.settings), found.frame.sensors, strict=True))
    assert sensors.pop(name) < 0.8
    assert set(sensors.values()) == {1.0}


@pytest.mark.slow
@pytest.mark.parametrize("lasts", [True, False], ids=["beside settings that are held", "alone"])
def test_movements_that_are_new_in_each_load_are_not_noise(season, catalogue, lasts):
    """The same movements, but of the machine itself: dirt follows them."""
    rng, settings = np.random.default_rng(4), settings_of(season.facts)
    held = {n: settings[n] if lasts else season.facts[n].mean() for n in USUAL}
    truly = {n: held[n] + rng.normal(0, 0.5 * catalogue[n].step, season.facts.height) for n in USUAL}
    found = fitted(moved(season, truly, np.zeros(season.facts.height), catalogue).facts, catalogue)
    assert found.frame.sensors == ()
    (row,) = CHECKS["sensor_noise"](found)
    assert (row["passed"], row["reason_code"]) == (True, "sensors_reliable")


def test_an_ordinary_season_is_not_corrected(season, catalogue):
    found = fitted(season.facts, catalogue)
    assert found.frame.sensors == ()
