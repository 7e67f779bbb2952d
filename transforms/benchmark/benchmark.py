"""`benchmark` table: observed less expected value of each subject, split into settings, outliers and unexplained."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.benchmark.funnel import funnel
from transforms.benchmark.ranks import ranks
from transforms.benchmark.subject_effects import KINDS, UNKNOWN, SubjectEffects, estimate_subject_effects
from transforms.contracts.reason import Reason, args_of, reason
from transforms.contracts.result_tables import schema_of
from transforms.model.fit_result import ResponseFit
from transforms.model.response_scale import value_from_scale

Array = NDArray[np.float64]
BENCHMARK_SCHEMA = schema_of("benchmark")
SEASON_CHANGE_SCHEMA = schema_of("season_change")
FEW_LOADS_REASON = "few_loads"
SAME_AS_MACHINE, ONLY_ONE = reason("same_as_machine"), reason("only_one")
"""Reasons for not comparing any subject of a kind."""
LOWER, USUAL, HIGHER = "lower", "usual", "higher"
RANKED_FROM = 3
"""Smallest number of subjects that are ranked."""
JUDGED_FROM = 30
"""A subject with fewer rows is compared but not judged: it has no standing and no rank (common practice, no source)."""


def _rate(response: str, z: Array, typical: float) -> Array:
    """Return units of the response per unit of z between the typical load and each subject: log mean (Ang 2004)."""
    gap = z - typical
    is_typical = np.abs(gap) < 1e-9
    step = np.where(is_typical, 1e-6, gap)
    base = value_from_scale(response, np.array([typical]))[0]
    return np.asarray((value_from_scale(response, typical + step) - base) / step)


def _means(effects: SubjectEffects, values: Array) -> Array:
    """Return the weighted mean of row values over each subject's loads, shape (k,)."""
    total = np.bincount(effects.code, weights=effects.weight, minlength=effects.labels.size)
    return np.asarray(np.bincount(effects.code, weights=effects.weight * values, minlength=effects.labels.size) / total)


def _rows(fit: ResponseFit, effects: SubjectEffects, min_loads: int) -> pl.DataFrame:
    """Return the `benchmark` rows of one kind of subjects."""
    z = _means(effects, fit.z)
    typical = float(effects.weight @ fit.pseudo / effects.weight.sum())
    outliers = _means(effects, fit.z - fit.pseudo)
    rate = _rate(fit.response, z, typical)
    settings = _means(effects, effects.settings) - float(effects.weight @ effects.settings / effects.weight.sum())
    observed, n = value_from_scale(fit.response, z), np.bincount(effects.code, minlength=effects.labels.size)
    expected = observed - rate * (settings + outliers + effects.own)
    (low, high), (shrunk_low, shrunk_high) = effects.interval, effects.shrunken.interval
    limits = funnel(effects.own, np.sqrt(np.diag(effects.own_cov)))
    known = (n >= min_loads) & (effects.labels != UNKNOWN)
    table = pl.DataFrame(
        {
            "subject_kind": [effects.kind] * n.size,
            "subject_id": effects.labels,
            "response": [fit.response] * n.size,
            "observed": observed,
            "expected": expected,
            "from_conditions": expected - value_from_scale(fit.response, np.array([typical]))[0],
            "from_settings": rate * settings,
            "from_outliers": rate * outliers,
            "unexplained": rate * effects.own,
            "lo95": rate * low,
            "hi95": rate * high,
            "shrunken": rate * effects.shrunken.mean,
            "shrunken_lo95": rate * shrunk_low,
            "shrunken_hi95": rate * shrunk_high,
            "limit_95": rate * limits.half["95"],
            "limit_998": rate * limits.half["998"],
            "overdispersion": [limits.phi] * n.size,
            "funnel": limits.beyond(effects.own),
            "n": n,
            "standing": pl.Series(classify_standings(shrunk_low, shrunk_high)).set(pl.Series(n < JUDGED_FROM), None),
            "last_shift_date": [fit.last_shift_date] * n.size,
        }
    )
    table = table.join(_ranked(effects, known & (n >= JUDGED_FROM)), on="subject_id", how="left", maintain_order="left")
    shown = pl.Series(effects.labels != UNKNOWN)
    return _with_reasons(table, known, min_loads).filter(shown)


def classify_standings(low: Array, high: Array) -> list[str]:
    """Return lower or higher if the 95 % interval of a subject's shrunken effect excludes zero, and otherwise usual.

    Shrinkage accounts for the number of subjects compared and for the variance between them; ranks use the same draws.

    Args:
        low: lower ends of the intervals, log scale, shape (k,).
        high: upper ends of the intervals, log scale, shape (k,).
    """
    return [HIGHER if a > 0 else LOWER if b < 0 else USUAL for a, b in zip(low, high, strict=True)]


