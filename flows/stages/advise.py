"""Advice stages: storability, setting changes, setting guide."""

import datetime as dt
from functools import partial
from typing import cast

import numpy as np
import polars as pl

from flows.runtime.progress import Reporter
from flows.stages.context import open_warehouse, priced_season, require_facts, run_checks
from flows.stages.fit import Fits
from reports.language.translate import mark
from transforms.advice.advice_rows import ADVICE_SCHEMA, advise_machine
from transforms.advice.cost_effects import usual_levels
from transforms.advice.move_effects import MoveEffects
from transforms.advice.moves import Situation
from transforms.advice.outlook import DAYS_AHEAD, NextShift, Outlook, WeatherAhead, weather_ahead, working_hours
from transforms.advice.pair_effects import pair_effects
from transforms.advice.part_advice import PART_ADVICE_SCHEMA, PartRules, advise_parts, days_of
from transforms.advice.part_evidence import FleetParts, clean_t_per_shift
from transforms.advice.posterior import draw_slopes
from transforms.advice.reliance import reliance
from transforms.advice.season_cost import season_cost
from transforms.advice.shrinkage import SHRINKAGE, Shrinkage, shrinkage
from transforms.advice.situations import FleetData, next_situations
from transforms.advice.storability import storability
from transforms.advice.what_if_parts import part_choices
from transforms.advice.what_if_table import write_table
from transforms.config.response_catalogue import priced_responses
from transforms.config.workspace import Season, Workspace
from transforms.jobs.guide_jobs import GuideJob, build_guide_table, shrink_response
from transforms.mixed_model.blas_threads import one_blas_thread
from transforms.model.fit_result import ResponseFit
from transforms.model.prediction import PredictionPoint
from transforms.outcome.hold_back import mark_withheld, shown_advice
from transforms.parallel import Executor, local, serial
from transforms.storage.advice_record import record_advice
from transforms.storage.product_basis import ADVICE, GUIDE, OutcomeCode, store_basis
from transforms.storage.warehouse import Warehouse
from transforms.trial.part_size import DayNoise, part_trial_size
from transforms.trial.size import TrialNoise
from transforms.trial.suggested_part_trials import suggest_part_trials
from transforms.trial.suggested_trials import TrialPrices, by_worth, suggest_trials
from transforms.trial.value import SeasonScale
from transforms.variation.doubt import doubts, with_doubt
from transforms.variation.options import OPTION_SCHEMA, variation_options
from transforms.variation.season_scale import season_scale

ADVICE_SEED = 20_251_001
"""Seed of the posterior draws, fixed so that the same data give the same advice."""


def assess_storability(workspace: Workspace, reporter: Reporter) -> None:
    """Compute the storability of every measured load, the pile ledger and the cost of the season."""
    with open_warehouse(workspace) as warehouse, reporter.stage(mark("Computing the storability of loads")):
        require_facts(warehouse, workspace)
        facts, audits = warehouse.table("load_fact"), warehouse.table("audit_fact")
        checks = warehouse.table("root_check_fact")
        season = priced_season(warehouse, workspace.season)
        rows = storability(facts, audits, checks, warehouse.query("root_temp"), season.prices)
        cost = season_cost(facts, audits, checks, warehouse.table("field"), rows, season.sites, season.prices)
        with warehouse.transaction():
            warehouse.replace("storability", rows)
            warehouse.build("pile_ledger")
            warehouse.replace("season_cost", cost)


def _shrinkages(fits: Fits, executor: Executor) -> dict[str, Shrinkage]:
    """Return the shrinkage of each response that has a price; it is computed once and kept with the fit."""
    priced = {r: fits.by_response[r] for r in priced_responses(fits.by_response)}
    due = [r for r, fit in priced.items() if SHRINKAGE not in fit.memo]
    for r, found in zip(due, local(executor)(shrink_response, [fits.shared[r] for r in due]), strict=True):
        priced[r].memo[SHRINKAGE] = found
    return {r: shrinkage(fit) for r, fit in priced.items()}


