"""Fit stages: responses, result tables, fit checks, fleet comparison."""

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import polars as pl

from flows.runtime.progress import Reporter
from flows.stages.context import open_warehouse, require_facts, run_checks
from reports.language.translate import mark
from transforms.config.response_catalogue import DIRT, RESPONSES, ROOT_LOSS
from transforms.config.workspace import Season, Workspace
from transforms.errors import WorkspaceError
from transforms.jobs.fit_jobs import (
    FIT_TABLES,
    OF_DIRT,
    FitJob,
    ResponseJob,
    benchmark_response,
    compute_fit_table,
    fit_response_job,
    run_fit_check,
)
from transforms.jobs.night_fits import load_night_fit, store_night_fits
from transforms.jobs.product_cache import ProductCache
from transforms.jobs.stored_fits import fits_key, load_fits, store_fits
from transforms.model.checks.fit_checks import BY_REFITTING, check_rows, checks_of, sampling_check
from transforms.model.checks.loss_parts import loss_parts_check
from transforms.model.effects import classes_of
from transforms.model.fit_result import ResponseFit
from transforms.model.fitted_parts import PART_SCHEMA, part_effects
from transforms.parallel import Executor, SharedValue, local, serial
from transforms.storage.product_basis import BENCHMARK, FIT_CHECK, OutcomeCode, store_basis
from transforms.storage.warehouse import Warehouse
from transforms.trial.part_by_lot import part_effects_by_lot, replace_by_lot
from transforms.trial.part_reading import dirt_given_conditions

NightFitUse = Literal["ignore", "store", "use"]
"""Use of the night fits by a fit: none, keep it as one, or fit by day at their variances."""
MIN_PLOTS = 10
"""Minimum number of dig-behind plots or quality checks before a subject is compared by them."""


@dataclass(frozen=True)
class Fits:
    """Fitted responses by name, in the catalogue's order; those with too few measurements to fit are not among them."""

    by_response: dict[str, ResponseFit]

    @property
    def dirt(self) -> ResponseFit | None:
        """Fit of the dirt tare."""
        return self.by_response.get(DIRT)

    @property
    def loss(self) -> ResponseFit | None:
        """Fit of the root loss."""
        return self.by_response.get(ROOT_LOSS)

    @property
    def fitted(self) -> list[ResponseFit]:
        """Fits that exist."""
        return list(self.by_response.values())

    @cached_property
    def shared(self) -> dict[str, SharedValue[ResponseFit]]:
        """Existing fits by response, shared with other processes."""
        return {f.response: SharedValue(f) for f in self.fitted}


def _classify_outcome(fits: Fits) -> OutcomeCode:
    return OutcomeCode.COMPUTED if fits.fitted else OutcomeCode.TOO_FEW_LOADS


def fit_responses(
    workspace: Workspace, reporter: Reporter, executor: Executor = serial, *, night_fits: NightFitUse = "ignore"
) -> Fits:
    """Fit every response of the catalogue and store the result tables.

    Advice, guide and fleet comparison are unchanged; `product_basis` records that they belong to an earlier fit.

    Args:
        workspace: the workspace.
        reporter: shows progress.
        executor: runs the fits.
        night_fits: `store` keeps the variances for the fits by day, `use` fits by day at those kept.
    """
    season = workspace.season
    workspace.stored_fits.unlink(missing_ok=True)
    cache = ProductCache(workspace.products, executor)
    with open_warehouse(workspace) as warehouse:
        require_facts(warehouse, workspace)
        previous, cv = _load_previous_season(season), season.lab_cv_at_25_kg
        facts = {name: warehouse.table(name) for name in dict.fromkeys(r.facts for r in RESPONSES.values())}
        key = fits_key([previous], (season.catalogue, cv))
        jobs = [
            ResponseJob(
                facts[r.facts],
                r.name,
                season.catalogue,
                cv,
                cache,
                previous,
                load_night_fit(workspace.night_fits, key, r.name) if night_fits == "use" else None,
            )
            for r in RESPONSES.values()
        ]
        fitted: dict[str, ResponseFit] = {}
        with reporter.stage(mark("Fitting what drives dirt, losses, topping and damage"), len(jobs)) as advance:
            for job, (response_fit, used) in zip(jobs, local(executor)(fit_response_job, jobs), strict=True):
                if response_fit is not None:
                    fitted[job.response] = response_fit
                cache.used |= used
                advance()
        fits = Fits(fitted)
        with reporter.stage(mark("Computing effects and curves")):
            tables = _compute_result_tables(fits, season, executor)
            setups = warehouse.table("machine_setup")
            effects = [part_effects(f, setups, season.time_zone) for f in fits.fitted]
            tables["part_effect"] = [_with_part_trials(warehouse, effects, fits.dirt, tables["expected_load"])]
        with warehouse.transaction():
            for name, rows in tables.items():
                warehouse.replace(name, pl.concat([warehouse.table(name).clear(), *rows], how="diagonal_relaxed"))
        run_checks(warehouse)
    cache.remove_unused()
    if night_fits == "store":
        store_night_fits(workspace.night_fits, key, fitted)
    return fits


