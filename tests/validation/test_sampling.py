"""Slow proof: does the check of sampling find laboratories that pick loads by their looks, and no others?

`pytest -m slow tests/validation/test_sampling.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=6` makes a quick run that only prints them. A run takes some ten minutes.
"""

import os

import numpy as np
import pytest

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.fit_seasons import MECHANICS, fit_season
from tests.validation.processes import processes
from tests.validation.sampling import sampled
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import load_catalogue
from transforms.model.checks.fit_checks import MAX_SAMPLING_Z
from transforms.model.checks.sampling import sampling_rate
from transforms.model.estimate import fit_response

PAGE_SEASONS = 60
SEASONS = int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS))
STRENGTHS = (0.0, 0.3, 0.7)
"""Change of the log odds of sampling with one standard deviation of dirt within a machine's day."""


def scores(job: int) -> list[float]:
    """Return the standard score of a season with each strength."""
    catalogue, mechanic = load_catalogue(), list(MECHANICS)[job % len(MECHANICS)]
    facts = fit_season(7300 + job, mechanic, catalogue).facts
    out = []
    for strength in STRENGTHS:
        taken = sampled(facts, strength, seed=job)
        fit = fit_response(taken, DIRT, catalogue, 0.1)
        assert fit is not None
        found = sampling_rate(fit, taken)
        assert found is not None
        out.append(found.z)
    return out


@pytest.mark.slow
def test_sampling_by_looks_is_found_and_random_sampling_is_not():
    with processes() as pool:
        found = np.array(list(pool.map(scores, range(SEASONS))))
    fired = (np.abs(found) > MAX_SAMPLING_Z).mean(axis=0)
    rows = [
        [f"{s:g}", f"{m:.1f}", f"{sd:.2f}", f"{f:.2f}"]
        for s, m, sd, f in zip(STRENGTHS, found.mean(axis=0), found.std(axis=0), fired, strict=True)
    ]
    lines = markdown_table(["log odds per SD of dirt", "mean z", "SD of z", "check fires"], rows)
    write_figures(VALIDATION, "sampling", lines, f"{SEASONS} seasons", only_print=SEASONS < PAGE_SEASONS)
    assert fired[0] <= 0.05
    assert fired[2] >= 0.95
