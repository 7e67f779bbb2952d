"""Does the model predict loads of fields and weeks it has not seen, as well as a black box on the same columns?"""

import warnings
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from transforms.model.design import Frame
from transforms.model.fit import ROUGHLY, ResponseFit
from transforms.model.parts import factor_values, season_products, take, variance_class, weighed
from transforms.model.parts import passes as week_passes
from transforms.model.reml import RemlError, RemlFit, fit_products

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


def _refit(fit: ResponseFit, train: Mask, frame: Frame) -> tuple[RemlFit, list[int]]:
    """Fit the same columns to other rows, from the variances of the whole."""
    rows, z, known = fit.rows.filter(pl.Series(train)), fit.z[train], fit.known[train]
    by_class = season_products(rows, frame, z, variance_class(known), None)
    every = frame.dense_labels()
    whole = weighed(by_class, fit.s2)
    keep = np.array([i for i, n in enumerate(every) if n in fit.at and whole.DD[i, i] > 0])
    products, kept = take(whole, keep, every, list(fit.reml.equations.m.factors))
    start = {k: fit.reml.variances[k] for k in [*products.blocks, *products.factors]}
    return fit_products(products, (start, fit.reml.residual), tolerance=ROUGHLY), [every.index(n) for n in kept]


def predict(fit: ResponseFit, reml: RemlFit, keep: list[int], test: Mask) -> Array:
    """Return z predicted for rows: a level of a factor that was not seen counts as none."""
    rows = fit.rows.filter(pl.Series(test))
    out = np.zeros(rows.height)
    for at, cols in week_passes(rows, fit.frame):
        D = np.hstack([cols.X, *(b.columns for b in cols.blocks)])[:, keep]
        out[at] = D @ reml.coef[: len(keep)]
        out[at] += factor_values(reml.equations.m, cols, reml.coef[:, None])[:, 0]
    return out


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
            max_iter=200, learning_rate=0.08, min_samples_leaf=20, early_stopping=True, random_state=SEED,
            categorical_features=np.array(categories),
        )  # fmt: skip
        booster.fit(table[train], fit.z[train])
        return np.asarray(booster.predict(table[test]))


def _last_load(fit: ResponseFit, train: Mask, test: Mask) -> Array:
    """The last load of the same machine among the rows seen; the mean where there is none."""
    if "lifted_at" not in fit.rows.columns:
        return np.full(int(test.sum()), float(fit.z[train].mean()))
    table = fit.rows.select("machine_id", "lifted_at").with_columns(pl.Series("z", fit.z)).with_row_index("i")
    seen = table.filter(pl.Series(train)).drop_nulls("lifted_at").sort("lifted_at")
    asked = table.filter(pl.Series(test)).sort("lifted_at")
    joined = asked.join_asof(
        seen.select("machine_id", "lifted_at", pl.col("z").alias("last")), on="lifted_at", by="machine_id",
        check_sortedness=False,
    )  # fmt: skip
    return joined.sort("i")["last"].fill_null(float(fit.z[train].mean())).to_numpy()


def _rmse(errors: Array) -> float:
    return float(np.sqrt(np.mean(errors**2)))


def _compared(fit: ResponseFit, folds: list[tuple[Mask, Mask]]) -> Validation | None:
    errors: dict[str, list[Array]] = {"model": [], "boosting": [], "last_load": [], "mean": []}
    for train, test in folds:
        if test.sum() < 10 or train.sum() < 3 * fit.reml.p:
            continue
        try:
            reml, keep = _refit(fit, train, fit.frame)
        except RemlError:
            # A young season: the rows left cannot tell its columns apart.
            continue
        truth = fit.z[test]
        errors["model"].append(predict(fit, reml, keep, test) - truth)
        errors["boosting"].append(_challenger(fit, train, test) - truth)
        errors["last_load"].append(_last_load(fit, train, test) - truth)
        errors["mean"].append(fit.z[train].mean() - truth)
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
    fold = turn % folds
    return _compared(
        fit, [(asked[level] & (fold[level] != k), asked[level] & (fold[level] == k)) for k in range(folds)]
    )


def later_week(fit: ResponseFit) -> Validation | None:
    """Predict the last week of the rows from those before; None where there is only one week."""
    week = fit.rows.select(pl.col("shift_date").dt.truncate("1w")).to_series()
    last = (week == week.max()).to_numpy()
    before = np.flatnonzero(~last)[-MOST_ROWS:]
    train = np.zeros(last.size, dtype=bool)
    train[before] = True
    return _compared(fit, [(train, last)])
