"""Errors on fields and weeks left out, beside those of a black box on the same columns.

All predictors learn from the pseudo-values (tails.py) and are compared with the values measured: a pseudo-value of a
row left out would depend on the whole fit, which has seen that row.
"""

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from transforms.mixed_model.reml import RemlError, RemlFit, fit_products
from transforms.model.fit import ROUGHLY, ResponseFit
from transforms.model.fit_rows import columns_once
from transforms.model.row_batches import (
    RowBatches,
    Week,
    factor_values,
    join_weeks,
    of_rows,
    select_columns,
    variance_class,
    week_products,
    weight_classes,
)

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
FOLDS = 3
MOST_ROWS = 20_000
SEED = 20_251_105


@dataclass(frozen=True)
class Validation:
    """Root mean square errors of z on rows the models have not seen."""

    model: float
    boosting: float
    last_load: float
    mean: float
    rows: int

    @property
    def ratio(self) -> float:
        """The model's error over gradient boosting's."""
        return self.model / self.boosting


class _Asked:
    """The rows asked of, a week at a time, with the cross-products of each part of them."""

    def __init__(self, fit: ResponseFit, part: NDArray[np.int64]) -> None:
        """Take rows of `fit` by the part they belong to, shape (n,); -1 where they are not asked of."""
        self.fit, self.part = fit, part
        self.at = np.flatnonzero(part >= 0)
        rows = fit.rows[self.at]
        z, classes = fit.pseudo[self.at], variance_class(fit.known[self.at])
        self.passes = columns_once(fit) if rows.height == fit.rows.height else RowBatches(rows, fit.frame)
        by_part: dict[int, list[Week]] = {int(k): [] for k in np.unique(part[self.at])}
        for week, cols in self.passes:
            mine = part[self.at][week]
            for k in np.unique(mine).tolist():
                held = mine == k
                by_part[k].append(week_products(of_rows(cols, held), z[week][held], classes[week][held]))
        self.by_part = {k: join_weeks(weeks) for k, weeks in by_part.items()}

    def refit(self, without: int) -> tuple[RemlFit, list[int]]:
        """Fit the same columns to all other parts, from the variances of the whole."""
        fit = self.fit
        whole = weight_classes(join_weeks([week for k, week in self.by_part.items() if k != without]), fit.s2)
        every = fit.frame.dense_labels()
        keep = np.array([i for i, n in enumerate(every) if n in fit.at and whole.DD[i, i] > 0])
        products, kept = select_columns(whole, keep, every, list(fit.reml.equations.m.factors))
        start = {k: fit.reml.variances[k] for k in [*products.blocks, *products.factors]}
        return fit_products(products, (start, fit.reml.residual), tolerance=ROUGHLY), [every.index(n) for n in kept]

    def predict(self, reml: RemlFit, keep: list[int], part: int) -> Array:
        """Return z predicted for the rows of a part: a level of a factor that was not seen counts as none."""
        out = []
        for week, cols in self.passes:
            mine = self.part[self.at][week] == part
            if mine.any():
                held = of_rows(cols, mine)
                dense = held.D[:, keep] @ reml.coef[: len(keep)]
                out.append(dense + factor_values(reml.equations.m, held, reml.coef[:, None])[:, 0])
        return np.concatenate(out)


def _challenger(fit: ResponseFit, train: Mask, test: Mask) -> Array:
    """Gradient boosting on the same settings and conditions, machine, operator and site as categories."""
    # A second of imports that most commands do not need.
    from sklearn.ensemble import HistGradientBoostingRegressor  # noqa: PLC0415

    settings = [fit.rows[s].cast(pl.Float64).to_numpy() for s in fit.settings]
    conditions = [fit.rows[c].cast(pl.Float64).to_numpy() for c in fit.frame.terms.conditions]
    ids = [k for k in ("machine_id", "operator_id", "site_id") if k in fit.rows.columns]
    codes = [fit.rows[k].cast(pl.String).fill_null("").rank("dense").to_numpy() - 1 for k in ids]
    few = [bool(np.max(c) < 250) for c in codes]
    table = np.column_stack([*settings, *conditions, *codes]).astype(np.float64)
    categories = [False] * (len(settings) + len(conditions)) + few
    # Its threads wait for each other longer than they work on data of this size.
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
    """The last load of the same machine among the rows seen; the mean where there is none."""
    if "lifted_at" not in fit.rows.columns:
        return np.full(int(test.sum()), float(fit.pseudo[train].mean()))
    table = fit.rows.select("machine_id", "lifted_at").with_columns(pl.Series("z", fit.pseudo)).with_row_index("i")
    seen = table.filter(pl.Series(train)).drop_nulls("lifted_at").sort("lifted_at")
    asked = table.filter(pl.Series(test)).sort("lifted_at")
    joined = asked.join_asof(
        seen.select("machine_id", "lifted_at", pl.col("z").alias("last")),
        on="lifted_at",
        by="machine_id",
        check_sortedness=False,
    )
    return joined.sort("i")["last"].fill_null(float(fit.pseudo[train].mean())).to_numpy()


def _rmse(errors: Array) -> float:
    return float(np.sqrt(np.mean(errors**2)))


def _compared(fit: ResponseFit, part: NDArray[np.int64], parts: Sequence[int]) -> Validation | None:
    """Predict each of `parts` from all other rows that are part of any; `part` of shape (n,), -1 where of none."""
    asked = _Asked(fit, part)
    errors: dict[str, list[Array]] = {"model": [], "boosting": [], "last_load": [], "mean": []}
    for k in parts:
        train, test = (part >= 0) & (part != k), part == k
        if test.sum() < 10 or train.sum() < 3 * fit.reml.p:
            continue
        try:
            reml, keep = asked.refit(k)
        except RemlError:
            # A young season: the rows left cannot tell its columns apart.
            continue
        truth = fit.z[test]
        errors["model"].append(asked.predict(reml, keep, k) - truth)
        errors["boosting"].append(_challenger(fit, train, test) - truth)
        errors["last_load"].append(_last_load(fit, train, test) - truth)
        errors["mean"].append(fit.pseudo[train].mean() - truth)
    if not errors["model"]:
        return None
    joined = {k: np.concatenate(v) for k, v in errors.items()}
    return Validation(**{k: _rmse(v) for k, v in joined.items()}, rows=joined["mean"].size)


def out_of_field(fit: ResponseFit, folds: int = FOLDS) -> Validation | None:
    """Predict each third of the fields from the others; None where there are too few fields."""
    if "field" not in fit.reml.spans or fit.labels("field").size < 2 * folds:
        return None
    fields, level = fit.labels("field").size, fit.levels("field")
    turn = np.random.default_rng(SEED).permutation(fields)
    # Of a large season as many fields as hold some 20,000 rows: the check is to be made every night.
    rows_by = np.cumsum(np.bincount(level, minlength=fields)[np.argsort(turn)])
    asked = turn < max(int((rows_by <= MOST_ROWS).sum()), 2 * folds)
    return _compared(fit, np.where(asked[level], (turn % folds)[level], -1), range(folds))


def later_week(fit: ResponseFit) -> Validation | None:
    """Predict the last week of the rows from those before; None where there is only one week."""
    week = fit.rows.select(pl.col("shift_date").dt.truncate("1w")).to_series()
    last = (week == week.max()).to_numpy()
    part = np.full(last.size, -1)
    part[np.flatnonzero(~last)[-MOST_ROWS:]], part[last] = 0, 1
    return _compared(fit, part, [1])
