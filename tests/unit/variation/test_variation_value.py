"""Value of information: formula against numerical integration and simulation, and the sizes that turn it into money."""

import datetime as dt

import numpy as np
import polars as pl
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from transforms.trial.value import PairDesign, StepBelief, preposterior_sd, value_of_information, worth_of
from transforms.variation.season_scale import USUAL_UPTAKE, season_scale, uptake_share


@pytest.mark.parametrize(("mean", "sd"), [(0.05, 0.2), (-0.3, 0.2), (0.0, 1.0), (2.0, 0.7)])
def test_the_formula_is_the_integral(mean: float, sd: float):
    after, _ = quad(lambda g: max(g, 0.0) * norm.pdf(g, mean, sd), mean - 12 * sd, mean + 12 * sd, points=[0.0])
    assert value_of_information(mean, sd) == pytest.approx(after - max(mean, 0.0), abs=1e-7)


def test_the_value_of_data_is_that_of_decisions_made_after_simulated_data():
    """Draw the truth, then data about it; decide by the posterior mean (common conjugate normal formulas)."""
    rng = np.random.default_rng(1)
    mean, sd, error = 0.1, 0.3, 0.2
    truth = rng.normal(mean, sd, 400_000)
    data = truth + rng.normal(0, error, truth.size)
    believed = mean + sd**2 / (sd**2 + error**2) * (data - mean)
    gained = float(truth[believed > 0].sum()) / truth.size - mean
    assert value_of_information(mean, preposterior_sd(sd, error**2)) == pytest.approx(gained, abs=0.002)


def test_a_sure_saving_is_not_worth_asking_about():
    assert value_of_information(1.0, 0.0) == value_of_information(-1.0, 0.0) == 0.0
    assert value_of_information(5.0, 0.5) < 1e-20
    assert preposterior_sd(0.0, 0.1) == 0.0


def test_more_pairs_and_wider_steps_are_worth_more_and_cost_more():
    belief = StepBelief(gain_per_t=0.05, learnable_sd_per_t=0.2, per_log=-1.5, loss_per_t=0.01)
    few, many = (worth_of(belief, PairDesign(n, 2.0, 0.2, 12.0), 10_000.0, 0.5) for n in (4, 16))
    narrow = worth_of(belief, PairDesign(16, 1.0, 0.2, 12.0), 10_000.0, 0.5)
    assert narrow.value < many.value > few.value
    # By hand: 16 pairs of 12 t loads at 0.01 per tonne.
    assert many.cost == pytest.approx(0.01 * 32 * 12)
    assert many.cost == 4 * few.cost
    at_most = value_of_information(0.05, 0.2) * 10_000 * 0.5
    assert 0.9 * at_most < many.value < at_most


def test_a_concave_cost_earns_nothing_by_being_varied():
    belief = StepBelief(0.05, 0.2, -1.5, loss_per_t=-0.5)
    assert worth_of(belief, PairDesign(4, 2.0, 0.2, 12.0), 1000.0, 0.5).cost == 0.0


def test_the_share_of_moves_made_counts_from_ten_judged_ones():
    made = pl.DataFrame({"made_share": [1.0, 1.0, 0.0, -1.0, 0.5, 0.5, 1.0, 1.0, 0.0, None]})
    assert uptake_share(made) == USUAL_UPTAKE
    assert uptake_share(pl.concat([made, pl.DataFrame({"made_share": [0.0]})])) == pytest.approx(0.5)
    assert uptake_share(pl.concat([made, pl.DataFrame({"made_share": [1.0]})])) == pytest.approx(0.6)


def test_tonnes_continue_until_the_end_of_the_season_or_count_as_lifted_so_far():
    lifted = pl.DataFrame(
        {
            "generation": ["a", "b", "a", None],
            "wetness_class": ["wet", "wet", "dry", None],
            "soil_class": ["light"] * 4,
            "soil_free_t": [100.0, 50.0, 30.0, 999.0],
        }
    )
    days = pl.Series([dt.date(2025, 10, 1), dt.date(2025, 10, 10)])
    none_judged = pl.DataFrame(schema={"made_share": pl.Float64})
    assert season_scale(lifted, days, None, none_judged).tonnes == {"wet": 150.0, "dry": 30.0}
    ends = season_scale(lifted, days, dt.date(2025, 10, 30), none_judged)
    assert (ends.tonnes, ends.uptake) == ({"wet": 300.0, "dry": 60.0}, USUAL_UPTAKE)
    assert season_scale(lifted, days, dt.date(2025, 10, 5), none_judged).tonnes["wet"] == 0.0