def _fleet_data(warehouse: Warehouse, facts: pl.DataFrame, season: Season) -> FleetData:
    """Return the loads, fields, machines and sites of the season, with the prices that do not depend on the move."""
    prices = season.prices
    fields, machines = warehouse.table("field"), warehouse.table("machine")
    return FleetData(facts, fields, machines, season.sites, prices.haul_km, prices.stalks_tops_pct)


def advise_machines(workspace: Workspace, fits: Fits, reporter: Reporter, executor: Executor = serial) -> pl.DataFrame:
    """Compute the advised setting changes of each machine for the next shift and store them.

    Returns:
        One row per machine and setting, with its verdict; empty if there are too few loads.
    """
    with (
        open_warehouse(workspace) as warehouse,
        reporter.stage(mark("Evaluating setting changes for the next shift")),
        # On many small products, threads would spend more time waiting for each other than computing.
        one_blas_thread(),
    ):
        season = priced_season(warehouse, workspace.season)
        rows, parts = [pl.DataFrame(schema=ADVICE_SCHEMA)], pl.DataFrame(schema=PART_ADVICE_SCHEMA)
        options = [pl.DataFrame(schema=OPTION_SCHEMA)]
        if fits.dirt is not None:
            rng = np.random.default_rng(ADVICE_SEED)
            facts = warehouse.table("load_fact")
            priced = {r: fits.by_response[r] for r in priced_responses(fits.by_response)}
            prior = _shrinkages(fits, executor)
            pairs = {r: pair_effects(f, season.advice.min_loads) for r, f in priced.items()}
            first, ahead = _weather_ahead(warehouse, facts, season)
            outlook = ahead.outlook(first)
            warehouse.replace("next_condition", outlook.fields)
            fleet = _fleet_data(warehouse, facts, season)
            situations = next_situations(fleet, outlook, priced, season.catalogue, season.advice.min_loads, rng)
            steps, relied = season.advice.max_steps, reliance(warehouse.table("advice_calibration"))
            doubt = doubts(fits.dirt, season.catalogue)
            for situation, place in situations:
                now = situation.settings
                effects = MoveEffects(
                    {
                        r: draw_slopes(f, place, now, season.catalogue, steps, prior[r], pairs[r], rng)
                        for r, f in priced.items()
                    }
                )
                rows.append(advise_machine(situation, effects, season.catalogue, season.prices, season.advice, relied))
                seen = shown_advice(mark_withheld(rows[-1], season.name, season.advice.hold_back))
                options.append(variation_options(situation, with_doubt(effects, doubt, steps), seen, season))
            parts = _advise_parts(warehouse, fits.dirt, facts, situations, ahead.days_ahead(first), season)
        table = pl.concat(rows)
        marked = mark_withheld(table, season.name, season.advice.hold_back)
        with warehouse.transaction():
            warehouse.replace("advice", shown_advice(marked))
            warehouse.replace("part_advice", parts)
            warehouse.replace("variation_option", pl.concat(options))
            if table.height:
                record_advice(warehouse, marked, dt.datetime.now(dt.UTC))
            store_basis(warehouse, ADVICE, OutcomeCode.COMPUTED if table.height else OutcomeCode.TOO_FEW_LOADS)
        run_checks(warehouse)
    return shown_advice(marked)


