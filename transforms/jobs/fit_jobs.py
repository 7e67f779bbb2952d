"""Jobs of a fit: the fit of a response, its tables, its checks, its fleet comparison."""

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from transforms.benchmark.benchmark import benchmark
from transforms.config.settings_catalogue import Catalogue
from transforms.jobs.product_cache import ProductCache
from transforms.mixed_model.blas_threads import one_blas_thread
from transforms.model.checks.fit_checks import CHECKS, Row
from transforms.model.confounding import confounding
from transforms.model.day_fit import fit_by_day
from transforms.model.effect_curves import setting_curves
from transforms.model.effects import effects
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_tables import fit_posterior, fit_summary, last_season, setting_reliability
from transforms.model.interaction_tests import interaction_gains
from transforms.model.load_decomposition import contributions, expected_loads
from transforms.model.night_fit import NightFit
from transforms.model.previous_season import prior_of
from transforms.model.setting_pairs import setting_pairs
from transforms.model.variance_decomposition import variance_shares
from transforms.model.warm_start import fit_from_warm_start
from transforms.parallel import SharedValue


@dataclass(frozen=True)
class ResponseJob:
    """A response to fit: its facts, last season's posterior and the last night's fit, if there are any."""

    facts: pl.DataFrame
    response: str
    catalogue: Catalogue
    lab_cv_at_25_kg: float
    store: ProductCache
    before: pl.DataFrame | None
    night: NightFit | None = None


def fit_response_job(job: ResponseJob) -> tuple[ResponseFit | None, set[str]]:
    """Fit a response, by day if it has a night fit that serves; return the fit and the keys it used in the cache."""
    prior = prior_of(job.before, job.response) if job.before is not None else None
    if job.night is not None:
        by_day = fit_by_day(job.facts, job.catalogue, job.lab_cv_at_25_kg, job.night, job.store, prior)
        if by_day is not None:
            return by_day, job.store.used
    found = fit_from_warm_start(job.facts, job.response, job.catalogue, job.lab_cv_at_25_kg, job.store, prior=prior)
    return found, job.store.used


Finding = Callable[[ResponseFit, Catalogue, int], pl.DataFrame]
FIT_TABLES: dict[str, Finding] = {
    "effect": effects,
    "curve": lambda fit, _, min_loads: setting_curves(fit, min_loads),
    "interaction_gain": lambda fit, *_: interaction_gains(fit),
    "setting_pair": lambda fit, _, min_loads: setting_pairs(fit, min_loads),
    "load_why": lambda fit, *_: contributions(fit),
    "fit_posterior": lambda fit, *_: fit_posterior(fit),
    "last_season": lambda fit, *_: last_season(fit),
    "confounding": lambda fit, *_: confounding(fit),
    "variance_share": lambda fit, *_: variance_shares(fit),
    "setting_reliability": lambda fit, *_: setting_reliability(fit),
    "expected_load": lambda fit, *_: expected_loads(fit),
    "fit_run": lambda fit, *_: fit_summary(fit),
}
"""Table -> function that computes it, longest running first."""
OF_DIRT = ("expected_load", "load_why")
"""Tables of the dirt tare alone."""


@dataclass(frozen=True)
class FitJob:
    """A table or check of a fit.

    Attributes:
        fit: the fit.
        name: table or check.
        catalogue: the settings catalogue.
        min_loads: minimum number of loads in a class.
    """

    fit: SharedValue[ResponseFit]
    name: str
    catalogue: Catalogue
    min_loads: int


def compute_fit_table(job: FitJob) -> pl.DataFrame:
    """Return a table of a fit."""
    # On many small products, threads would spend more time waiting for each other than computing.
    with one_blas_thread():
        return FIT_TABLES[job.name](job.fit.value, job.catalogue, job.min_loads)


def run_fit_check(job: FitJob) -> list[Row]:
    """Return the rows of a check of a fit."""
    with one_blas_thread():
        return CHECKS[job.name](job.fit.value)


def benchmark_response(job: FitJob) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return a response's rows of `benchmark` and of `season_change`."""
    with one_blas_thread():
        return benchmark(job.fit.value, job.min_loads)
