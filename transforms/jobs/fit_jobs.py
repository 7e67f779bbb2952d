"""What is worked out of fits, as jobs of their own: a response's fit, its tables, its checks, its comparison."""

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl
from threadpoolctl import threadpool_limits

from transforms.benchmark.benchmark import benchmark
from transforms.config.settings_catalogue import Catalogue
from transforms.model.checks.fit_checks import CHECKS, Row
from transforms.model.confounding import confounding
from transforms.model.effect_curves import setting_curves
from transforms.model.effects import effects
from transforms.model.fit import ResponseFit, fit_posterior, fit_summary, setting_reliability
from transforms.model.interaction_tests import interaction_gains
from transforms.model.load_decomposition import contributions, expected
from transforms.model.previous_season import prior_of
from transforms.model.row_batches import ProductCache
from transforms.model.variance_decomposition import variance_shares
from transforms.model.warm_start import refit
from transforms.parallel import SharedValue


@dataclass(frozen=True)
class ResponseJob:
    """A response to fit: its facts, and what last season found, where it did."""

    facts: pl.DataFrame
    response: str
    catalogue: Catalogue
    lab_cv_at_25_kg: float
    store: ProductCache
    before: pl.DataFrame | None


def fit_one(job: ResponseJob) -> tuple[ResponseFit | None, set[str]]:
    """Fit a response; return the fit and the keys of what it took from the store or put there."""
    prior = prior_of(job.before, job.response) if job.before is not None else None
    found = refit(job.facts, job.response, job.catalogue, job.lab_cv_at_25_kg, job.store, prior=prior)
    return found, job.store.used


Finding = Callable[[ResponseFit, Catalogue, int], pl.DataFrame]
FINDINGS: dict[str, Finding] = {
    "effect": effects,
    "curve": lambda fit, _, least: setting_curves(fit, least),
    "interaction_gain": lambda fit, *_: interaction_gains(fit),
    "load_why": lambda fit, *_: contributions(fit),
    "fit_posterior": lambda fit, *_: fit_posterior(fit),
    "confounding": lambda fit, *_: confounding(fit),
    "variance_share": lambda fit, *_: variance_shares(fit),
    "setting_reliability": lambda fit, *_: setting_reliability(fit),
    "expected_load": lambda fit, *_: expected(fit),
    "fit_run": lambda fit, *_: fit_summary(fit),
}
"""Table -> what makes it, those that take longest first."""
OF_DIRT = ("expected_load", "load_why")


@dataclass(frozen=True)
class FitJob:
    """Something to work out of a fit: which table or check, settings known, loads that a class must rest on."""

    fit: SharedValue[ResponseFit]
    name: str
    catalogue: Catalogue
    least: int


def find(job: FitJob) -> pl.DataFrame:
    """Return a table of a fit."""
    # Many small products: threads would wait for each other longer than they work.
    with threadpool_limits(limits=1, user_api="blas"):
        return FINDINGS[job.name](job.fit.value, job.catalogue, job.least)


def check(job: FitJob) -> list[Row]:
    """Return the rows of a check of a fit."""
    with threadpool_limits(limits=1, user_api="blas"):
        return CHECKS[job.name](job.fit.value)


def compare(job: FitJob) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return a response's rows of `benchmark` and of `season_change`."""
    with threadpool_limits(limits=1, user_api="blas"):
        return benchmark(job.fit.value, job.least)
