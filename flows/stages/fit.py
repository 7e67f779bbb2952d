"""Fit stages: responses, result tables, checks, fleet comparison."""

from dataclasses import dataclass
from functools import cached_property

import polars as pl

from flows.runtime.progress import Reporter
from flows.stages.context import open_warehouse, require_facts, run_checks
from transforms.config.settings_catalogue import DIRT, ROOT_LOSS, TOPS
from transforms.config.workspace import Season, Workspace
from transforms.errors import WorkspaceError
from transforms.jobs.fit_jobs import FINDINGS, OF_DIRT, FitJob, ResponseJob, check, find, fit_one
from transforms.jobs.fit_jobs import compare as compare_one
from transforms.model.checks.fit_checks import BY_REFITTING, CHECKS, check_rows
from transforms.model.fit import ResponseFit
from transforms.model.row_batches import ProductCache
from transforms.parallel import Executor, SharedValue, local, serial
from transforms.storage.product_basis import BENCHMARK, FIT_CHECK, OutcomeCode, store_basis
from transforms.storage.warehouse import Warehouse

MIN_PLOTS = 10
"""Dig-behind plots that a subject's root loss must rest on before it is compared."""


@dataclass(frozen=True)
class Fits:
    """The fitted responses; None where there is too little to fit."""

    dirt: ResponseFit | None
    loss: ResponseFit | None
    tops: ResponseFit | None

    @property
    def fitted(self) -> list[ResponseFit]:
        """Those there are."""
        return [f for f in (self.dirt, self.loss, self.tops) if f is not None]

    @cached_property
    def shared(self) -> dict[str, SharedValue[ResponseFit]]:
        """Those there are by response, for other processes to read."""
        return {f.response: SharedValue(f) for f in self.fitted}


def _outcome(fits: Fits) -> OutcomeCode:
    return OutcomeCode.COMPUTED if fits.fitted else OutcomeCode.TOO_FEW_LOADS


def fit(workspace: Workspace, reporter: Reporter, spread: Executor = serial) -> Fits:
    """Fit dirt, root loss and tops, and store what was found; advice, guide and comparison stay (`product_basis`)."""
    season = workspace.season
    store = ProductCache(workspace.products, spread)
    facts = ((DIRT, "load_fact"), (ROOT_LOSS, "audit_fact"), (TOPS, "load_fact"))
    with open_warehouse(workspace) as warehouse:
        require_facts(warehouse, workspace)
        before, cv = _last_season(season), season.lab_cv_at_25_kg
        jobs = [ResponseJob(warehouse.table(t), r, season.catalogue, cv, store, before) for r, t in facts]
        with reporter.stage("Fitting what drives dirt, root loss and tops", len(facts)) as advance:
            found = []
            for fit_of, used in local(spread)(fit_one, jobs):
                found.append(fit_of)
                store.used |= used
                advance()
        fits = Fits(*found)
        with reporter.stage("Working out effects and curves"):
            tables = _findings(fits, season, spread)
        with warehouse.transaction():
            for name, rows in tables.items():
                warehouse.replace(name, pl.concat([warehouse.table(name).clear(), *rows], how="diagonal_relaxed"))
        run_checks(warehouse)
    store.sweep()
    return fits


def forget_products(workspace: Workspace) -> None:
    """Forget the cross-products of weeks and where fits started from, so that the next fit sums every row anew."""
    ProductCache(workspace.products).sweep()


def check_fits(
    workspace: Workspace, fits: Fits, reporter: Reporter, spread: Executor = serial, *, refits: bool = True
) -> pl.DataFrame:
    """Check each fit (placebo, fields and weeks left out, influence, tails) and store what was found.

    `refits` says whether checks that fit the model again are made; else they stand as they were made last.
    """
    season = workspace.season
    asked = [
        FitJob(f, name, season.catalogue, season.advice.min_loads) for f in fits.shared.values() for name in CHECKS
    ]
    with open_warehouse(workspace) as warehouse:
        before = warehouse.table("fit_check")
        found = [before.clear() if refits else _standing(before, job) for job in asked]
        due = [i for i, rows in enumerate(found) if not rows.height]
        with reporter.stage("Checking the fits", len(due)) as advance:
            for i, rows in zip(due, local(spread)(check, [asked[i] for i in due]), strict=True):
                found[i] = check_rows(asked[i].fit.value, rows)
                advance()
        checks = pl.concat([before.clear(), *found], how="diagonal_relaxed")
        with warehouse.transaction():
            warehouse.replace("fit_check", checks)
            store_basis(warehouse, FIT_CHECK, _outcome(fits))
    return checks


def _standing(checks: pl.DataFrame, job: FitJob) -> pl.DataFrame:
    """The rows of a check that need not be made again; none of one that costs little."""
    of_it = pl.col("check").is_in(list(BY_REFITTING.get(job.name, ())))
    return checks.filter((pl.col("response") == job.fit.value.response) & of_it)


def _last_season(season: Season) -> pl.DataFrame | None:
    """What the workspace of last season found, where `season.toml` names one."""
    if season.last_season is None:
        return None
    if not Workspace(season.last_season).warehouse.exists():
        raise WorkspaceError(
            "the workspace of last season is not there",
            where=f"season.toml [fit] last_season = {season.last_season}",
            remedy="name its folder, or take the line out",
        )
    with Warehouse.to_look_at(Workspace(season.last_season).warehouse) as warehouse:
        return warehouse.table("fit_posterior") if warehouse.has("fit_posterior") else None


def _findings(fits: Fits, season: Season, spread: Executor) -> dict[str, list[pl.DataFrame]]:
    """Every table that says what the fits found."""
    jobs = [
        FitJob(f, name, season.catalogue, season.advice.min_loads)
        for response, f in fits.shared.items()
        for name in FINDINGS
        if name not in OF_DIRT or response == DIRT
    ]
    out: dict[str, list[pl.DataFrame]] = {name: [] for name in FINDINGS}
    for job, table in zip(jobs, local(spread)(find, jobs), strict=True):
        out[job.name].append(table)
    return out


def compare(
    workspace: Workspace, fits: Fits, reporter: Reporter, spread: Executor = serial, *, anew: bool = True
) -> pl.DataFrame:
    """Compare machines, operators, growers, fields and seasons, each against what its conditions lead one to expect.

    Unless `anew`, a comparison that was made before stands as it is.
    """
    season, least = workspace.season, workspace.season.advice.min_loads
    jobs = [
        FitJob(f, "benchmark", season.catalogue, MIN_PLOTS if response == ROOT_LOSS else least)
        for response, f in fits.shared.items()
    ]
    with open_warehouse(workspace) as warehouse:
        before = warehouse.table("benchmark")
        if before.height and not anew:
            return before
        tables, changes = [before.clear()], [warehouse.table("season_change").clear()]
        with reporter.stage("Comparing the fleet", len(jobs)) as advance:
            for rows, change in local(spread)(compare_one, jobs):
                tables.append(rows)
                changes.append(change)
                advance()
        table = pl.concat(tables, how="diagonal_relaxed")
        with warehouse.transaction():
            warehouse.replace("benchmark", table)
            warehouse.replace("season_change", pl.concat(changes, how="diagonal_relaxed"))
            store_basis(warehouse, BENCHMARK, _outcome(fits))
        run_checks(warehouse)
    return table