def _with_part_trials(
    warehouse: Warehouse, effects: list[pl.DataFrame], dirt: ResponseFit | None, expected: list[pl.DataFrame]
) -> pl.DataFrame:
    """Return the effects of fitted parts, those by the lot of part trials in place of the same ones between days."""
    table = pl.concat([pl.DataFrame(schema=PART_SCHEMA), *effects])
    if dirt is None:
        return table
    loads = dirt.rows.select("load_id", "machine_id").hstack(classes_of(dirt.rows).select("wetness_class"))
    z = dirt_given_conditions(pl.concat(expected)).join(loads, on="load_id")
    return replace_by_lot(table, part_effects_by_lot(warehouse.table("trial_result"), warehouse.table("trial_load"), z))


def keep_fits(workspace: Workspace, fits: Fits) -> None:
    """Keep fits on disk for the command that follows; they are read again while nothing has changed."""
    with open_warehouse(workspace) as warehouse:
        store_fits(workspace.stored_fits, _inputs_key(warehouse, workspace.season), fits.by_response)


def kept_fits(workspace: Workspace) -> Fits | None:
    """Return the fits kept by the command before, if all tables and settings on which they rest are unchanged."""
    if not workspace.stored_fits.exists():
        return None
    with open_warehouse(workspace) as warehouse:
        found = load_fits(workspace.stored_fits, _inputs_key(warehouse, workspace.season))
    return None if found is None else Fits(found)


def _inputs_key(warehouse: Warehouse, season: Season) -> str:
    """Return the fingerprint of the tables and settings on which fits and their result tables rest."""
    names = dict.fromkeys((*(r.facts for r in RESPONSES.values()), "machine_setup"))
    others = (season.catalogue, season.lab_cv_at_25_kg, season.advice.min_loads, season.time_zone)
    return fits_key([*(warehouse.table(n) for n in names), _load_previous_season(season)], others)


def clear_product_cache(workspace: Workspace) -> None:
    """Delete cached weekly cross-products and warm starts, so that the next fit uses every raw row again."""
    ProductCache(workspace.products).remove_unused()


