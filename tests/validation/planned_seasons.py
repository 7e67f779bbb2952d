"""Invented seasons with designed variation as the product plans it: options, plan and reading, day by day."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl

from tests.validation.adversarial_seasons import log_dirt, moved, settings_of
from tests.validation.fit_seasons import USUAL, FitSeason
from transforms.advice.advice_rows import ADVICE_SCHEMA
from transforms.advice.cost import CropAndHaul
from transforms.advice.move_effects import MoveEffects
from transforms.advice.moves import Situation
from transforms.advice.posterior import draw_slopes
from transforms.advice.shrinkage import shrinkage
from transforms.advice.situations import ran_range, tried_range
from transforms.arrays import Array, narrow, to_float
from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import AdviceRules, Prices, Season
from transforms.model.effects import classes_of
from transforms.model.estimate import fit_response
from transforms.model.fit_result import ResponseFit
from transforms.model.planned_variation import VARIED
from transforms.model.prediction import PredictionPoint
from transforms.trial.size import TrialNoise
from transforms.variation.design import SeasonFacts, design_plan
from transforms.variation.doubt import doubts, with_doubt
from transforms.variation.follow import find_varied_loads
from transforms.variation.options import variation_options
from transforms.variation.plan import LOADS_PER_PAIR, VariationPlan
from transforms.variation.season_scale import season_scale

FIRST_DAY, REFIT_EVERY = 4, 3
"""Day of the first plan, counted from 0, and days between fits."""
CAMPAIGN_DAYS = 110
"""Length of a campaign, of which the season's days are the first: what is learnt counts until its end."""
FOLLOWED, BEFORE = 0.9, 0.3
"""Share of the pairs that operators follow, and largest share of a load's mass that was lifted before the change."""
LOAD_T, HAUL_KM, WIDTH_M = 20.0, 20.0, 3.0
UNJUDGED = pl.DataFrame(schema={"made_share": pl.Float64, "is_withheld": pl.Boolean})


def dirt_alone(catalogue: Catalogue) -> Season:
    """Return a season whose settings change dirt alone, as those of the invented mechanics do."""
    plain = {n: replace(catalogue[n], responses=(DIRT,)) for n in USUAL}
    return Season(
        "Invented", "UTC", dt.time(5), "metric", "EUR", 0.1, replace(Prices(), haul_km=HAUL_KM), AdviceRules(), plain
    )


def options_of(facts: pl.DataFrame, fit: ResponseFit, day: dt.date, season: Season) -> pl.DataFrame:
    """Return `variation_option` of all machines that work on a day, from the loads before it.

    Args:
        facts: loads of the season; of the day itself only fields and conditions are used.
        fit: fit of dirt.
        day: the day.
        season: settings and prices.
    """
    rng, rules = np.random.default_rng(1), season.advice
    shrink, doubt = shrinkage(fit), doubts(fit, season.catalogue)
    ratio = to_float((facts[DIRT] / (100 - facts[DIRT])).mean() or 0.1)
    tables = []
    for (machine,), own in facts.filter(shift_date=day).group_by("machine_id", maintain_order=True):
        before = facts.filter(pl.col("machine_id") == machine, pl.col("shift_date") < day)
        last = before.filter(pl.col("shift_date") == before["shift_date"].max())
        now = {n: to_float(last[n].mean()) for n in USUAL}
        at = own.row(0, named=True)
        wet, soil = classes_of(own).row(0)
        names = ("topsoil_wetness", "clay_pct", "air_temp_c", "yield_t_ha")
        days = (day - narrow(facts["shift_date"].min(), dt.date)).days
        place = PredictionPoint({**{n: at[n] for n in names}, "campaign_day": float(days + 1)}, soil, str(machine))
        slopes = draw_slopes(fit, place, now, season.catalogue, rules.max_steps, shrink, (), rng)
        where = Situation(
            str(machine), at["field_id"], day, now, tried_range(fit, wet, soil, rules.min_loads), wet, soil, ratio, 2.0,
            CropAndHaul(at["yield_t_ha"], HAUL_KM, WIDTH_M), at["topsoil_wetness"], "as now",
            ran=ran_range(fit, wet, soil, rules.min_loads),
        )  # fmt: skip
        effects = with_doubt(MoveEffects({DIRT: slopes}), doubt, rules.max_steps)
        tables.append(variation_options(where, effects, pl.DataFrame(schema=ADVICE_SCHEMA), season))
    return pl.concat(tables)


