"""Slow proof: what do seasons that break an assumption of the fit do to its intervals, and which check tells?

`pytest -m slow tests/validation/test_adversarial.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=6` makes a quick run that only prints them. A run takes some five minutes on an idle machine.
"""

import os
import zlib

import numpy as np
import polars as pl
import pytest

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.adversarial_seasons import SEASONS as CHANGES
from tests.validation.fit_seasons import MECHANICS, fit_season
from tests.validation.processes import processes
from transforms.advice.pair_effects import pair_effects
from transforms.arrays import to_float
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import load_catalogue
from transforms.model.checks.fit_checks import CHECKS, sampling_check
from transforms.model.effects import cell_rows, effects
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit

PAGE_SEASONS = 20
SEASONS = int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS))
MIN_COVERED, MIN_FIRES, MAX_FALSE = 0.92, 0.95, 0.05
OWN_CHECK = {
    "hidden dirt within visits, reaction 30 %": "successive_loads",
    "hidden dirt within visits, full reaction": "successive_loads",
    "dirtier loads sampled more": "sampling",
    "sensor noise of half a step": "sensor_noise",
    "rounded to 1 %, floor of 2 %": "rounding",
    "3 % gross errors": "tails",
    "two strong pairs": "setting_pair",
}
"""Weakness -> the check that names it; a statement fires if it reports the weakness, passed or not."""
QUIET = {"successive_unrelated", "sampled_at_random", "sensors_reliable", "values_exact", "tails", "successive_related"}
"""Reasons of checks that report no weakness."""


def fired_checks(fit: ResponseFit, facts: pl.DataFrame) -> set[str]:
    """Return the checks that report a weakness."""
    names = ("successive_loads", "sensor_noise", "rounding", "tails")
    rows = [*(row for name in names for row in CHECKS[name](fit)), *sampling_check(fit, facts)]
    fired = {str(r["check"]) for r in rows if r["passed"] is not None and r["reason_code"] not in QUIET}
    return fired | ({"setting_pair"} if pair_effects(fit, 30) else set())


def judged(job: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the cells and the checks of one season with each weakness."""
    catalogue = load_catalogue()
    season = fit_season(8100 + job, list(MECHANICS)[job % len(MECHANICS)], catalogue)
    cells, fired = [], []
    for name, change in CHANGES.items():
        changed = change(season, catalogue, np.random.default_rng([job, zlib.crc32(name.encode())]))
        facts = changed.facts
        fit = fit_response(facts, DIRT, catalogue, 0.1)
        assert fit is not None
        order = fit.rows["load_id"].str.slice(1).cast(pl.Int64).to_numpy()
        truth = [
            (setting, wet, float(log_change[order][inside].mean()))
            for (wet, soil), inside in cell_rows(fit).items()
            if soil is None and inside.any()
            for setting, log_change in changed.effect.items()
        ]
        key = ["setting", "wetness_class"]
        truths = pl.DataFrame(truth, schema=[*key, "truth"], orient="row")
        table = effects(fit, catalogue, 30).filter(pl.col("soil_class").is_null()).drop_nulls("change_pct")
        cells.append(table.join(truths, on=key, nulls_equal=True).with_columns(pl.lit(name).alias("season")))
        fired += [{"season": name, "check": check} for check in fired_checks(fit, facts)]
    schema = {"season": pl.String, "check": pl.String}
    return pl.concat(cells), pl.DataFrame(fired, schema=schema)


def row_of(name: str, cells: pl.DataFrame, fired: pl.DataFrame) -> dict[str, float]:
    """Return the figures of one weakness."""
    low, high = ((pl.col(c) / 100).log1p() for c in ("lo95", "hi95"))
    null = pl.col("truth").abs() < 1e-12
    own = cells.filter(pl.col("season") == name).with_columns(pl.col("truth").is_between(low, high).alias("held"))
    every = pl.col("wetness_class").is_null()
    rate = fired.filter(pl.col("season") == name)["check"].value_counts()
    rates = {check: n / SEASONS for check, n in rate.iter_rows()}
    return {
        "cells": own.height,
        "covered": to_float(own["held"].mean()),
        "all classes": to_float(own.filter(every)["held"].mean()),
        "false": to_float((own.filter(null)["p_value"] < 0.05).mean()),
        **rates,
    }


def elsewhere(found: dict[str, dict[str, float]]) -> dict[str, float]:
    """Return the share of seasons without its weakness in which each check reports.

    Args:
        found: weakness -> its figures.
    """
    checks = sorted(set(OWN_CHECK.values()))
    others = {c: [row.get(c, 0.0) for name, row in found.items() if OWN_CHECK.get(name) != c] for c in checks}
    return {c: float(np.mean(rates)) for c, rates in others.items()}


@pytest.mark.slow
def test_each_weakness_is_covered_or_reported():
    with processes() as pool:
        done = list(pool.map(judged, range(SEASONS)))
    cells, fired = pl.concat([c for c, _ in done]), pl.concat([f for _, f in done])
    found = {name: row_of(name, cells, fired) for name in CHANGES}
    checks = sorted(set(OWN_CHECK.values()))
    lines = markdown_table(
        [
            "season",
            "cells",
            "covered",
            "covered, all classes",
            "false among nulls",
            *(f"`{c}` reports" for c in checks),
        ],
        [
            [
                name,
                f"{row['cells']}",
                *(f"{row[c]:.3f}" for c in ("covered", "all classes", "false")),
                *(f"{row.get(c, 0.0):.2f}" for c in checks),
            ]
            for name, row in found.items()
        ],
    )
    missed = [
        name
        for name, row in found.items()
        if row["covered"] < MIN_COVERED and row.get(OWN_CHECK.get(name, ""), 0.0) < MIN_FIRES
    ]
    lines += ["", f"Neither covered in {MIN_COVERED} of cells nor reported: {', '.join(missed) or 'none'}."]
    rates = elsewhere(found)
    others = {c: sum(OWN_CHECK.get(name) != c for name in CHANGES) for c in checks}
    table = [[f"`{c}`", f"{others[c] * SEASONS}", f"{rates[c]:.3f}"] for c in checks]
    lines += ["", *markdown_table(["check", "seasons without its weakness", "reports"], table)]
    write_figures(VALIDATION, "adversarial seasons", lines, f"{SEASONS} seasons", only_print=SEASONS != PAGE_SEASONS)
    assert missed == []
    # One alarm in so few seasons is within chance of a rate of 5 % (binomial: two or more have p = .26).
    assert all(found["ordinary"].get(c, 0.0) <= MAX_FALSE + 1 / SEASONS for c in checks)
    assert all(rates[c] <= MAX_FALSE for c in checks), rates