def _ranked(effects: SubjectEffects, is_judged: NDArray[np.bool_]) -> pl.DataFrame:
    """Return the ranks of the judged subjects; no rows for seasons or if there are too few subjects."""
    indices = np.flatnonzero(is_judged)
    schema = {
        "subject_id": pl.String,
        "rank": pl.Int64,
        "rank_lo95": pl.Int64,
        "rank_hi95": pl.Int64,
        "subjects": pl.Int64,
    }
    if indices.size < RANKED_FROM or effects.kind == "season":
        return pl.DataFrame(schema=schema)
    median, low, high = ranks(effects.shrunken.draws[:, indices])
    return pl.DataFrame(
        {
            "subject_id": effects.labels[indices],
            "rank": median,
            "rank_lo95": low,
            "rank_hi95": high,
            "subjects": [indices.size] * indices.size,
        }
    ).cast(pl.Schema(schema))


def _with_reasons(table: pl.DataFrame, known: NDArray[np.bool_], min_loads: int) -> pl.DataFrame:
    """Return the rows with a reason; a subject with too few loads keeps only its count."""
    always_shown = ["subject_kind", "subject_id", "response", "n", "last_shift_date"]
    mask = pl.Series("known", known)
    return (
        table.with_columns(
            *(pl.when(mask).then(pl.col(c)).alias(c) for c in table.columns if c not in always_shown),
            pl.when(~mask).then(pl.lit(FEW_LOADS_REASON)).alias("reason_code"),
            pl.when(~mask).then(args_of(measured=pl.col("n"), needed=pl.lit(min_loads))).alias("reason_args"),
        )
        .select(list(BENCHMARK_SCHEMA))
        .cast(BENCHMARK_SCHEMA)
    )


def _count_rows(fit: ResponseFit, kind: str, why: Reason) -> pl.DataFrame:
    """Return rows with only the number of loads of each subject and the reason why it is not compared."""
    key = KINDS[kind][0]
    counts = (
        fit.rows.drop_nulls(key)
        .group_by(pl.col(key).cast(pl.String).alias("subject_id"), maintain_order=True)
        .agg(pl.len().cast(pl.Int64).alias("n"))
    )
    constants = {
        "subject_kind": kind,
        "response": fit.response,
        **why.columns,
        "last_shift_date": fit.last_shift_date,
    }
    rows = counts.with_columns(pl.lit(v).alias(k) for k, v in constants.items())
    return pl.concat([pl.DataFrame(schema=BENCHMARK_SCHEMA), rows], how="diagonal")


def _changes(fit: ResponseFit, effects: SubjectEffects) -> pl.DataFrame:
    """Return the change from each season to the next, split into conditions, settings, outliers and the unexplained."""
    z, settings, outliers = (_means(effects, v) for v in (fit.z, effects.settings, fit.z - fit.pseudo))
    n = np.bincount(effects.code, minlength=effects.labels.size)
    observed, rows = value_from_scale(fit.response, z), []
    for k in range(1, effects.labels.size):
        rate = float(_rate(fit.response, z[k : k + 1], float(z[k - 1]))[0])
        own = effects.own[k] - effects.own[k - 1]
        L = np.zeros(effects.labels.size)
        L[k], L[k - 1] = 1.0, -1.0
        half = effects.interval[1][k] - effects.own[k]
        half *= float(np.sqrt(L @ effects.own_cov @ L / effects.own_cov[k, k]))
        change = float(observed[k] - observed[k - 1])
        by_settings, by_outliers = rate * (settings[k] - settings[k - 1]), rate * (outliers[k] - outliers[k - 1])
        rows.append(
            (
                fit.response,
                str(effects.labels[k]),
                str(effects.labels[k - 1]),
                change,
                change - by_settings - by_outliers - rate * own,
                by_settings,
                by_outliers,
                rate * own,
                rate * (own - half),
                rate * (own + half),
                int(n[k]),
            )
        )
    return pl.DataFrame(rows, schema=SEASON_CHANGE_SCHEMA, orient="row")


def benchmark(fit: ResponseFit, min_loads: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the `benchmark` and `season_change` rows of a fit.

    observed - expected = from_settings + from_outliers + unexplained and expected - typical = from_conditions, exactly,
    all in the response's own unit and relative to the fleet's typical load (mean on the fitted scale). `observed` is
    the mean of the measured values; `from_outliers` is the part of it by which outlying loads were Huberised (0 if the
    tails are not heavy). The expected value includes conditions and the effects of the other factors (for a machine:
    its fields, days and operators).

    Args:
        fit: fit of a response.
        min_loads: smallest number of loads of a subject that is compared; it is judged from `JUDGED_FROM`.
    """
    tables, changes = [pl.DataFrame(schema=BENCHMARK_SCHEMA)], [pl.DataFrame(schema=SEASON_CHANGE_SCHEMA)]
    for kind in KINDS:
        if kind == "operator" and kind in fit.left_out and fit.left_out[kind].code == "same_as_factor":
            tables.append(_count_rows(fit, kind, SAME_AS_MACHINE))
            continue
        levels = estimate_subject_effects(fit, kind)
        if levels is None:
            if kind != "season" and KINDS[kind][0] in fit.rows.columns:
                tables.append(_count_rows(fit, kind, ONLY_ONE))
            continue
        tables.append(_rows(fit, levels, min_loads))
        if kind == "season":
            changes.append(_changes(fit, levels))
    return pl.concat(tables).sort("response", "subject_kind", "subject_id"), pl.concat(changes)