def compute_guide(workspace: Workspace, fits: Fits, reporter: Reporter, executor: Executor = serial) -> None:
    """Compute the setting guide, the what-if table and the suggested trials, and store them."""
    with (
        open_warehouse(workspace) as warehouse,
        reporter.stage(mark("Computing the setting guide")),
    ):
        season = priced_season(warehouse, workspace.season)
        if fits.dirt is None:
            if not warehouse.table("guide_class").height:
                store_basis(warehouse, GUIDE, OutcomeCode.TOO_FEW_LOADS)
            return
        tonnes = warehouse.query("class_tonnes")
        shared = (season.catalogue, season.prices, season.advice.min_loads, tonnes, ADVICE_SEED)
        priced = {r: fits.shared[r] for r in priced_responses(fits.shared)}
        shrink = _shrinkages(fits, executor)
        pairs = {r: pair_effects(fits.by_response[r], season.advice.min_loads) for r in priced}
        jobs = [GuideJob(kind, priced, shrink, pairs, *shared) for kind in ("guide", "what-if")]
        guide_tables, what_if = local(executor)(build_guide_table, jobs)
        ground = warehouse.query("trial_ground")
        scale = read_season_scale(warehouse, season)
        load_t = float(tonnes["soil_free_t"].sum()) / ground.height
        money = TrialPrices(usual_levels(what_if), season.prices, scale, load_t)
        noise = TrialNoise(float(np.sqrt(fits.dirt.reml.residual)), season.lab_cv_at_25_kg)
        of_settings = suggest_trials(warehouse.table("effect"), ground, noise, season.trial_power, money)
        fleet = _fleet_parts(warehouse, warehouse.table("load_fact"), season)
        choices = part_choices(fleet, fits.dirt.rows, list(priced), season.advice.min_loads)
        write_table({**what_if, "parts": choices}, workspace.what_if)
        of_parts = suggest_part_trials(fleet, ground, _day_noise(warehouse, season), season.trial_power, money)
        suggested = by_worth(pl.concat([of_settings, of_parts]))
        with warehouse.transaction():
            for name, rows in (
                ("guide", guide_tables.settings),
                ("guide_class", guide_tables.classes),
                ("guide_curve", guide_tables.curves),
                ("guide_worth", guide_tables.worth),
                ("trial_wanted", suggested),
            ):
                warehouse.replace(name, rows)
            store_basis(warehouse, GUIDE, OutcomeCode.COMPUTED)


def read_season_scale(warehouse: Warehouse, season: Season) -> SeasonScale:
    """Return the tonnes still to be lifted by wetness class, and the share of advised moves that is made."""
    end = season.schedule.season_end
    return season_scale(
        warehouse.query("class_tonnes"),
        warehouse.query("trial_ground")["shift_date"],
        None if end is None else end.date(),
        warehouse.table("advice_uptake"),
    )


def _advise_parts(
    warehouse: Warehouse,
    dirt: ResponseFit,
    facts: pl.DataFrame,
    situations: list[tuple[Situation, PredictionPoint]],
    outlooks: list[Outlook],
    season: Season,
) -> pl.DataFrame:
    """Return the changes of fitted parts that may pay in the days ahead with a forecast."""
    fleet = _fleet_parts(warehouse, facts, season)
    days = [(s, days_of(s, place, outlooks, dirt)) for s, place in situations]
    size = partial(
        part_trial_size,
        pair_sd=_day_noise(warehouse, season).pair_sd(facts),
        power=season.trial_power,
        change_cost=season.prices.parts_change,
    )
    rules = PartRules(season.prices, season.advice, size, ADVICE_SEED)
    return advise_parts(fleet, days, rules)


def _fleet_parts(warehouse: Warehouse, facts: pl.DataFrame, season: Season) -> FleetParts:
    """Return the parts of the fleet and the evidence on them."""
    setups, effects = warehouse.table("machine_setup"), warehouse.table("part_effect")
    return FleetParts(setups, effects, clean_t_per_shift(facts), season.time_zone)


def _day_noise(warehouse: Warehouse, season: Season) -> DayNoise:
    """Return the noise of a machine's day by the last fit."""
    return DayNoise.of_fit(warehouse.table("fit_run"), season.lab_cv_at_25_kg, season.name)


def _weather_ahead(warehouse: Warehouse, facts: pl.DataFrame, season: Season) -> tuple[NextShift, WeatherAhead]:
    """Return the shift after the last one, and the conditions expected from it on."""
    last = cast("dt.date", facts["shift_date"].max())
    first = NextShift(
        last + dt.timedelta(days=1),
        season.shift_starts,
        working_hours(facts["lifted_at"], season.time_zone),
        season.time_zone,
    )
    until = first.working_hours_utc().max()
    ahead = weather_ahead(
        warehouse.table("field_hour"),
        warehouse.table("weather_filled"),
        warehouse.table("forecast_hour"),
        warehouse.table("field"),
        cast("dt.datetime", until) + dt.timedelta(days=DAYS_AHEAD - 1),
    )
    return first, ahead
