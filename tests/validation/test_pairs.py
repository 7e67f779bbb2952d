"""Slow proof: are pairs of settings that interact found, and are others left alone?

`pytest -m slow tests/validation/test_pairs.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=6` makes a quick run that only prints them. A run takes some five minutes.
"""

import os

import numpy as np
import polars as pl
import pytest

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.fit_seasons import MECHANICS, USUAL, fit_season
from tests.validation.processes import processes
from transforms.advice.pair_effects import pair_effects
from transforms.arrays import to_float
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import load_catalogue
from transforms.demo.mechanics import Ground
from transforms.model.estimate import fit_response
from transforms.model.pair_tests import pair_tests
from transforms.model.response_scale import pct_from_scale, ratio_scale

PAGE_SEASONS = 120
SEASONS = int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS))
PLANTED, EFFECT = (("cleaner_1_speed_rpm", "separator_1_height_mm"), ("share_depth_cm", "share_drive_pct")), 0.04
NEGLIGIBLE = 0.001
"""Log change per step and step below which a pair of the mechanics counts as none."""


def true_pair(mechanic: str, facts: pl.DataFrame, pair: tuple[str, str]) -> float:
    """Return the change of one setting's effect per step of the other in the mechanics, mean over the loads."""
    catalogue = load_catalogue()
    settings = {n: facts[n].to_numpy() for n in USUAL}
    crop = facts["yield_t_ha"].to_numpy()
    ground = Ground(
        facts["topsoil_wetness"].to_numpy(),
        facts["clay_pct"].to_numpy() / 100,
        crop,
        np.clip(crop / 95, 0.4, 1.2),
        np.zeros(crop.size),
    )
    a, b = pair
    total = np.zeros(crop.size)
    for i in (1, -1):
        for j in (1, -1):
            moved = {a: settings[a] + i * catalogue[a].step, b: settings[b] + j * catalogue[b].step}
            total += i * j * np.log(MECHANICS[mechanic]({**settings, **moved}, ground)) / 4
    return float(total.mean())


def judged(job: int) -> list[dict[str, object]]:
    """Return each tested pair of a season with its true and estimated effect, and whether it is admitted."""
    catalogue, mechanic = load_catalogue(), list(MECHANICS)[job % len(MECHANICS)]
    facts = fit_season(5200 + job, mechanic, catalogue).facts
    truth, z = {}, ratio_scale(facts[DIRT].to_numpy())
    for a, b in PLANTED:
        x, y = ((facts[n].to_numpy() - facts[n].mean()) / catalogue[n].step for n in (a, b))
        z = z + EFFECT * x * y
        truth[a, b] = EFFECT
    fit = fit_response(facts.with_columns(pl.Series(DIRT, pct_from_scale(z))), DIRT, catalogue, 0.1)
    assert fit is not None
    admitted = {p.settings: p for p in pair_effects(fit, 30)}
    return [
        {
            "season": job,
            "pair": " x ".join(t.pair),
            "planted": t.pair in truth,
            "true": truth.get(t.pair, 0.0) + true_pair(mechanic, facts, t.pair),
            "is_admitted": t.pair in admitted,
            "estimate": t.estimate[0],
            "shrunk": float(admitted[t.pair].draws.mean()) if t.pair in admitted else None,
        }
        for t in pair_tests(fit, 30)
        if t.estimate is not None
    ]


@pytest.mark.slow
def test_planted_pairs_are_found_and_others_are_not():
    with processes() as pool:
        table = pl.DataFrame([row for rows in pool.map(judged, range(SEASONS)) for row in rows])
    planted, none = table.filter("planted"), table.filter(pl.col("true").abs() < NEGLIGIBLE)
    found, false = to_float(planted["is_admitted"].mean()), to_float(none["is_admitted"].mean())
    rows = [
        [
            str(name),
            *(f"{to_float(g[c].mean()):.3f}" for c in ("true", "estimate", "shrunk", "is_admitted")),
            f"{g.height}",
        ]
        for (name,), g in planted.group_by("pair", maintain_order=True)
    ]
    head = ["planted pair", "true", "estimated", "in advice", "found in", "seasons"]
    others = (
        f"Pairs without interaction (below {NEGLIGIBLE} in the mechanics): {none['is_admitted'].sum()} of {none.height}"
        f" admitted ({false:.3f})."
    )
    lines = [*markdown_table(head, rows), "", others]
    write_figures(VALIDATION, "pairs of settings", lines, f"{SEASONS} seasons", only_print=SEASONS != PAGE_SEASONS)
    assert found >= 0.90
    assert false <= 0.01
