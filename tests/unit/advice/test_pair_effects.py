"""Pairs of settings in the advice: a planted one changes moves, guide and what-if as computed by hand."""

import json
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from tests.validation.closed_loop import PRICES
from tests.validation.fit_seasons import fit_season
from transforms.advice.guide import setting_guide
from transforms.advice.pair_effects import PairEffect, pair_effects
from transforms.advice.posterior import Slopes
from transforms.advice.shrinkage import DRAWS, shrinkage
from transforms.advice.what_if import WhatIfQuery, answer_query
from transforms.advice.what_if_table import tabulate
from transforms.config.response_catalogue import DIRT
from transforms.model.estimate import fit_response
from transforms.model.response_scale import pct_from_scale, ratio_scale

PLANTED, EFFECT = ("cleaner_1_speed_rpm", "separator_1_height_mm"), 0.04
SPEED, HEIGHT = PLANTED
BY_HAND = PairEffect(PLANTED, (38.0, 45.0), (3.0, 5.0), np.full(DRAWS, EFFECT))


@pytest.fixture(scope="module")
def fit(catalogue):
    """A season in which dirt rises by 4 % a step of cleaner for each step of separator above its mean."""
    facts = fit_season(31, "two soils", catalogue, machines=8, days=14).facts
    x, y = ((facts[n] - facts[n].mean()) / catalogue[n].step for n in PLANTED)
    z = ratio_scale(facts[DIRT].to_numpy()) + EFFECT * (x * y).to_numpy()
    made = facts.with_columns(pl.Series(DIRT, pct_from_scale(z)), pl.lit("one").alias("generation"))
    found = fit_response(made, DIRT, catalogue, 0.1)
    assert found is not None
    return found


def test_a_planted_pair_is_admitted_with_its_effect_and_no_other(fit, catalogue):
    (pair,) = pair_effects(fit, 30)
    assert pair.settings == PLANTED
    assert pair.step == (catalogue[SPEED].step, catalogue[HEIGHT].step)
    assert pair.middle == pytest.approx([fit.rows[n].mean() for n in PLANTED], rel=0.02)
    low, high = np.quantile(pair.draws, (0.025, 0.975))
    assert low < EFFECT < high
    assert 0.8 * EFFECT < pair.draws.mean() < 1.2 * EFFECT


def test_a_product_changes_by_what_both_settings_do():
    """By hand: from (41, 50), one step above both means, to (44, 60): 2 x 3 - 1 x 1 = 5."""
    now, moved = {SPEED: 41.0, HEIGHT: 50.0}, {SPEED: 44.0, HEIGHT: 60.0}
    assert BY_HAND.change(now, moved)[:, 0] == pytest.approx(np.full(DRAWS, 5 * EFFECT))
    # A setting without a value counts as its mean, where the other has no more than its own effect.
    assert BY_HAND.change({SPEED: 41.0}, {SPEED: 44.0})[:, 0] == pytest.approx(np.zeros(DRAWS))


def test_moves_of_a_pair_are_worth_more_or_less_together():
    effects = Slopes(list(PLANTED), np.zeros((DRAWS, 2)), {}, (BY_HAND,), {SPEED: 41.0, HEIGHT: 50.0})
    one, other, both = ({SPEED: -1.0}, {HEIGHT: -1.0}, {SPEED: -1.0, HEIGHT: -1.0})
    found = [float(effects.log_change(steps).mean()) for steps in (one, other, both)]
    assert found == pytest.approx([-EFFECT, -EFFECT, -EFFECT])


def test_the_guide_counts_a_pair(fit, catalogue):
    """With the pair the guide saves more: it moves one setting against the other."""
    lifted = pl.DataFrame(
        [("one", w, s, 1000.0) for w in ("dry", "moist", "wet") for s in ("light", "medium", "heavy")],
        ["generation", "wetness_class", "soil_class", "soil_free_t"],
        orient="row",
    )
    free = {n: replace(s, responses=(DIRT,)) for n, s in catalogue.items()}
    spread, rng = {DIRT: shrinkage(fit)}, np.random.default_rng
    without, with_pair = (
        setting_guide({DIRT: fit}, spread, {DIRT: pairs}, free, PRICES, 30, lifted, rng(1)).worth
        for pairs in ((), pair_effects(fit, 30))
    )
    total = [float(w.filter(pl.col("generation").is_null())["saved"][0]) for w in (without, with_pair)]
    assert total[1] > total[0]


def test_what_if_answers_count_a_pair(fit, catalogue):
    """The answer with the pair differs from that without by g times the change of the product."""
    spread, pairs = {DIRT: shrinkage(fit)}, pair_effects(fit, 30)
    plain, paired = (
        json.loads(json.dumps(tabulate({DIRT: fit}, spread, {DIRT: p}, catalogue, PRICES, 30))) for p in ((), pairs)
    )
    usual = paired["usual"]
    asked = {n: usual[n] + 2 * catalogue[n].step for n in PLANTED}
    query = WhatIfQuery(0.5, 25.0, 9.0, 75.0, asked)
    without, found = (answer_query(t, query).dirt_pct.mean for t in (plain, paired))
    logit = [np.log(v / (100 - v)) for v in (without, found)]
    expected = float(pairs[0].change(usual, {**usual, **asked}).mean())
    assert logit[1] - logit[0] == pytest.approx(expected, abs=0.01)
