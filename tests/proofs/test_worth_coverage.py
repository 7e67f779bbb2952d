"""What the guide is said to be worth on a season against what it truly is worth, over invented seasons."""

import os
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
import polars as pl
import pytest

from tests.proofs.closed_loop import PRICES, ground_of, new_world, true_cost, work_day
from tests.proofs.fit_seasons import MECHANICS, USUAL
from transforms.advice.guide import setting_guide
from transforms.advice.shrinkage import shrinkage
from transforms.catalogue import DIRT, ROOT_LOSS, load_catalogue
from transforms.model.fit import fit_response

SEASONS = int(os.environ.get("TARETRACE_SEASONS", "30"))
MIDDLE = {"dry": 0.2, "moist": 0.5, "wet": 0.8, "light": 12.0, "medium": 26.0, "heavy": 40.0}
TONNES = 1000.0


def one_season(seed: int) -> tuple[float, float, float, float]:
    """Return what the guide truly saves on a thousand tonnes in every class it tells of, and what is said of it."""
    catalogue = load_catalogue()
    world = new_world(seed, list(MECHANICS)[seed % len(MECHANICS)], catalogue, machines=10, days=20)
    for day in range(20):
        work_day(world, day)
    facts = pl.concat(world.facts).with_columns(pl.lit("one").alias("generation"))
    dirt = fit_response(facts, DIRT, catalogue, 0.1)
    loss = fit_response(pl.concat(world.audits), ROOT_LOSS, catalogue, 0.1)
    assert dirt is not None
    assert loss is not None
    spread = {f.response: shrinkage(f) for f in (dirt, loss)}
    cells = [("one", w, s, TONNES) for w in ("dry", "moist", "wet") for s in ("light", "medium", "heavy")]
    lifted = pl.DataFrame(cells, ["generation", "wetness_class", "soil_class", "clean_t"], orient="row")
    guide = setting_guide(dirt, loss, spread, catalogue, PRICES, 30, lifted, np.random.default_rng(seed))
    truth = 0.0
    for (wet, soil), rows in guide.settings.group_by("wetness_class", "soil_class", maintain_order=True):
        usual = {n: np.array([USUAL[n][0]]) for n in USUAL}
        usual |= {r["setting"]: np.array([r["usual_value"]]) for r in rows.iter_rows(named=True)}
        start = usual | {r["setting"]: np.array([r["start_value"]]) for r in rows.iter_rows(named=True)}
        ground = ground_of(np.array([MIDDLE[str(wet)]]), MIDDLE[str(soil)], 75.0, 0.0)
        speed = float(usual["ground_speed_kmh"][0])
        before, after = (true_cost(world.mechanic, s, ground, 75.0, speed)[0] for s in (usual, start))
        truth += TONNES * float(before - after)
    told = guide.worth.filter(pl.col("generation").is_null()).row(0, named=True)
    return truth, told["saved"], told["lo95"], told["hi95"]


@pytest.mark.slow
def test_the_worth_of_the_guide_is_neither_promised_high_nor_too_sure(capsys):
    os.environ["OMP_NUM_THREADS"] = "1"
    with ProcessPoolExecutor(os.cpu_count(), mp_context=get_context("spawn")) as pool:
        rows = np.array(list(pool.map(one_season, range(700, 700 + SEASONS))))
    truth, said, low, high = rows.T
    held, ratio = float(np.mean((low <= truth) & (truth <= high))), float(truth.sum() / said.sum())
    with capsys.disabled():
        positive = np.mean(truth > 0)
        print(f"\nseasons {SEASONS}: held {held:.3f}, true over promised {ratio:.3f}, truly positive {positive:.3f}")
    assert held >= 0.85
    assert 0.8 < ratio < 1.25
    assert np.mean(truth > 0) >= 0.95
