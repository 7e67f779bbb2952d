"""Stated worth of the guide on a season against its true worth, over invented seasons.

The proof writes the figures of RESULTS.md; a run with `TARETRACE_SEASONS=6` only prints them.
"""

import os

import numpy as np
import polars as pl
import pytest

from tests.support.results_page import VALIDATION, write_figures
from tests.validation.closed_loop import PRICES, ground_of, new_world, true_cost, work_day
from tests.validation.fit_seasons import MECHANICS, USUAL
from tests.validation.processes import processes
from transforms.advice.guide import setting_guide
from transforms.advice.pair_effects import pair_effects
from transforms.advice.shrinkage import shrinkage
from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.config.settings_catalogue import load_catalogue
from transforms.model.effects import classes_of
from transforms.model.estimate import fit_response

PAGE_SEASONS = 60
SEASONS = int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS))
TONNES = 1000.0


def one_season(seed: int) -> tuple[float, float, float, float]:
    """Return what the guide truly saves on a thousand tonnes in every class it tells of, and what is said of it."""
    catalogue = load_catalogue()
    world = new_world(seed, list(MECHANICS)[seed % len(MECHANICS)], catalogue, machines=10, days=20)
    for day in range(20):
        work_day(world, day)
    facts = pl.concat(world.facts).with_columns(pl.lit("one").alias("generation"))
    audits = pl.concat(world.audits)
    found = {r: fit_response(facts if r == DIRT else audits, r, catalogue, 0.1) for r in (DIRT, ROOT_LOSS)}
    fits = {r: f for r, f in found.items() if f is not None}
    assert set(fits) == {DIRT, ROOT_LOSS}
    spread = {r: shrinkage(f) for r, f in fits.items()}
    cells = [("one", w, s, TONNES) for w in ("dry", "moist", "wet") for s in ("light", "medium", "heavy")]
    lifted = pl.DataFrame(cells, ["generation", "wetness_class", "soil_class", "soil_free_t"], orient="row")
    pairs = {r: pair_effects(f, 30) for r, f in fits.items()}
    guide = setting_guide(fits, spread, pairs, catalogue, PRICES, 30, lifted, np.random.default_rng(seed))
    truth = 0.0
    visits = world.visits.with_columns(pl.col("wet").alias("topsoil_wetness"), pl.col("clay").alias("clay_pct"))
    visits = visits.hstack(classes_of(visits))
    for (wet, soil), rows in guide.settings.group_by("wetness_class", "soil_class", maintain_order=True):
        usual = {n: np.array([USUAL[n][0]]) for n in USUAL}
        usual |= {r["setting"]: np.array([r["usual_value"]]) for r in rows.iter_rows(named=True)}
        moved = rows.filter(pl.col("reason_code") == "best_of_tried")
        start = usual | {r["setting"]: np.array([r["start_value"]]) for r in moved.iter_rows(named=True)}
        speed, saved = float(usual["ground_speed_kmh"][0]), []
        mine = visits.filter((pl.col("wetness_class") == wet) & (pl.col("soil_class") == soil))
        for v in mine.iter_rows(named=True):
            ground = ground_of(np.array([v["wet"]]), v["clay"], v["crop"], v["unseen"])
            before, after = (true_cost(world.mechanic, s, ground, v["crop"], speed)[0] for s in (usual, start))
            saved.append(float(before - after))
        truth += TONNES * float(np.mean(saved))
    reported = guide.worth.filter(pl.col("generation").is_null()).row(0, named=True)
    return truth, reported["saved"], reported["lo95"], reported["hi95"]


@pytest.mark.slow
def test_the_worth_of_the_guide_is_neither_promised_high_nor_too_sure(capsys):
    with processes() as pool:
        rows = np.array(list(pool.map(one_season, range(700, 700 + SEASONS))))
    truth, said, low, high = rows.T
    held, ratio = float(np.mean((low <= truth) & (truth <= high))), float(truth.sum() / said.sum())
    line = (
        f"The true worth is positive in {np.sum(truth > 0)} of {SEASONS} seasons; {ratio:.3f} of the promised worth"
        f" came true; the 95 % interval covered it in {held:.2f} ({round(held * SEASONS)} of {SEASONS})."
    )
    with capsys.disabled():
        write_figures(VALIDATION, "worth of the guide", [line], only_print=SEASONS != PAGE_SEASONS)
    # The season report says so in words: nine in ten, and 93 in 100.
    assert 0.85 <= held <= 0.98
    assert 0.89 <= ratio <= 0.97
    assert np.mean(truth > 0) >= 0.95
