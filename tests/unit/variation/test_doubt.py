"""Doubt about effects that their posterior does not show: its size, its draws, and the plans that rest on it."""

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import polars as pl
import pytest

from tests.unit.advice.test_advice import situation, slopes
from transforms.advice.advice_rows import ADVICE_SCHEMA
from transforms.advice.move_effects import MoveEffects
from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.config.settings_catalogue import load_catalogue
from transforms.config.workspace import read_season
from transforms.model.fit_result import ResponseFit
from transforms.model.hidden_reaction import Reaction
from transforms.trial.suggested_trials import UNTRIED_SD
from transforms.trial.value import PairDesign, StepBelief, share_of_worth, worth_of
from transforms.variation import doubt as doubt_module
from transforms.variation.doubt import doubts, with_doubt
from transforms.variation.options import POSSIBLE, variation_options

CLEANER, DRIVE, DEPTH = "cleaner_1_speed_rpm", "share_drive_pct", "share_depth_cm"
RANGE = (30.0, 60.0, 80)


def fit_of(*estimated: str) -> ResponseFit:
    """Return what a doubt needs of a fit: candidate settings, and those in the model."""
    catalogue = load_catalogue()
    frame = SimpleNamespace(settings=tuple(catalogue[n] for n in (CLEANER, DRIVE, DEPTH)))
    return cast("ResponseFit", SimpleNamespace(frame=frame, settings=list(estimated), z=np.zeros(4)))


def reaction(bias: float, *, is_modelled: bool = False) -> Reaction:
    likely, largest = np.array([0.0, bias / 2]), np.array([0.0, bias])
    return Reaction((CLEANER, DEPTH), likely, largest, largest, np.full(2, 1e-3), is_modelled)


@pytest.fixture
def season(tmp_path):
    path = tmp_path / "season.toml"
    path.write_text("[vary]\nenabled = true\n", "utf-8")
    return read_season(path)


def test_settings_that_react_or_hardly_move_are_in_doubt(monkeypatch, catalogue):
    monkeypatch.setattr(doubt_module, "lot_correction", lambda _: None)
    for found, expected in (
        (None, {DRIVE: UNTRIED_SD}),
        (reaction(-0.06), {DRIVE: UNTRIED_SD, DEPTH: 0.06 / 3**0.5}),
        (reaction(-0.06, is_modelled=True), {DRIVE: UNTRIED_SD}),
    ):
        monkeypatch.setattr(doubt_module, "reaction_within_visits", lambda _, r=found: r)
        assert doubts(fit_of(CLEANER, DEPTH), catalogue) == pytest.approx(expected)


def test_draws_are_wider_by_the_doubt_in_proportion_to_the_steps():
    effects = MoveEffects({DIRT: slopes(**{CLEANER: (0.03, 0.01)}), ROOT_LOSS: slopes(**{CLEANER: (0.0, 0.001)})})
    wider = with_doubt(effects, {CLEANER: 0.04, DRIVE: 0.05}, 2)
    for k in (-2, 1, 2):
        cleaner, drive = (wider.change(DIRT, {n: float(k)}) for n in (CLEANER, DRIVE))
        plain = effects.change(DIRT, {CLEANER: float(k)})
        assert cleaner.mean() == pytest.approx(plain.mean(), abs=0.004 * abs(k))
        assert cleaner.std() == pytest.approx(abs(k) * np.hypot(0.01, 0.04), rel=0.05)
        assert (drive.mean(), drive.std()) == pytest.approx((0.0, 0.05 * abs(k)), abs=0.004 * abs(k))
    assert np.array_equal(wider.change(ROOT_LOSS, {CLEANER: 1.0}), effects.change(ROOT_LOSS, {CLEANER: 1.0}))
    one, other = (wider.change(DIRT, {n: 1.0}) for n in (CLEANER, DRIVE))
    assert abs(np.corrcoef(one, other)[0, 1]) < 0.06


def test_a_setting_that_hardly_moves_is_varied_inside_what_the_fleet_ran_at(season):
    """Its effect on dirt is not in the fit; it acts on no root."""
    where = situation(**{CLEANER: RANGE})
    plain = MoveEffects({DIRT: slopes(**{CLEANER: (0.0, 0.01)})})
    effects = with_doubt(plain, {DRIVE: UNTRIED_SD}, 2)
    plain_drive = replace(season.catalogue[DRIVE], responses=(DIRT,))
    one = replace(season, catalogue={**season.catalogue, DRIVE: plain_drive})
    codes = []
    for ran in ({}, {DRIVE: RANGE}):
        at = replace(where, ran=ran, settings={**where.settings, DRIVE: 45.0})
        rows = variation_options(at, effects, pl.DataFrame(schema=ADVICE_SCHEMA), one)
        row = rows.row(by_predicate=pl.col("setting") == DRIVE, named=True)
        codes.append(row["reason_code"])
    assert codes == ["vary_not_tried", POSSIBLE.code]
    assert RANGE[0] <= row["low_value"] < row["high_value"] <= RANGE[1]
    assert row["learnable_sd_per_t"] == pytest.approx(abs(row["per_log"]) * UNTRIED_SD, rel=0.1)


def test_pairs_are_worth_their_share_of_the_pairs_of_the_fleet():
    """A clear but not certain effect: a few pairs change no decision, a hundred do."""
    belief, few = StepBelief(0.1, 0.04, -2.0, 0.01), PairDesign(6, 2.0, 0.2, 12.0)
    own = worth_of(belief, few, 20_000.0, 0.5)
    shared = share_of_worth(belief, few, 300, 20_000.0, 0.5)
    assert shared.value > 1.5 * own.value
    assert shared.cost == own.cost
    assert share_of_worth(belief, few, 6, 20_000.0, 0.5) == own
    # Never more than the pairs' part of knowing the effect for sure.
    assert shared.value < worth_of(belief, PairDesign(10**9, 2.0, 0.2, 12.0), 20_000.0, 0.5).value
