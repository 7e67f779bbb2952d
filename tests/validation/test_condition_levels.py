"""Slow proof: is the level expected under given conditions, with usual settings, the true one?

Operators set their machines by wetness, clay and hidden dirt, so visit means of settings tell of both.
`pytest -m slow tests/validation/test_condition_levels.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=6` makes a quick run that only prints them.
"""

import os

import numpy as np
import polars as pl
import pytest

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.closed_loop import World, new_world, work_day
from tests.validation.condition_levels import levels, slope
from tests.validation.fit_seasons import MECHANICS
from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.config.settings_catalogue import load_catalogue
from transforms.model.estimate import fit_response

PAGE_SEASONS = 45
SEASONS = int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS))
MACHINES, DAYS = 10, 20
EVERY = 3
"""Every third visit is predicted."""


def season_rows(world: World) -> list[dict[str, object]]:
    """Slope and error of the levels of one season, with and without the correction."""
    rows: list[dict[str, object]] = []
    for response, facts in ((DIRT, world.facts), (ROOT_LOSS, world.audits)):
        fit = fit_response(pl.concat(facts), response, world.catalogue, 0.1)
        assert fit is not None
        truth, expected, beside = levels(fit, world.mechanic, world.visits.gather_every(EVERY))
        row: dict[str, object] = {"response": response, "mechanic": world.mechanic}
        row |= {"slope": slope(expected, truth), "slope_beside": slope(beside, truth)}
        rows.append(row | {"error": float(np.std(expected - truth)), "error_beside": float(np.std(beside - truth))})
    return rows


@pytest.mark.slow
def test_levels_of_conditions_are_those_of_the_truth(capsys):
    found = []
    for seed in range(800, 800 + SEASONS):
        world = new_world(seed, list(MECHANICS)[seed % len(MECHANICS)], load_catalogue(), MACHINES, DAYS)
        for day in range(DAYS):
            work_day(world, day)
        found += season_rows(world)
    means = pl.DataFrame(found).group_by("response", "mechanic").agg(pl.all().mean()).sort("response", "mechanic")
    names = ("slope", "slope_beside", "error", "error_beside")
    table = [[r["response"], r["mechanic"], *(f"{r[n]:.3f}" for n in names)] for r in means.iter_rows(named=True)]
    head = ["response", "mechanic", "slope", "slope beside visit means", "error (log)", "error beside visit means"]
    lines = markdown_table(head, table)
    with capsys.disabled():
        write_figures(
            VALIDATION, "levels of conditions", lines, f"{SEASONS} seasons", only_print=SEASONS != PAGE_SEASONS
        )
    dirt = means.filter(pl.col("response") == DIRT)
    # RESULTS.md states where the aim of 0.95 to 1.05 is missed.
    assert dirt["slope"].is_between(0.90, 1.05).all()
    assert (dirt["error"] < 0.75 * dirt["error_beside"]).all()
    assert means["slope"].is_between(0.88, 1.05).all()
    assert means["error"].mean() < means["error_beside"].mean()
