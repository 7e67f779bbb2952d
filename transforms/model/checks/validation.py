"""Cross-validation on fields and weeks left out, compared with gradient boosting and simple predictors.

All predictors are fitted to pseudo-values (`huber.py`) and compared with measured values: the pseudo-value of a row
left out would depend on the whole fit, which includes that row.
"""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import t as student
from threadpoolctl import threadpool_limits

from transforms.arrays import Array, Mask, to_float
from transforms.mixed_model.reml import RemlError, RemlFit, fit_products
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import cached_batches
from transforms.model.row_batches import RowBatches, factor_values, select_rows
from transforms.model.weekly_products import (
    Week,
    join_weeks,
    select_columns,
    variance_class,
    week_products,
    weight_classes,
)
from transforms.model.weighted_fit import ROUGHLY

FOLDS = 3
MAX_ROWS = 20_000
"""Approximate maximum number of rows of a validation."""
SEED = 20_251_105


MAX_RATIO_TO_BOOSTING = 1.02
"""Maximum error relative to gradient boosting's."""
CHANCE = 0.01
"""Chance that a check of an equally good prediction fails."""


@dataclass(frozen=True)
class Comparison:
    """Error of the model divided by another predictor's, and the largest ratio that chance explains."""

    ratio: float
    bound: float


@dataclass(frozen=True)
class Validation:
    """Predictions of rows left out.

    Attributes:
        model: root mean square error of z, predicted by the model.
        mean: the same, predicted by the mean.
        boosting: comparison with gradient boosting.
        last_load: comparison with the machine's last load.
        rows: number of rows predicted.
    """

    model: float
    mean: float
    boosting: Comparison
    last_load: Comparison
    rows: int


def compare(own: Array, other: Array, clusters: NDArray[np.int64], allowed: float) -> Comparison:
    """Compare the errors of two predictors, whose rows depend on each other within clusters.

    The bound is the ratio of root mean square errors at which the one-sided t test that the mean of own^2 - allowed^2
    other^2 is positive has p = `CHANCE`, with one degree of freedom less than clusters: a week is few days, and an
    error of a day is common to its loads. Source: Diebold and Mariano (1995), with clusters instead of lags.

    Args:
        own: errors of the model, shape (n,).
        other: errors of the other predictor, shape (n,).
        clusters: cluster of each row, shape (n,), numbers from 0; at least two.
        allowed: ratio that counts as equally good.
    """
    excess = own**2 - (allowed * other) ** 2
    centred = np.bincount(clusters, excess - excess.mean())
    number = int(np.unique(clusters).size)
    error = float(np.sqrt(number / (number - 1) * (centred**2).sum())) / own.size
    other_ms = float(np.mean(other**2))
    bound = np.sqrt(allowed**2 + float(student.ppf(1 - CHANCE, number - 1)) * error / other_ms)
    return Comparison(float(np.sqrt(np.mean(own**2) / other_ms)), float(bound))


