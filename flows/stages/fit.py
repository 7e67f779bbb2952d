"""Fit stages: responses, result tables, fit checks, fleet comparison."""

from dataclasses import dataclass
from functools import cached_property

import polars as pl

from flows.runtime.progress import Reporter
from flows.stages.context import open_warehouse, require_facts, run_checks
from reports.language.translate import mark
from transforms.config.settings_catalogue import DIRT, ROOT_LOSS, TOPS
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
from transforms.jobs.product_cache import ProductCache
from transforms.model.checks.fit_checks import BY_REFITTING, CHECKS, check_rows
from transforms.model.fit_result import ResponseFit
from transforms.parallel import Executor, SharedValue, local, serial
from transforms.storage.product_basis import BENCHMARK, FIT_CHECK, OutcomeCode, store_basis
from transforms.storage.warehouse import Warehouse

MIN_PLOTS = 10
"""Minimum number of dig-behind plots before the root loss of a subject is compared."""


@dataclass(frozen=True)
class Fits:
    """Fitted responses; None if a response has too few loads to fit."""

    dirt: ResponseFit | None
    loss: ResponseFit | None
    tops: ResponseFit | None

    @property
    def fitted(self) -> list[ResponseFit]:
        """Fits that exist."""
        return [f for f in (self.dirt, self.loss, self.tops) if f is not None]

    @cached_property
    def shared(self) -> dict[str, SharedValue[ResponseFit]]:
        """Existing fits by response, shared with other processes."""
        return {f.response: SharedValue(f) for f in self.fitted}


def _classify_outcome(fits: Fits) -> OutcomeCode:
    return OutcomeCode.COMPUTED if fits.fitted else OutcomeCode.TOO_FEW_LOADS


def fit_responses(workspace: Workspace, reporter: Reporter, executor: Executor = serial) -> Fits:
    """Fit dirt, root loss and tops, and store the result tables.

    Advice, guide and fleet comparison are unchanged; `product_basis` records that they belong to an earlier fit.
    """
    season = workspace.season
    cache = ProductCache(workspace.products, executor)
    facts = ((DIRT, "load_fact"), (ROOT_LOSS, "audit_fact"), (TOPS, "load_fact"))
    with open_warehouse(workspace) as warehouse:
        require_facts(warehouse, workspace)
        previous, cv = _load_previous_season(season), season.lab_cv_at_25_kg
        jobs = [ResponseJob(warehouse.table(t), r, season.catalogue, cv, cache, previous) for r, t in facts]
        with reporter.stage(mark("Fitting what drives dirt, root loss and tops"), len(facts)) as advance:
            fitted = []
            for response_fit, used in local(executor)(fit_response_job, jobs):
                fitted.append(response_fit)
                cache.used |= used
                advance()
        fits = Fits(*fitted)
        with reporter.stage(mark("Computing effects and curves")):
            tables = _compute_result_tables(fits, season, executor)
        with warehouse.transaction():
            for name, rows in tables.items():
                warehouse.replace(name, pl.concat([warehouse.table(name).clear(), *rows], how="diagonal_relaxed"))
        run_checks(warehouse)
    cache.remove_unused()
    return fits


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
    jobs = [FitJob(f, name, season.catalogue, season.advice.min_loads) for f in fits.shared.values() for name in CHECKS]
    with open_warehouse(workspace) as warehouse:
        stored = warehouse.table("fit_check")
        results = [stored.clear() if refits else _select_reusable_rows(stored, job) for job in jobs]
        due = [i for i, rows in enumerate(results) if not rows.height]
        with reporter.stage(mark("Checking the fits"), len(due)) as advance:
            for i, rows in zip(due, local(executor)(run_fit_check, [jobs[i] for i in due]), strict=True):
                results[i] = check_rows(jobs[i].fit.value, rows)
                advance()
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
        FitJob(f, "benchmark", season.catalogue, MIN_PLOTS if response == ROOT_LOSS else min_loads)
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
