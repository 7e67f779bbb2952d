"""Slow proof: what do trials that are chosen by value of information gain in the rest of a season, after their cost?

`pytest -m slow tests/validation/test_trial_worth.py -s` writes the figures of tests/validation/RESULTS.md;
`TARETRACE_SEASONS=3` makes a quick run that only prints them. A run takes some five minutes.
"""

import datetime as dt
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
from tests.validation.planned_seasons import dirt_alone
from tests.validation.processes import processes
from transforms.advice.cost import CropAndHaul, soil_cost_per_t
from transforms.advice.cost_effects import CostLevels
from transforms.arrays import Array, narrow, to_float
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue, load_catalogue
from transforms.config.workspace import Prices, Season
from transforms.model.effects import classes_of, effects
from transforms.model.estimate import fit_response
from transforms.model.response_scale import ratio_scale
from transforms.trial.power import MAX_PAIRS
from transforms.trial.size import TrialNoise
from transforms.trial.suggested_trials import TrialPrices, suggest_trials
from transforms.variation.season_scale import season_scale

PAGE_SEASONS = 20
SEASONS = int(os.environ.get("TARETRACE_SEASONS", PAGE_SEASONS))
OPEN = "six settings hardly moved"
SHARES_MOVED = (0.0, 0.0, 0.1, 0.2, 0.35, 0.5)
"""Movement within visits of six settings in that world, as a share of the usual one: from settings that operators set
once a visit, whose effect no load can show, to ones with a wide interval."""
MIN_GAIN_PER_T, LARGEST_HARM_PER_T = 0.03, 0.005
MACHINES, DAYS, FIRST_DAYS, TRIAL_DAYS = 8, 45, 12, 14
TRIALS, LOAD_T, HAUL_KM = 3, 20.0, 20.0
SURE, SMALLEST_GAIN_PER_T = 0.8, 0.02
"""Probability and gain of a move that is advised, as in advice."""
NORMAL_95 = 1.959964
ALL_MADE = pl.DataFrame({"made_share": [1.0] * 10, "is_withheld": [False] * 10})
"""Uptake of ten judged moves: savings are per tonne of machines that make advised moves."""


def hardly_moved(season: FitSeason, catalogue: Catalogue, rng: np.random.Generator) -> FitSeason:
    """Return a season whose operators move six settings, drawn by lot, less within a visit or not at all."""
    facts, settings = season.facts, settings_of(season.facts)
    names = rng.permutation(list(USUAL))[: len(SHARES_MOVED)].tolist()
    for name, share in zip(names, SHARES_MOVED, strict=True):
        mean = facts.select(pl.col(name).mean().over(*VISIT, "field_id")).to_series().to_numpy()
        settings[name] = mean + share * (settings[name] - mean)
    return moved(season, settings, np.zeros(facts.height), catalogue)


WORLDS: dict[str, Change] = {
    **{n: CHANGES[n] for n in ("ordinary", "hidden dirt within visits, full reaction", "rare movers")},
    OPEN: hardly_moved,
}


@dataclass(frozen=True)
class Believed:
    """Effects on dirt as a season's loads show them so far.

    Attributes:
        table: rows of `effect`.
        mean: setting -> log change of dirt by a step; of settings with an effect.
        sd: setting -> its standard deviation.
        residual_sd: residual standard deviation within visits.
    """

    table: pl.DataFrame
    mean: dict[str, float]
    sd: dict[str, float]
    residual_sd: float


def day_of(facts: pl.DataFrame) -> Array:
    """Return the day of the season of each load, from 0."""
    days = facts["shift_date"]
    return np.asarray((days - days.min()).dt.total_days().to_numpy())


def believed(facts: pl.DataFrame, catalogue: Catalogue) -> Believed:
    """Return the effects that the product reports."""
    fit = fit_response(facts, DIRT, catalogue, 0.1)
    assert fit is not None
    table = effects(fit, catalogue, 30)
    overall = table.filter(pl.col("wetness_class").is_null(), pl.col("soil_class").is_null()).drop_nulls("change_pct")
    ends = overall.select("setting", *((pl.col(c) / 100).log1p() for c in ("change_pct", "lo95", "hi95")))
    mean = dict(ends.select("setting", "change_pct").iter_rows())
    sd = dict(ends.select("setting", (pl.col("hi95") - pl.col("lo95")) / (2 * NORMAL_95)).iter_rows())
    return Believed(table, mean, sd, float(np.sqrt(fit.reml.residual)))


