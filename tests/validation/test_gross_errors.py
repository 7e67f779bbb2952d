"""Slow proof: do checks and intervals stay true if some laboratory values are grossly wrong?

`pytest -m slow tests/validation/test_gross_errors.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=8` makes a quick run that only prints them. A run takes a minute or two.
"""

import os

import numpy as np
import polars as pl
import pytest

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.fit_seasons import MECHANICS, fit_season
from tests.validation.processes import processes
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue, load_catalogue
from transforms.model.checks.fit_checks import CHECKS
from transforms.model.effects import effects
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit
from transforms.model.response_scale import pct_from_scale, ratio_scale

PAGE_SEASONS = 36
SEASONS = int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS))
GROSS_SHARE = 0.03
GROSS_LOG = (0.7, 1.6)
"""Size of a gross error on the log scale: a mislabelled sample is off by a factor of two to five, either way."""
JUDGED = ("placebo", "influence", "site_day")


def with_gross_errors(facts: pl.DataFrame, seed: int) -> pl.DataFrame:
    """Return facts of which 3 % have a grossly wrong dirt tare."""
    rng = np.random.default_rng(seed)
    wrong = rng.random(facts.height) < GROSS_SHARE
    size = rng.choice([-1.0, 1.0], facts.height) * rng.uniform(*GROSS_LOG, facts.height)
    z = ratio_scale(facts[DIRT].to_numpy()) + wrong * size
    return facts.with_columns(pl.Series(DIRT, pct_from_scale(z)))


def interval_widths(fit: ResponseFit, catalogue: Catalogue) -> np.ndarray:
    """Return the widths on the log scale of the reported intervals over all rows, by setting."""
    table = effects(fit, catalogue, 30).filter(pl.col("wetness_class").is_null() & pl.col("soil_class").is_null())
    low, high = (np.log1p(table[c].to_numpy() / 100) for c in ("lo95", "hi95"))
    return high - low


def judged(job: int) -> list[dict[str, object]]:
    """Return the checks of one season with and without gross errors, and how much wider they make intervals."""
    catalogue, mechanic = load_catalogue(), list(MECHANICS)[job % len(MECHANICS)]
    clean = fit_season(9000 + job, mechanic, catalogue, machines=8, days=16).facts
    out, widths = [], []
    for name, facts in (("clean", clean), ("gross", with_gross_errors(clean, job))):
        fit = fit_response(facts, DIRT, catalogue, 0.1)
        assert fit is not None
        widths.append(interval_widths(fit, catalogue))
        rows = [row for check in JUDGED for row in CHECKS[check](fit)]
        out += [{"season": job, "facts": name, "check": r["check"], "passed": r["passed"]} for r in rows]
        out.append({"season": job, "facts": name, "check": "is Huberised", "passed": not fit.tails.is_huberised})
    ratio = float(np.exp(np.mean(np.log(widths[1] / widths[0]))))
    return [{**r, "width_ratio": ratio} for r in out]


@pytest.mark.slow
def test_gross_laboratory_errors_do_not_alarm_checks_or_widen_intervals():
    with processes() as pool:
        table = pl.DataFrame([row for rows in pool.map(judged, range(SEASONS)) for row in rows])
    alarms = (
        table.group_by("facts", "check")
        .agg((~pl.col("passed")).mean().alias("alarm_rate"))
        .pivot("facts", index="check", values="alarm_rate")
        .sort("check")
    )
    wider = table.unique("season")["width_ratio"].to_numpy()
    rows = [[r["check"], f"{r['clean']:.3f}", f"{r['gross']:.3f}"] for r in alarms.iter_rows(named=True)]
    widths = (
        f"Intervals are {wider.mean():.2f} times as wide as without those errors"
        f" ({wider.min():.2f} to {wider.max():.2f} by season)."
    )
    head = ["check", "share of seasons in which it alarms, no gross errors", "3 % gross errors"]
    lines = [*markdown_table(head, rows), "", widths]
    measured = f"{SEASONS} seasons"
    write_figures(VALIDATION, "gross laboratory errors", lines, measured, only_print=SEASONS != PAGE_SEASONS)
    rate = dict(alarms.select("check", "gross").iter_rows())
    assert rate["is Huberised"] == 1.0
    assert rate["placebo"] <= 0.10
    assert rate["site_day"] <= 0.10
    assert wider.mean() < 1.2
