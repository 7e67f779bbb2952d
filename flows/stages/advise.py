"""Advice stages: storability, moves, guide."""

import datetime as dt

import numpy as np
import polars as pl

from flows.runtime.progress import Reporter
from flows.stages.context import open_warehouse, require_facts, run_checks
from flows.stages.fit import Fits
from transforms.advice.moves import ADVICE_SCHEMA, advise_machine
from transforms.advice.outlook import NextShift, Outlook, next_outlook, working_hours
from transforms.advice.posterior import draw_slopes
from transforms.advice.season_worth import season_cost
from transforms.advice.shrinkage import shrinkage
from transforms.advice.situations import next_situations
from transforms.advice.storability import storability
from transforms.advice.what_if import write_table
from transforms.config.settings_catalogue import DIRT, ROOT_LOSS
from transforms.config.workspace import Season, Workspace
from transforms.jobs.guide_jobs import GuideJob, build_guide_table
from transforms.parallel import Executor, local, serial
from transforms.storage.product_basis import ADVICE, GUIDE, OutcomeCode, store_basis
from transforms.storage.warehouse import Warehouse
from transforms.trial.suggested_trials import suggest_trials

ADVICE_SEED = 20_251_001
"""The same data give the same advice: the posterior draws start from here."""


def keep(workspace: Workspace, reporter: Reporter) -> None:
    """Say of every measured load how long it keeps, and add up piles by site and shift."""
    with open_warehouse(workspace) as warehouse, reporter.stage("Working out how long loads keep"):
        require_facts(warehouse, workspace)
        facts, audits = warehouse.table("load_fact"), warehouse.table("audit_fact")
        rows = storability(facts, audits, warehouse.query("root_temp"), workspace.season.prices)
        season = workspace.season
        cost = season_cost(facts, audits, warehouse.table("field"), rows, season.sites, season.prices)
        with warehouse.transaction():
            warehouse.replace("storability", rows)
            warehouse.build("pile_ledger")
            warehouse.replace("season_cost", cost)


def advise(workspace: Workspace, fits: Fits, reporter: Reporter) -> pl.DataFrame:
    """Work out at most three moves a machine for the next shift."""
    season = workspace.season
    with open_warehouse(workspace) as warehouse, reporter.stage("Weighing moves for the next shift"):
        rows = [pl.DataFrame(schema=ADVICE_SCHEMA)]
        if fits.dirt is not None:
            rng = np.random.default_rng(ADVICE_SEED)
            facts, spread = warehouse.table("load_fact"), {f.response: shrinkage(f) for f in fits.fitted}
            outlook = _outlook(warehouse, facts, season)
            warehouse.replace("next_condition", outlook.fields)
            situations = next_situations(
                facts,
                outlook,
                warehouse.table("field"),
                warehouse.table("machine"),
                season.sites,
                fits.dirt,
                fits.loss,
                season.catalogue,
                season.advice.min_loads,
                season.prices.haul_km,
                rng,
            )
            for situation, place in situations:
                dirt, loss = (
                    draw_slopes(
                        f, place, situation.settings, season.catalogue, season.advice.max_steps, spread[f.response], rng
                    )
                    if f
                    else None
                    for f in (fits.dirt, fits.loss)
                )
                if dirt is None:
                    continue
                rows.append(advise_machine(situation, dirt, loss, season.catalogue, season.prices, season.advice))
        table = pl.concat(rows)
        with warehouse.transaction():
            warehouse.replace("advice", table)
            store_basis(warehouse, ADVICE, OutcomeCode.COMPUTED if table.height else OutcomeCode.TOO_FEW_LOADS)
        run_checks(warehouse)
    return table


def guide(workspace: Workspace, fits: Fits, reporter: Reporter, spread: Executor = serial) -> None:
    """Work out where to start in each class of conditions, and what any setting would do in any."""
    season = workspace.season
    with (
        open_warehouse(workspace) as warehouse,
        reporter.stage("Writing the setting guide's tables"),
    ):
        if fits.dirt is None:
            if not warehouse.table("guide_class").height:
                store_basis(warehouse, GUIDE, OutcomeCode.TOO_FEW_LOADS)
            return
        about = (season.catalogue, season.prices, season.advice.min_loads, warehouse.query("class_tonnes"), ADVICE_SEED)
        jobs = [GuideJob(what, fits.shared[DIRT], fits.shared.get(ROOT_LOSS), *about) for what in ("guide", "what-if")]
        found, table = local(spread)(build_guide_table, jobs)
        write_table(table, workspace.what_if)
        wanted = suggest_trials(
            warehouse.table("effect"),
            warehouse.query("trial_ground"),
            float(np.sqrt(fits.dirt.reml.residual)),
            season.lab_cv_at_25_kg,
            season.catalogue,
        )
        with warehouse.transaction():
            for name, rows in (
                ("guide", found.settings),
                ("guide_class", found.classes),
                ("guide_curve", found.curves),
                ("guide_worth", found.worth),
                ("trial_wanted", wanted),
            ):
                warehouse.replace(name, rows)
            store_basis(warehouse, GUIDE, OutcomeCode.COMPUTED)


def _outlook(warehouse: Warehouse, facts: pl.DataFrame, season: Season) -> Outlook:
    """Conditions of the shift after the last one."""
    last: dt.date = facts["shift_date"].max()  # type: ignore[assignment]
    return next_outlook(
        warehouse.table("field_hour"),
        warehouse.table("weather_filled"),
        warehouse.table("forecast_hour"),
        warehouse.table("field"),
        NextShift(
            last + dt.timedelta(days=1),
            season.shift_starts,
            working_hours(facts["lifted_at"], season.time_zone),
            season.time_zone,
        ),
    )
