"""Slow proof: what do trials that are chosen by value of information gain in the rest of a season, after their cost?

`pytest -m slow tests/validation/test_trial_worth.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=3` makes a quick run that only prints them. A run takes some five minutes.
"""

import os
import zlib
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.validation.adversarial_seasons import SEASONS as CHANGES
from tests.validation.adversarial_seasons import VISIT, Change, log_dirt, moved, settings_of
from tests.validation.fit_seasons import MECHANICS, USUAL, FitSeason, fit_season
from tests.validation.processes import processes
from transforms.advice.cost import soil_cost_per_t
from transforms.arrays import Array, to_float
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue, load_catalogue
from transforms.config.workspace import Prices
from transforms.mixed_model.contrasts import contrast
from transforms.model.effects import slope_weights
from transforms.model.estimate import fit_response
from transforms.model.response_scale import ratio_scale
from transforms.trial.suggested_trials import UNTRIED_SD
from transforms.trial.value import PairDesign, StepBelief, worth_of

PAGE_SEASONS = 20
SEASONS = int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS))
OPEN = "six settings never moved"
NEVER_MOVED = tuple(USUAL)[:3] + tuple(USUAL)[-3:]
"""Settings that operators set once a visit in that world: no load can show their effect."""
MIN_GAIN_PER_T = 0.03
FIRST_DAYS, TRIAL_DAYS = 10, 4
TRIALS, PAIRS, LOAD_T, HAUL_KM = 3, 18, 20.0, 20.0
SURE, SMALLEST_GAIN_PER_T = 0.8, 0.02
"""Probability and gain of a move that is advised, as in advice."""
NORMAL_95 = 1.959964


def never_moved(season: FitSeason, catalogue: Catalogue, _: np.random.Generator) -> FitSeason:
    """Return a season whose operators leave six settings alone within a visit."""
    facts, settings = season.facts, settings_of(season.facts)
    means = facts.select(pl.col(n).mean().over(*VISIT, "field_id") for n in NEVER_MOVED)
    return moved(
        season, {**settings, **{n: means[n].to_numpy() for n in NEVER_MOVED}}, np.zeros(facts.height), catalogue
    )


WORLDS: dict[str, Change] = {
    **{n: CHANGES[n] for n in ("ordinary", "hidden dirt within visits, full reaction", "rare movers")},
    OPEN: never_moved,
}


@dataclass(frozen=True)
class Believed:
    """Effect of a step of each setting on log dirt as a season's loads show it so far."""

    mean: dict[str, float]
    sd: dict[str, float]
    residual_sd: float


def day_of(facts: pl.DataFrame) -> Array:
    """Return the day of the season of each load, from 0."""
    days = facts["shift_date"]
    return np.asarray((days - days.min()).dt.total_days().to_numpy())


def believed(facts: pl.DataFrame, catalogue: Catalogue) -> Believed:
    """Return the effects over all classes; one that is not tried has mean 0 and the assumed standard deviation."""
    fit = fit_response(facts, DIRT, catalogue, 0.1)
    mean, sd = dict.fromkeys(USUAL, 0.0), dict.fromkeys(USUAL, UNTRIED_SD)
    if fit is None:
        return Believed(mean, sd, 0.15)
    every = np.ones(fit.z.size, dtype=bool)
    for name in fit.settings:
        found = contrast(fit.reml, slope_weights(fit, name, every))
        low, high = found.interval()
        mean[name], sd[name] = found.estimate, (high - low) / (2 * NORMAL_95)
    return Believed(mean, sd, float(np.sqrt(fit.reml.residual)))


def most_worth(known: Believed, per_log: float, tonnes: float) -> list[str]:
    """Return the settings whose trials are worth most, the best first."""
    design = PairDesign(PAIRS, 2.0, float(np.sqrt(2 * (known.residual_sd**2 + 0.1**2))), LOAD_T)
    worth = {
        s: worth_of(StepBelief(abs(m) * per_log, known.sd[s] * per_log, per_log, 0.0), design, tonnes, 1.0).net
        for s, m in known.mean.items()
    }
    return sorted(worth, key=lambda s: -worth[s])[:TRIALS]


