"""Result tables of one fit: `fit_posterior`, `last_season`, `setting_reliability`, `fit_run`."""

import datetime as dt

import numpy as np
import polars as pl

from transforms.contracts.reason import Reason, reason
from transforms.contracts.result_tables import schema_of
from transforms.contracts.result_tables.fit import ESTIMATED, LAST_NIGHT
from transforms.model.fit_result import ResponseFit
from transforms.model.previous_season import DENIED_WEIGHT, USED_WEIGHT, posterior_rows
from transforms.model.specification import FACTORS


def fit_posterior(fit: ResponseFit) -> pl.DataFrame:
    """Return the `fit_posterior` rows of a fit: the fixed coefficients of settings, as the prior of the next season."""
    within = [t for t in fit.frame.fixed_terms if t.kind == "within"]
    labels = [label for t in within for label in t.labels() if label in fit.at]
    return posterior_rows(fit.response, labels, fit.reml, fit.at)


def last_season(fit: ResponseFit) -> pl.DataFrame:
    """Return the `last_season` rows of a fit: the weight of last season for each setting; empty without a prior."""
    weights = {} if fit.last_season is None else fit.last_season.weights
    rows = [
        {"response": fit.response, "setting": setting, "last_season_weight": weight, **_use(weight).columns}
        for setting, weight in weights.items()
    ]
    return pl.DataFrame(rows, schema=schema_of("last_season"))


def _use(weight: float) -> Reason:
    """Return the reason that states how last season is used for a setting."""
    if weight < DENIED_WEIGHT:
        return reason("last_season_denied")
    return reason("last_season_agrees" if weight >= USED_WEIGHT else "last_season_in_doubt")


def setting_reliability(fit: ResponseFit) -> pl.DataFrame:
    """Return `response, setting, reliability, n`: the mean reliability of each setting's traced departures."""
    rows = [
        (
            fit.response,
            s,
            float(fit.reliability[fit.setting_column(s)]),
            int(fit.observed[:, fit.setting_column(s)].sum()),
        )
        for s in fit.settings
    ]
    return pl.DataFrame(rows, schema=["response", "setting", "reliability", "n"], orient="row")


def fit_summary(fit: ResponseFit) -> pl.DataFrame:
    """Return the `fit_run` row of a fit."""
    kept = fit.kept_variances
    sd = {
        f"{name}_sd": float(np.sqrt(fit.reml.variances[name])) if name in fit.reml.variances else None
        for name in FACTORS
    }
    return pl.DataFrame(
        {
            "response": [fit.response],
            "fitted_at": [dt.datetime.now(dt.UTC)],
            "data_fingerprint": [fit.fingerprint],
            "n": [fit.z.size],
            "reml_deviance": [fit.reml.deviance],
            "iterations": [fit.reml.iterations],
            "converged": [fit.reml.converged],
            "variances_from": [ESTIMATED if kept is None else LAST_NIGHT],
            "variances_shift_date": [fit.last_shift_date if kept is None else kept.last_shift_date],
            "variances_n": [fit.z.size if kept is None else kept.n],
            "residual_sd": [float(np.sqrt(fit.reml.residual))],
            **{k: [v] for k, v in sd.items()},
        }
    ).with_columns(pl.col("fitted_at").dt.cast_time_unit("us"))
