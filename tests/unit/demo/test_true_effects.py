"""True effects of settings that a formula does not read are those of the formula itself."""

import numpy as np
import polars as pl
import pytest

from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.demo import mechanics
from transforms.demo.truth import true_effects

N = 40


@pytest.fixture
def season(catalogue):
    """Settings and ground of forty bins, the bins, and two loads of twenty bins each."""
    rng = np.random.default_rng(1)
    names = [n for n, s in catalogue.items() if s.nature == "numeric"]
    settings = {n: rng.uniform(catalogue[n].low, catalogue[n].high, N) for n in names}
    settings[names[-1]][:5] = np.nan
    varied = ("wetness", "clay", "yield_t_ha", "root_kg", "hidden_log", "tines", "leaf", "drop_m")
    ground = mechanics.Ground(**{k: rng.uniform(0.2, 0.8, N) for k in varied})
    bins = pl.DataFrame({"bin": np.arange(N, dtype=np.uint32)})
    trace = bins.with_columns(
        load_id=pl.Series(["A", "B"]).gather(np.arange(N) // 20), delivered_t=rng.uniform(1, 2, N)
    )
    return settings, ground, bins, trace


def test_true_effects_are_those_of_the_formulas(season, catalogue):
    settings, ground, bins, trace = season
    found = true_effects(settings, ground, catalogue, bins, trace)
    mass = trace["delivered_t"].to_numpy()
    for name, value in settings.items():
        half, known = catalogue[name].step / 2, ~np.isnan(value)
        for response, formula in ((DIRT, mechanics.dirt_ratio), (ROOT_LOSS, mechanics.root_loss_t_ha)):
            up, down = (formula({**settings, name: value + s}, ground) * mass for s in (half, -half))
            for k, load in enumerate(("A", "B")):
                rows = known & (np.arange(N) // 20 == k)
                truth = np.log(up[rows].sum() / down[rows].sum())
                effect = found.filter(load_id=load, setting=name)[response].item()
                assert effect == pytest.approx(truth, abs=1e-12, nan_ok=True)
    unread = found.filter(setting="share_drive_pct")[ROOT_LOSS]
    assert unread.to_list() == [0.0, 0.0]
