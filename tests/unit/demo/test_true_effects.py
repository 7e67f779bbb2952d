"""True effects of settings are those of the formulas, also if a formula does not read a setting."""

import numpy as np
import polars as pl
import pytest

from transforms.config.response_catalogue import DAMAGED, DIRT, OVER_TOPPED, ROOT_LOSS, TOPS, UNDER_TOPPED
from transforms.demo import mechanics, topping
from transforms.demo.truth import true_effects

N = 40


@pytest.fixture
def season(catalogue):
    """Settings and ground of forty bins, the bins, and two loads of twenty bins each."""
    rng = np.random.default_rng(1)
    names = list(catalogue)
    settings = {n: rng.uniform(catalogue[n].low, catalogue[n].high, N) for n in names}
    settings[names[-1]][:5] = np.nan
    settings["rear_roller_reversed"] = rng.integers(0, 2, N).astype(float)
    varied = ("wetness", "clay", "yield_t_ha", "root_kg", "hidden_log", "tines", "leaf", "drop_m")
    ground = mechanics.Ground(**{k: rng.uniform(0.2, 0.8, N) for k in varied})
    bins = pl.DataFrame({"bin": np.arange(N, dtype=np.uint32)})
    trace = bins.with_columns(
        load_id=pl.Series(["A", "B"]).gather(np.arange(N) // 20), delivered_t=rng.uniform(1, 2, N)
    )
    return settings, ground, bins, trace


LOGS = {DIRT: mechanics.dirt_ratio, ROOT_LOSS: mechanics.root_loss_t_ha}
LOG_ODDS = {
    TOPS: lambda s, g: topping.top_tare_pct(s, g) / 100,
    UNDER_TOPPED: topping.under_topped_share,
    OVER_TOPPED: topping.over_topped_share,
    DAMAGED: topping.damaged_share,
}


def test_true_effects_are_those_of_the_formulas(season, catalogue):
    settings, ground, bins, trace = season
    found = true_effects(settings, ground, catalogue, bins, trace)
    mass = trace["delivered_t"].to_numpy()
    for name, value in settings.items():
        half, known = catalogue[name].step / 2, ~np.isnan(value)
        sides = (np.ones(N), np.zeros(N)) if catalogue[name].is_flag else (value + half, value - half)
        for response, formula in (LOGS | LOG_ODDS).items():
            values = [formula({**settings, name: moved}, ground) for moved in sides]
            for k, load in enumerate(("A", "B")):
                rows = known & (np.arange(N) // 20 == k)
                up, down = (np.average(v[rows], weights=mass[rows]) for v in values)
                truth = np.log(up / down) if response in LOGS else np.log(up / (1 - up) / (down / (1 - down)))
                effect = found.filter(load_id=load, setting=name)[response].item()
                assert effect == pytest.approx(truth, abs=1e-12, nan_ok=True)
    unread = found.filter(setting="share_drive_pct")
    assert unread[ROOT_LOSS].to_list() == unread[DAMAGED].to_list() == [0.0, 0.0]
    scalper = found.filter(setting="scalper_height_mm")
    assert (scalper[UNDER_TOPPED] > 0).all()
    assert (scalper[OVER_TOPPED] < 0).all()
    assert scalper[DIRT].to_list() == [0.0, 0.0]