def season_facts(before: pl.DataFrame, fit: ResponseFit, last_day: dt.date) -> SeasonFacts:
    """Return loads, noise and scale of the season so far."""
    clean = before.select("shift_date", soil_free_t=LOAD_T * (1 - pl.col(DIRT) / 100))
    tonnes = clean.hstack(classes_of(before))
    noise = {DIRT: TrialNoise(float(np.sqrt(fit.reml.residual)), 0.1)}
    return SeasonFacts(before, noise, season_scale(tonnes, before["shift_date"], last_day, UNJUDGED))


def lifted_as_planned(
    season: FitSeason, plan: VariationPlan, catalogue: Catalogue, rng: np.random.Generator
) -> tuple[FitSeason, Array]:
    """Return the season with a day's plan followed, and the change of log dirt by it, shape (n,).

    One pair in ten is not followed, and a load holds mass lifted at the values before.
    """
    facts = season.facts.with_row_index("at")
    settings = {n: v.copy() for n, v in settings_of(season.facts).items()}
    plain = {n: v.copy() for n, v in settings.items()}
    for machine in plan.machines:
        own = facts.filter(shift_date=plan.shift_date, machine_id=machine.machine_id).sort("lifted_at", "load_id")
        rows = own["at"].to_numpy()[: len(machine.loads)]
        is_followed = rng.random(len(machine.loads)) < FOLLOWED
        for k, setting in enumerate(machine.settings):
            values = settings[setting.name]
            for i, row in enumerate(rows):
                if is_followed[i - i % LOADS_PER_PAIR]:
                    carried = rng.uniform(0, BEFORE)
                    earlier = values[rows[i - 1]] if i else values[row]
                    values[row] = (1 - carried) * machine.loads[i][k] + carried * earlier
                    plain[setting.name][row] = setting.base_value
    cost = log_dirt(season, settings) - log_dirt(season, plain)
    return moved(season, settings, np.zeros(facts.height), catalogue), cost


def planned(
    season: FitSeason, catalogue: Catalogue, rng: np.random.Generator, first_day: int = FIRST_DAY
) -> tuple[FitSeason, Array]:
    """Return the season with designed variation from a day on, and the change of log dirt of each load by it.

    Args:
        season: the season without variation.
        catalogue: the settings known.
        rng: random generator of what operators follow.
        first_day: day of the first plan, counted from 0.
    """
    at = dirt_alone(catalogue)
    marks = pl.Series(VARIED, [None] * season.facts.height, pl.String)
    out = replace(season, facts=season.facts.with_columns(marks, delivered_t=pl.lit(LOAD_T)))
    days = out.facts["shift_date"].unique().sort().to_list()
    total, names = np.zeros(out.facts.height), list[str]()
    fit: ResponseFit | None = None
    for k, day in enumerate(days[first_day:]):
        before = out.facts.filter(pl.col("shift_date") < day)
        if k % REFIT_EVERY == 0:
            fit = fit_response(before, DIRT, at.catalogue, at.lab_cv_at_25_kg)
        assert fit is not None
        options = options_of(out.facts, fit, day, at)
        plan = design_plan(
            options, season_facts(before, fit, days[0] + dt.timedelta(days=CAMPAIGN_DAYS)), names, "an invented season"
        ).plan
        if plan is None:
            continue
        names.append(plan.plan_id)
        out, cost = lifted_as_planned(out, plan, at.catalogue, rng)
        total += cost
        counted = find_varied_loads(plan, out.facts).filter("is_counted")
        by_load = counted.group_by("load_id", maintain_order=True).agg(pl.col("setting").sort().str.join("|"))
        facts = out.facts.join(by_load, on="load_id", how="left", maintain_order="left")
        out = replace(out, facts=facts.with_columns(pl.coalesce("setting", VARIED).alias(VARIED)).drop("setting"))
    return out, total