class _Folds:
    """Rows of a validation in weekly batches, with the cross-products of each fold."""

    def __init__(self, fit: ResponseFit, part: NDArray[np.int64]) -> None:
        """Sum the rows of `fit` by fold, `part` of shape (n,); -1 for rows outside the validation."""
        self.fit, self.part = fit, part
        self.at = np.flatnonzero(part >= 0)
        rows = fit.rows[self.at]
        z, classes = fit.pseudo[self.at], variance_class(fit.known[self.at])
        self.batches = cached_batches(fit) if rows.height == fit.rows.height else RowBatches(rows, fit.frame)
        by_part: dict[int, list[Week]] = {int(k): [] for k in np.unique(part[self.at])}
        for week, cols in self.batches:
            folds = part[self.at][week]
            for k in np.unique(folds).tolist():
                in_fold = folds == k
                by_part[k].append(week_products(select_rows(cols, in_fold), z[week][in_fold], classes[week][in_fold]))
        self.by_part = {k: join_weeks(weeks) for k, weeks in by_part.items()}

    def refit(self, without: int) -> tuple[RemlFit, list[int]]:
        """Fit the same columns to all other folds, with the variances of the full fit as warm start."""
        fit = self.fit
        whole = weight_classes(join_weeks([week for k, week in self.by_part.items() if k != without]), fit.s2)
        every = fit.frame.dense_labels()
        keep = np.array([i for i, n in enumerate(every) if n in fit.at and whole.DD[i, i] > 0])
        products, kept = select_columns(whole, keep, every, list(fit.reml.equations.m.factors))
        start = {k: fit.reml.variances[k] for k in [*products.blocks, *products.factors]}
        return fit_products(products, (start, fit.reml.residual), tolerance=ROUGHLY), [every.index(n) for n in kept]

    def predict(self, reml: RemlFit, keep: list[int], part: int) -> Array:
        """Return z predicted for the rows of a fold; unknown levels of factors contribute 0.

        Conditions are clipped to the range of the other folds, as in every prediction of the product (`prediction.py`):
        a curve says nothing beyond the days and conditions that it was fitted to.

        Args:
            reml: fit to the other folds, from `refit`.
            keep: columns of D in that fit, from `refit`.
            part: number of the fold to predict.

        Returns:
            Predicted z, shape (rows of the fold,), in the order of the rows.
        """
        out = []
        for _, left_out in RowBatches(self._inside(part), self.fit.frame):
            dense = left_out.D[:, keep] @ reml.coef[: len(keep)]
            out.append(dense + factor_values(reml.equations.m, left_out, reml.coef[:, None])[:, 0])
        return np.concatenate(out)

    def _inside(self, part: int) -> pl.DataFrame:
        """Return the rows of a fold, with conditions clipped to their range in the other folds."""
        rows, in_fold = self.fit.rows[self.at], pl.Series(self.part[self.at] == part)
        others, names = rows.filter(~in_fold), self.fit.frame.terms.conditions
        low, high = ({n: to_float(limit(others[n])) for n in names} for limit in (pl.Series.min, pl.Series.max))
        inside = (pl.col(n).cast(pl.Float64).clip(low[n], high[n]) for n in names)
        return rows.filter(in_fold).with_columns(inside)