def check_fits(
    workspace: Workspace, fits: Fits, reporter: Reporter, executor: Executor = serial, *, refits: bool = True
) -> pl.DataFrame:
    """Check each fit (placebo, left-out fields and weeks, influence, tails) and store the result.

    Args:
        workspace: the workspace.
        fits: the fits to check.
        reporter: shows progress.
        executor: runs the checks.
        refits: run the checks that refit the model; if False, keep their stored results where they exist.

    Returns:
        The table `fit_check`.
    """
    season = workspace.season
    jobs = [
        FitJob(f, name, season.catalogue, season.advice.min_loads)
        for response, f in fits.shared.items()
        for name in checks_of(response)
    ]
    with open_warehouse(workspace) as warehouse:
        stored = warehouse.table("fit_check")
        results = [stored.clear() if refits else _select_reusable_rows(stored, job) for job in jobs]
        due = [i for i, rows in enumerate(results) if not rows.height]
        due.sort(key=lambda i: (*BY_REFITTING, jobs[i].name).index(jobs[i].name))  # those that take longest first
        with reporter.stage(mark("Checking the fits"), len(due)) as advance:
            for i, rows in zip(due, local(executor)(run_fit_check, [jobs[i] for i in due]), strict=True):
                results[i] = check_rows(jobs[i].fit.value, rows)
                advance()
        if (dirt := fits.shared.get(DIRT)) is not None:
            results.append(check_rows(dirt.value, sampling_check(dirt.value, warehouse.table("load_fact"))))
        if fits.loss is not None:
            results.append(check_rows(fits.loss, loss_parts_check(fits.by_response)))
        checks = pl.concat([stored.clear(), *results], how="diagonal_relaxed")
        with warehouse.transaction():
            warehouse.replace("fit_check", checks)
            store_basis(warehouse, FIT_CHECK, _classify_outcome(fits))
    return checks


def _select_reusable_rows(checks: pl.DataFrame, job: FitJob) -> pl.DataFrame:
    """Return the stored rows of a check that refits the model; empty for a check that is cheap to repeat."""
    by_refit = pl.col("check").is_in(list(BY_REFITTING.get(job.name, ())))
    return checks.filter((pl.col("response") == job.fit.value.response) & by_refit)


def _load_previous_season(season: Season) -> pl.DataFrame | None:
    """Return the posterior of last season, or None if `season.toml` names no workspace or it has no posterior.

    Raises:
        WorkspaceError: the named workspace has no warehouse.
    """
    if season.last_season is None:
        return None
    if not Workspace(season.last_season).warehouse.exists():
        raise WorkspaceError(
            "the workspace of last season does not exist",
            where=f"season.toml [fit] last_season = {season.last_season}",
            remedy="correct the folder, or delete the line",
        )
    with Warehouse.open_read_only(Workspace(season.last_season).warehouse) as warehouse:
        return warehouse.table("fit_posterior") if warehouse.has("fit_posterior") else None


def _compute_result_tables(fits: Fits, season: Season, executor: Executor) -> dict[str, list[pl.DataFrame]]:
    """Return the result tables of all fits, by table name."""
    jobs = [
        FitJob(f, name, season.catalogue, season.advice.min_loads)
        for response, f in fits.shared.items()
        for name in FIT_TABLES
        if name not in OF_DIRT or response == DIRT
    ]
    tables: dict[str, list[pl.DataFrame]] = {name: [] for name in FIT_TABLES}
    for job, table in zip(jobs, local(executor)(compute_fit_table, jobs), strict=True):
        tables[job.name].append(table)
    return tables


def compare_subjects(
    workspace: Workspace, fits: Fits, reporter: Reporter, executor: Executor = serial, *, recompute: bool = True
) -> pl.DataFrame:
    """Compare machines, operators, growers, fields and seasons, each with the value expected for its conditions.

    If `recompute` is False, a stored comparison is returned unchanged.
    """
    season, min_loads = workspace.season, workspace.season.advice.min_loads
    jobs = [
        FitJob(f, "benchmark", season.catalogue, min_loads if RESPONSES[response].facts == "load_fact" else MIN_PLOTS)
        for response, f in fits.shared.items()
    ]
    with open_warehouse(workspace) as warehouse:
        stored = warehouse.table("benchmark")
        if stored.height and not recompute:
            return stored
        tables, changes = [stored.clear()], [warehouse.table("season_change").clear()]
        with reporter.stage(mark("Comparing the fleet"), len(jobs)) as advance:
            for rows, change in local(executor)(benchmark_response, jobs):
                tables.append(rows)
                changes.append(change)
                advance()
        table = pl.concat(tables, how="diagonal_relaxed")
        with warehouse.transaction():
            warehouse.replace("benchmark", table)
            warehouse.replace("season_change", pl.concat(changes, how="diagonal_relaxed"))
            store_basis(warehouse, BENCHMARK, _classify_outcome(fits))
        run_checks(warehouse)
    return table
