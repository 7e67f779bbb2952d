"""The model's columns: condition curves, settings within visits, their deviations by condition, and visit means.

    z = conditions + sum_j b_j x_j + x_j (deviations by wetness and clay: shrunk) + visit means + random intercepts

A visit is one machine on one day in one field. With the visit means of x_j in the model, b_j is the within contrast
(Mundlak 1978): what happens when this machine on this day in this field moves the setting. METHODS.md, section 5.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.linalg import qr

from transforms.catalogue import Catalogue
from transforms.model.blur import reliability, staying
from transforms.model.cross_products import DenseBlock, Factor
from transforms.model.curves import ConditionCurves, Terms, place_curves

Array = NDArray[np.float64]
MIN_WITHIN_STEPS = 0.10
"""A setting whose spread within visits is below this many practical steps has not been tried; it is left out."""


@dataclass(frozen=True)
class Design:
    """The columns of a fit.

    Attributes:
        rows: the facts used, in order, with `visit`.
        X: fixed columns, shape (n, p); `names` names them.
        condition: which columns of X are conditions.
        blocks: shrunk deviations and their visit means.
        factors: random intercepts.
        settings: settings in the model, in order.
        steps: each setting's departure from its fleet mean in practical steps, shape (n, j); 0 where it has none.
        has: whether the row has the setting, shape (n, j).
        modifiers: condition -> standardised values that multiply the settings, shape (n,).
        curves: evaluates the condition columns and modifiers for any conditions.
        reliability: setting -> mean part of its traced departures that is believed; `steps` are corrected by it.
    """

    rows: pl.DataFrame
    X: Array
    names: list[str]
    condition: NDArray[np.bool_]
    blocks: list[DenseBlock]
    factors: list[Factor]
    settings: list[str]
    steps: Array
    has: NDArray[np.bool_]
    modifiers: dict[str, Array]
    curves: ConditionCurves
    reliability: dict[str, float]


def _codes(rows: pl.DataFrame, *columns: str) -> NDArray[np.int64]:
    return rows.select(pl.struct(columns).rank("dense") - 1).to_series().to_numpy().astype(np.int64)


def _visit_means(columns: Array, visit: NDArray[np.int64], weight: Array | None = None) -> Array:
    w = np.ones(visit.size) if weight is None else weight
    total = np.bincount(visit, weights=w)
    return (
        np.column_stack([np.bincount(visit, weights=c * w) / total for c in columns.T])[visit]
        if columns.shape[1]
        else columns
    )


def _setting_steps(
    rows: pl.DataFrame, names: list[str], catalogue: Catalogue, visit: NDArray[np.int64]
) -> tuple[Array, NDArray[np.bool_]]:
    """Steps from the fleet mean. A row without a value stands at its visit's mean: it says nothing within the visit.

    A machine that lacks the setting altogether stands at 0, which its own intercept takes up.
    """
    steps, has = np.zeros((rows.height, len(names))), np.zeros((rows.height, len(names)), dtype=bool)
    for j, name in enumerate(names):
        value = rows[name].cast(pl.Float64).to_numpy().astype(np.float64)
        known = ~np.isnan(value)
        moved = (value - np.nanmean(value)) / catalogue[name].step
        count = np.bincount(visit, weights=known)
        mean = np.bincount(visit, weights=np.where(known, moved, 0.0)) / np.maximum(count, 1)
        steps[:, j] = np.where(known, moved, mean[visit])
        has[:, j] = known
    return steps, has


def _time_of(facts: pl.DataFrame) -> Array:
    """What orders rows in time: when they were lifted, else the order they come in."""
    if "lifted_at" not in facts.columns:
        return np.arange(facts.height, dtype=np.float64)
    return np.asarray(facts["lifted_at"].dt.timestamp("us").fill_null(0).to_numpy(), dtype=np.float64)


def _within_spread(steps: Array, has: NDArray[np.bool_], visit: NDArray[np.int64]) -> Array:
    inside = steps - _visit_means(steps, visit)
    return np.array([np.std(inside[has[:, j], j]) if has[:, j].sum() > 2 else 0.0 for j in range(steps.shape[1])])


def _independent(X: Array) -> NDArray[np.int64]:
    """Columns of X that do not depend on earlier ones, by pivoted QR of the standardised columns."""
    scale = np.linalg.norm(X, axis=0)
    scaled = X / np.where(scale > 0, scale, 1.0)
    _, r, order = qr(scaled, mode="economic", pivoting=True)
    diagonal = np.abs(np.diag(r))
    rank = int((diagonal > 1e-8 * max(diagonal[0], 1e-12)).sum())
    return np.sort(order[:rank])


def build_design(facts: pl.DataFrame, candidates: list[str], catalogue: Catalogue, terms: Terms) -> Design:
    """Build the columns of a fit.

    Args:
        facts: rows with ids, conditions (no nulls), settings, in order of key.
        candidates: settings that may act on the response.
        catalogue: the settings known.
        terms: how rich the model is.
    """
    visit = _codes(facts, "machine_id", "shift_date", "field_id")
    named = [n for n in candidates if n in facts.columns and facts[n].count() > 10]
    steps, has = _setting_steps(facts, named, catalogue, visit)
    believed = reliability(facts, staying(steps, has, visit, _time_of(facts)))
    means = _visit_means(steps, visit)
    steps = means + believed * (steps - means)
    moved = _within_spread(steps, has, visit) >= MIN_WITHIN_STEPS
    settings, steps, has = [n for n, m in zip(named, moved, strict=True) if m], steps[:, moved], has[:, moved]
    believed = believed[:, moved]
    values = {n: facts[n].cast(pl.Float64).to_numpy() for n in terms.curves}
    curves = place_curves(values, terms)
    curve_columns, curve_names = curves.columns(values)
    means = _visit_means(steps, visit)
    X = np.column_stack([np.ones(facts.height), *curve_columns.T, *steps.T, *means.T])
    names = ["1", *curve_names, *settings, *(f"visit mean {n}" for n in settings)]
    is_condition = np.array([False, *[True] * len(curve_names), *[False] * (2 * len(settings))])
    keep = _independent(X)
    modifiers = curves.modifiers(values)
    blocks = []
    for label, value in modifiers.items():
        products = steps * value[:, None]
        blocks += [
            DenseBlock(f"settings by {label}", products),
            DenseBlock(f"visit means of settings by {label}", _visit_means(products, visit)),
        ]
    factors = []
    for label, columns in (
        ("field", ("field_id",)),
        ("machine", ("machine_id",)),
        ("machine_day", ("machine_id", "shift_date")),
    ):
        codes = _codes(facts, *columns)
        factors.append(Factor(label, codes, int(codes.max()) + 1))
    rows = facts.with_columns(pl.Series("visit", visit))
    return Design(
        rows,
        X[:, keep],
        [names[i] for i in keep],
        is_condition[keep],
        blocks if settings else [],
        factors,
        settings,
        steps,
        has,
        modifiers,
        curves,
        {n: float(believed[has[:, j], j].mean()) for j, n in enumerate(settings)},
    )