def with_trials(season: FitSeason, names: list[str], catalogue: Catalogue, rng: np.random.Generator) -> FitSeason:
    """Return the season in which one machine each tries a setting a step below and above, by lot, in the trial days."""
    facts, day = season.facts, day_of(season.facts)
    settings = {n: v.copy() for n, v in settings_of(facts).items()}
    tried, block = (np.full(facts.height, None, dtype=object) for _ in range(2))
    value = np.full(facts.height, np.nan)
    inside = (day >= FIRST_DAYS) & (day < FIRST_DAYS + TRIAL_DAYS)
    busiest = facts.filter(pl.Series(inside))["machine_id"].value_counts().sort("count", "machine_id", descending=True)
    for name, machine in zip(names, busiest["machine_id"].to_list(), strict=False):
        own = np.flatnonzero(inside & (facts["machine_id"] == machine).to_numpy())
        visit = facts[own].select(pl.struct("shift_date", "field_id").rank("dense")).to_series().to_numpy()
        pairs = [p for v in np.unique(visit) for p in own[visit == v][: (visit == v).sum() // 2 * 2].reshape(-1, 2)]
        for k, pair in enumerate(pairs[:PAIRS]):
            middle, step = float(settings[name][pair].mean()), catalogue[name].step
            settings[name][pair] = middle + step * rng.permutation([-1.0, 1.0])
            tried[pair], block[pair] = name, f"{machine}/{k}"
            value[pair] = settings[name][pair]
    out = moved(season, settings, np.zeros(facts.height), catalogue)
    marks = [
        pl.Series("trial_setting", tried.tolist(), pl.String),
        pl.Series("trial_block", block.tolist(), pl.String),
        pl.Series("trial_value", value).fill_nan(None),
    ]
    return replace(out, facts=out.facts.with_columns(marks))


def saved_per_t(season: FitSeason, known: Believed, per_log: float, catalogue: Catalogue) -> float:
    """Return what one step of each setting that is advised truly saves per tonne on the days after the trials."""
    settings, later = settings_of(season.facts), day_of(season.facts) >= FIRST_DAYS + TRIAL_DAYS
    after = dict(settings)
    for name, m in known.mean.items():
        is_sure = norm.cdf(abs(m) / known.sd[name]) >= SURE and abs(m) * per_log >= SMALLEST_GAIN_PER_T
        if is_sure and known.sd[name] < UNTRIED_SD:
            after[name] = settings[name] - np.sign(m) * catalogue[name].step
    change = log_dirt(season, after) - log_dirt(season, settings)
    ratio = np.exp(ratio_scale(season.facts[DIRT].to_numpy()))
    return float(np.mean((ratio * (1 - np.exp(change)))[later])) * soil_cost_per_t(HAUL_KM, Prices())


def judged(job: int) -> list[dict[str, Any]]:
    """Return the gain of three trials chosen by worth, and of three chosen by lot, in each world of one season."""
    catalogue, rows = load_catalogue(), []
    ordinary = fit_season(8300 + job, list(MECHANICS)[job % len(MECHANICS)], catalogue)
    for world, change in WORLDS.items():
        season = change(ordinary, catalogue, np.random.default_rng([job, zlib.crc32(world.encode())]))
        facts, day = season.facts, day_of(season.facts)
        ratio = np.exp(ratio_scale(facts[DIRT].to_numpy()))
        per_log = float(ratio.mean()) * soil_cost_per_t(HAUL_KM, Prices())
        left = day >= FIRST_DAYS + TRIAL_DAYS
        chosen = most_worth(
            believed(facts.filter(pl.Series(day < FIRST_DAYS)), catalogue), per_log, left.sum() * LOAD_T
        )
        by_lot = np.random.default_rng([job, 3]).permutation(list(USUAL)).tolist()[:TRIALS]
        before = day < FIRST_DAYS + TRIAL_DAYS
        without = saved_per_t(season, believed(facts.filter(pl.Series(before)), catalogue), per_log, catalogue)
        for choice, names in (("by worth", chosen), ("by lot", by_lot)):
            tried = with_trials(season, names, catalogue, np.random.default_rng([job, 4]))
            known = believed(tried.facts.filter(pl.Series(before)), catalogue)
            extra = np.exp(ratio_scale(tried.facts[DIRT].to_numpy())) - ratio
            cost = float(extra[before].sum()) / left.sum() * soil_cost_per_t(HAUL_KM, Prices())
            gain = saved_per_t(season, known, per_log, catalogue) - without - cost
            rows.append({"world": world, "choice": choice, "without": without, "gain": gain, "cost": cost})
    return rows


@pytest.mark.slow
def test_trials_chosen_by_worth_pay_where_questions_are_open():
    with processes() as pool:
        found = pl.DataFrame([row for rows in pool.map(judged, range(SEASONS)) for row in rows])
    by_kind = found.group_by("world", "choice", maintain_order=True).agg(
        pl.col("without", "gain", "cost").mean(), (pl.col("gain").std() / SEASONS**0.5).alias("error")
    )
    table = [
        [r["world"], r["choice"], f"{r['without']:.3f}", f"{r['gain']:.3f} ({r['error']:.3f})", f"{r['cost']:.4f}"]
        for r in by_kind.iter_rows(named=True)
    ]
    heads = ["season", "trials chosen", "saved without trials", "net gain of trials (error)", "cost"]
    lines = [*markdown_table(heads, table), "", "Soil per tonne of clean beet lifted after the trials, in money."]
    write_figures(VALIDATION, "worth of trials", lines, f"{SEASONS} seasons", only_print=SEASONS != PAGE_SEASONS)
    gain = {(r["world"], r["choice"]): to_float(r["gain"]) for r in by_kind.iter_rows(named=True)}
    assert gain[OPEN, "by worth"] >= MIN_GAIN_PER_T
    assert gain[OPEN, "by worth"] > gain[OPEN, "by lot"]
