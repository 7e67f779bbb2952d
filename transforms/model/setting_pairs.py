"""Pairs of settings whose effects may depend on each other: a score test of every pair that the catalogue declares."""

import numpy as np
import polars as pl
from scipy.stats import false_discovery_control, t

from transforms.arrays import Array
from transforms.contracts.reason import reason
from transforms.contracts.result_tables import schema_of
from transforms.model.checks.score import score_test
from transforms.model.effects import percent
from transforms.model.fit_result import ResponseFit
from transforms.model.visits import visit_means

PAIR_SCHEMA = schema_of("setting_pair")
FALSE_DISCOVERIES = 0.05
"""A pair interacts if its q value is below this."""


def declared_pairs(fit: ResponseFit) -> list[tuple[str, str]]:
    """Return the pairs of the catalogue of which both settings are in the model."""
    known = set(fit.settings)
    return [(s.name, other) for s in fit.frame.settings if s.name in known for other in s.pairs if other in known]


def pair_column(fit: ResponseFit, pair: tuple[str, str]) -> Array:
    """Return the product of two settings in steps less its visit mean, shape (n,); 0 where one is unknown."""
    i, j = (fit.setting_column(name) for name in pair)
    known = fit.observed[:, i] & fit.observed[:, j]
    # About the settings' means, so that the product says least about either setting alone.
    product = np.where(known, (fit.x[:, i] - fit.x[known, i].mean()) * (fit.x[:, j] - fit.x[known, j].mean()), 0.0)
    return np.asarray((product - visit_means(product[:, None], fit.visits)[:, 0]) * known)


def setting_pairs(fit: ResponseFit, min_loads: int) -> pl.DataFrame:
    """Return `setting_pair` rows: how much the effect of one setting's step changes with a step of another.

    Each pair is tested alone at the fitted variances (score test), inside visits; q is Benjamini and Hochberg's over
    the pairs of the response.

    Args:
        fit: the fit.
        min_loads: minimum number of rows with both settings.
    """
    rows: list[dict[str, object]] = []
    for pair in declared_pairs(fit):
        places = [fit.setting_column(name) for name in pair]
        n = int(fit.observed[:, places].all(axis=1).sum())
        head = {"response": fit.response, "setting": pair[0], "other_setting": pair[1], "n": n}
        if n < min_loads:
            rows.append({**head, **reason("effect_few_loads", measured=n, needed=min_loads).columns})
            continue
        tested = score_test(fit, pair_column(fit, pair)[:, None])
        if not tested.df:
            rows.append({**head, **reason("effect_hardly_moved").columns})
            continue
        (estimate, error), df = tested.each[0], max(fit.z.size - fit.width, 1)
        half = float(t.ppf(0.975, df)) * error
        change = {"change_pct": estimate, "lo95": estimate - half, "hi95": estimate + half}
        rows.append({**head, **{k: percent(v) for k, v in change.items()}, "p_value": tested.p_value})
    return _with_q(pl.DataFrame(rows, schema_overrides=PAIR_SCHEMA) if rows else pl.DataFrame(schema=PAIR_SCHEMA))


def _with_q(table: pl.DataFrame) -> pl.DataFrame:
    """Return rows with their q values and whether they interact."""
    missing = [c for c in PAIR_SCHEMA if c not in table.columns]
    table = table.with_columns(pl.lit(None, dtype=PAIR_SCHEMA[c]).alias(c) for c in missing).select(list(PAIR_SCHEMA))
    known = table["p_value"].is_not_null().to_numpy()
    q = np.full(table.height, np.nan)
    if known.any():
        q[known] = false_discovery_control(table["p_value"].drop_nulls().to_numpy().clip(1e-300, 1))
    yes, no = reason("interaction").columns, reason("no_interaction").columns
    table = table.with_columns(pl.Series("q_value", q).fill_nan(None))
    is_pair = pl.col("q_value") < FALSE_DISCOVERIES
    return table.with_columns(
        pl.when(pl.col("q_value").is_null())
        .then(column)
        .when(is_pair)
        .then(pl.lit(yes[column]))
        .otherwise(pl.lit(no[column]))
        .alias(column)
        for column in ("reason_code", "reason_args")
    )