def per_log_of(facts: pl.DataFrame) -> float:
    """Return the cost of soil of a log change of dirt, in money per tonne of clean beet."""
    return float(np.exp(ratio_scale(facts[DIRT].to_numpy())).mean()) * soil_cost_per_t(HAUL_KM, Prices())


def suggested(facts: pl.DataFrame, known: Believed, at: Season, season_end: dt.date) -> pl.DataFrame:
    """Return `trial_wanted` of a season so far, in the product's order with ties broken by lot, one row a setting.

    Args:
        facts: loads so far.
        known: effects so far.
        at: settings and prices.
        season_end: last day of the season.
    """
    clean = facts.select("shift_date", soil_free_t=LOAD_T * (1 - pl.col(DIRT) / 100)).hstack(classes_of(facts))
    scale = season_scale(clean, facts["shift_date"], season_end, ALL_MADE)
    ground = facts.select("load_id", "machine_id", "shift_date", "sample_kg").hstack(classes_of(facts))
    level = CostLevels({DIRT: to_float(facts[DIRT].mean())}, 6.0, CropAndHaul(75.0, HAUL_KM, 3.0))
    money = TrialPrices(level, at.prices, scale, LOAD_T)
    noise = TrialNoise(known.residual_sd, at.lab_cv_at_25_kg)
    rows = suggest_trials(known.table, ground, noise, at.trial_power, money)
    lot = np.random.default_rng(facts.height).random(rows.height)
    ordered = rows.with_columns(lot=lot).drop_nulls("worth").sort("worth", "lot", descending=[True, False])
    return ordered.unique("setting", keep="first", maintain_order=True)