def _boosting(fit: ResponseFit, train: Mask, test: Mask) -> Array:
    """Return predictions of gradient boosting on the same settings, conditions, machines, operators and sites."""
    # The import takes a second, and most commands do not need it.
    from sklearn.ensemble import HistGradientBoostingRegressor  # noqa: PLC0415

    settings = [fit.rows[s].cast(pl.Float64).to_numpy() for s in fit.settings]
    conditions = [fit.rows[c].cast(pl.Float64).to_numpy() for c in fit.frame.terms.conditions]
    ids = [k for k in ("machine_id", "operator_id", "site_id") if k in fit.rows.columns]
    codes = [fit.rows[k].cast(pl.String).fill_null("").rank("dense").to_numpy() - 1 for k in ids]
    few = [bool(np.max(c) < 250) for c in codes]
    table = np.column_stack([*settings, *conditions, *codes]).astype(np.float64)
    categories = [False] * (len(settings) + len(conditions)) + few
    # On data of this size its threads spend more time waiting for each other than computing.
    with threadpool_limits(limits=1, user_api="openmp"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        booster = HistGradientBoostingRegressor(
            max_iter=200,
            learning_rate=0.08,
            min_samples_leaf=20,
            early_stopping=True,
            random_state=SEED,
            categorical_features=np.array(categories),
        )
        booster.fit(table[train], fit.pseudo[train])
        return np.asarray(booster.predict(table[test]))


def _last_load(fit: ResponseFit, train: Mask, test: Mask) -> Array:
    """Return z of the last training load of the same machine; the training mean if there is none."""
    if "lifted_at" not in fit.rows.columns:
        return np.full(int(test.sum()), float(fit.pseudo[train].mean()))
    table = fit.rows.select("machine_id", "lifted_at").with_columns(pl.Series("z", fit.pseudo)).with_row_index("i")
    training = table.filter(pl.Series(train)).drop_nulls("lifted_at").sort("lifted_at")
    test_loads = table.filter(pl.Series(test)).sort("lifted_at")
    joined = test_loads.join_asof(
        training.select("machine_id", "lifted_at", pl.col("z").alias("last")),
        on="lifted_at",
        by="machine_id",
        check_sortedness=False,
    )
    return joined.sort("i")["last"].fill_null(float(fit.pseudo[train].mean())).to_numpy()


def _rmse(errors: Array) -> float:
    """Return the root mean square of errors."""
    return float(np.sqrt(np.mean(errors**2)))


def _validate(fit: ResponseFit, part: NDArray[np.int64], parts: Sequence[int]) -> Validation | None:
    """Predict each of the folds `parts` from all other folds; `part` of shape (n,), -1 for rows in none.

    Return None if no fold can be predicted, or the rows are of one day.
    """
    folds = _Folds(fit, part)
    errors: dict[str, list[Array]] = {"model": [], "boosting": [], "last_load": [], "mean": []}
    days = fit.rows["shift_date"].rank("dense").cast(pl.Int64).to_numpy() - 1
    clusters: list[NDArray[np.int64]] = []
    for k in parts:
        train, test = (part >= 0) & (part != k), part == k
        if test.sum() < 10 or train.sum() < 3 * fit.reml.p:
            continue
        try:
            reml, keep = folds.refit(k)
        except RemlError:
            # Early in a season the remaining rows can be too few to estimate all columns.
            continue
        truth = fit.z[test]
        errors["model"].append(folds.predict(reml, keep, k) - truth)
        errors["boosting"].append(_boosting(fit, train, test) - truth)
        errors["last_load"].append(_last_load(fit, train, test) - truth)
        errors["mean"].append(fit.pseudo[train].mean() - truth)
        clusters.append(days[test])
    if not clusters or np.unique(of_day := np.concatenate(clusters)).size < 2:
        return None
    own, boosting, last_load, mean = (np.concatenate(errors[k]) for k in ("model", "boosting", "last_load", "mean"))
    return Validation(
        _rmse(own),
        _rmse(mean),
        compare(own, boosting, of_day, MAX_RATIO_TO_BOOSTING),
        compare(own, last_load, of_day, 1.0),
        own.size,
    )


def out_of_field(fit: ResponseFit, folds: int = FOLDS) -> Validation | None:
    """Predict each fold of the fields from the others.

    Args:
        fit: the fit whose columns are fitted again to the other folds.
        folds: number of folds.

    Returns:
        The root mean square errors of z; None with fewer than `2 * folds` fields, without a random intercept of fields,
        or if no fold can be predicted.
    """
    if "field" not in fit.reml.spans or fit.labels("field").size < 2 * folds:
        return None
    fields, level = fit.labels("field").size, fit.levels("field")
    order = np.random.default_rng(SEED).permutation(fields)
    # A large season is limited to the fields of about 20,000 rows, so that the check can run every night.
    rows_by = np.cumsum(np.bincount(level, minlength=fields)[np.argsort(order)])
    included = order < max(int((rows_by <= MAX_ROWS).sum()), 2 * folds)
    return _validate(fit, np.where(included[level], (order % folds)[level], -1), range(folds))


def later_week(fit: ResponseFit) -> Validation | None:
    """Predict the last week of the rows from the earlier ones; return None if there is only one week."""
    week = fit.rows.select(pl.col("shift_date").dt.truncate("1w")).to_series()
    last = (week == week.max()).to_numpy()
    part = np.full(last.size, -1)
    part[np.flatnonzero(~last)[-MAX_ROWS:]], part[last] = 0, 1
    return _validate(fit, part, [1])