def with_trials(season: FitSeason, pairs: dict[str, int], catalogue: Catalogue, rng: np.random.Generator) -> FitSeason:
    """Return the season in which one machine each tries two values of a setting, a step apart, in the trial days.

    Args:
        season: the season without trials.
        pairs: setting -> pairs of its trial; fewer if its machine lifts fewer.
        catalogue: the settings known.
        rng: random generator of the lot.
    """
    facts, day = season.facts, day_of(season.facts)
    settings = {n: v.copy() for n, v in settings_of(facts).items()}
    tried, block = (np.full(facts.height, None, dtype=object) for _ in range(2))
    value = np.full(facts.height, np.nan)
    inside = (day >= FIRST_DAYS) & (day < FIRST_DAYS + TRIAL_DAYS)
    busiest = facts.filter(pl.Series(inside))["machine_id"].value_counts().sort("count", "machine_id", descending=True)
    for (name, wanted), machine in zip(pairs.items(), busiest["machine_id"].to_list(), strict=False):
        own = np.flatnonzero(inside & (facts["machine_id"] == machine).to_numpy())
        visit = facts[own].select(pl.struct("shift_date", "field_id").rank("dense")).to_series().to_numpy()
        both = [p for v in np.unique(visit) for p in own[visit == v][: (visit == v).sum() // 2 * 2].reshape(-1, 2)]
        for k, pair in enumerate(both[:wanted]):
            middle, step = float(settings[name][pair].mean()), catalogue[name].step
            settings[name][pair] = middle + step / 2 * rng.permutation([-1.0, 1.0])
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
        if norm.cdf(abs(m) / known.sd[name]) >= SURE and abs(m) * per_log >= SMALLEST_GAIN_PER_T:
            after[name] = settings[name] - np.sign(m) * catalogue[name].step
    change = log_dirt(season, after) - log_dirt(season, settings)
    ratio = np.exp(ratio_scale(season.facts[DIRT].to_numpy()))
    return float(np.mean((ratio * (1 - np.exp(change)))[later])) * soil_cost_per_t(HAUL_KM, Prices())


def judged(job: int) -> list[dict[str, Any]]:
    """Return the gain of trials chosen by worth, and of as many chosen by lot, in each world of one season."""
    at, rows = dirt_alone(load_catalogue()), []
    catalogue = at.catalogue
    ordinary = fit_season(8300 + job, list(MECHANICS)[job % len(MECHANICS)], catalogue, machines=MACHINES, days=DAYS)
    for world, change in WORLDS.items():
        season = change(ordinary, catalogue, np.random.default_rng([job, zlib.crc32(world.encode())]))
        facts, day = season.facts, day_of(season.facts)
        ratio, per_log = np.exp(ratio_scale(facts[DIRT].to_numpy())), per_log_of(facts)
        last_day = narrow(facts["shift_date"].max(), dt.date)
        first, before = pl.Series(day < FIRST_DAYS), pl.Series(day < FIRST_DAYS + TRIAL_DAYS)
        wanted = suggested(facts.filter(first), believed(facts.filter(first), catalogue), at, last_day)
        size = dict(wanted.select("setting", "pairs").iter_rows())
        best = wanted.filter(pl.col("worth") > 0)["setting"].to_list()[:TRIALS]
        lot = np.random.default_rng([job, 3]).permutation(list(USUAL)).tolist()[:TRIALS]
        most = max(size.values(), default=MAX_PAIRS)
        without = saved_per_t(season, believed(facts.filter(before), catalogue), per_log, catalogue)
        for choice, names in (("by worth", best), ("by lot", lot)):
            pairs = {n: size.get(n, most) for n in names}
            tried = with_trials(season, pairs, catalogue, np.random.default_rng([job, 4]))
            gain, cost = 0.0, 0.0
            if names:
                extra = np.exp(ratio_scale(tried.facts[DIRT].to_numpy())) - ratio
                later = day.size - int(before.sum())
                cost = float(extra[before.to_numpy()].sum()) / later * soil_cost_per_t(HAUL_KM, Prices())
                known = believed(tried.facts.filter(before), catalogue)
                gain = saved_per_t(season, known, per_log, catalogue) - without - cost
            rows.append({"world": world, "choice": choice, "trials": len(names), "without": without, "gain": gain,
                         "cost": cost})  # fmt: skip
    return rows


@pytest.mark.slow
def test_trials_chosen_by_worth_pay_where_questions_are_open():
    with processes() as pool:
        found = pl.DataFrame([row for rows in pool.map(judged, range(SEASONS)) for row in rows])
    by_kind = found.group_by("world", "choice", maintain_order=True).agg(
        pl.col("trials", "without", "gain", "cost").mean(), (pl.col("gain").std() / SEASONS**0.5).alias("error")
    )
    table = [
        [r["world"], r["choice"], f"{r['trials']:.1f}", f"{r['without']:.3f}", f"{r['gain']:.3f} ({r['error']:.3f})",
         f"{r['cost']:.4f}"]
        for r in by_kind.iter_rows(named=True)
    ]  # fmt: skip
    both = found.filter(world=OPEN).pivot("choice", index=["world", "without"], values="gain")
    difference = both["by worth"] - both["by lot"]
    paired = f"{to_float(difference.mean()):.3f} ({to_float(difference.std()) / SEASONS**0.5:.3f})"
    heads = ["season", "trials chosen", "trials", "saved without trials", "net gain of trials (error)", "cost"]
    lines = [
        *markdown_table(heads, table),
        "",
        f"Soil per tonne of clean beet lifted after the trials, in money. By worth less by lot, {OPEN}: {paired}.",
    ]
    write_figures(VALIDATION, "worth of trials", lines, f"{SEASONS} seasons", only_print=SEASONS != PAGE_SEASONS)
    gain = {(r["world"], r["choice"]): to_float(r["gain"]) for r in by_kind.iter_rows(named=True)}
    assert gain[OPEN, "by worth"] >= MIN_GAIN_PER_T
    assert gain[OPEN, "by worth"] > gain[OPEN, "by lot"]
    assert all(gain[world, "by worth"] >= -LARGEST_HARM_PER_T for world in WORLDS)
