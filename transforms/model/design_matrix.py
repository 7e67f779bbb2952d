"""Design matrix of the model: conditions, settings within and between visits, and modifiers of the settings.

    z = conditions + sum_j x_j^W (b_j + deviations by wetness, clay, temperature, yield and soil: shrunk)
      + sum_j (s_j(x_j))^W + sum_j xbar_j g_j + intercepts of field, machine, operator, days + slopes by machine

A visit is one machine on one day in one field; xbar_j is setting j's mean over it and x^W the departure from that mean,
so b_j is the within contrast (Mundlak 1978): the effect of changing the setting on the same machine, day and field. A
row's columns depend on its own visit alone, so the cross-products of a week can be cached. METHODS.md, section 5.
"""

import datetime as dt
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.config.settings_catalogue import Setting
from transforms.contracts.classes import SOIL_CLASSES, soil_class
from transforms.mixed_model.cross_products import DenseBlock, Factor
from transforms.mixed_model.p_spline import PSpline
from transforms.model.condition_terms import condition_curves, condition_lines, modifiers
from transforms.model.measurement_error import reliability

STEPS_A_PIECE = 2
"""Practical steps between the knots of a setting's curve."""
BETWEEN_BY = ("wetness", "clay")
"""Modifiers of the settings' visit means."""
SEASON_GAP_DAYS = 60
"""A new season starts after a gap longer than this."""


@dataclass(frozen=True)
class ModelTerms:
    """Terms of a response's model.

    Attributes:
        conditions: conditions with a line and a curve.
        plainly_by: modifiers of the settings' effects with fixed coefficients.
        shrunk_by: modifiers of the settings' effects with shrunk coefficients, one variance each.
        surface: True if wetness x clay has a surface.
        by_soil: True if the settings' effects may differ by soil class.
        slopes: True if settings with a curve have slopes by machine.
    """

    conditions: tuple[str, ...]
    plainly_by: tuple[str, ...]
    shrunk_by: tuple[str, ...]
    surface: bool
    by_soil: bool
    slopes: bool


@dataclass(frozen=True)
class DesignSpec:
    """Specification of a design matrix: all that its columns depend on, except the rows.

    Attributes:
        response: column of the response.
        terms: terms of the model.
        settings: candidate settings, in order.
        stays: lag-1 autocorrelation of each setting between loads, rounded to a quarter.
        season_starts: first day of each season.
        factors: random intercept -> columns of the facts that identify a level.
    """

    response: str
    terms: ModelTerms
    settings: tuple[Setting, ...]
    stays: tuple[float, ...]
    season_starts: tuple[dt.date, ...]
    factors: dict[str, tuple[str, ...]]

    @property
    def bends(self) -> tuple[Setting, ...]:
        """Settings with a curve."""
        return tuple(s for s in self.settings if s.curve is not None)

    def dense_labels(self) -> list[str]:
        """Return the labels of all columns of D, those of X and then the dense blocks, in the order of `columns`."""
        names = [s.name for s in self.settings]
        lines = [*self.terms.conditions, *(["wetness x clay"] if self.terms.surface else [])]
        X = ["1", *lines, *names, *(f"visit mean {n}" for n in names), *(f"without {n}" for n in names)]
        X += [f"{n} by {by}" for by in self.terms.plainly_by for n in names]
        one = {n: np.zeros(1) for n in self.terms.conditions}
        blocks = {
            k: [f"{k}[{i}]" for i in range(v.shape[1])]
            for k, v in condition_curves(one, self.terms.conditions, surface=self.terms.surface).items()
        }
        for by in self.terms.shrunk_by:
            labels = modifiers(one, (by,))
            blocks[f"settings by {by}"] = [f"{n} by {label}" for label in labels for n in names]
        for by in BETWEEN_BY:
            if by in {*self.terms.plainly_by, *self.terms.shrunk_by}:
                blocks[f"visit means by {by}"] = [f"visit mean {n} by {by}" for n in names]
        if self.terms.by_soil:
            blocks["settings by soil"] = [f"{n} on {s} soil" for s in SOIL_CLASSES for n in names]
        for s in self.bends:
            blocks[f"bend of {s.name}"] = [f"bend of {s.name}[{i}]" for i in range(bend_of(s).width)]
        return [*X, *(label for labels in blocks.values() for label in labels)]


@dataclass(frozen=True)
class Columns:
    """Columns of some rows.

    Attributes:
        D: dense columns, fixed ones first, then the blocks, shape (n, d).
        spans: name of each dense penalised block -> its columns of D.
        factors: random intercepts and slopes, with the labels of their levels.
    """

    D: Array
    spans: dict[str, slice]
    factors: list[Factor]

    @property
    def X(self) -> Array:  # noqa: N802
        """Fixed columns, shape (n, p)."""
        return self.D[:, : min((s.start for s in self.spans.values()), default=self.D.shape[1])]

    @property
    def blocks(self) -> list[DenseBlock]:
        """Dense penalised blocks."""
        return [DenseBlock(name, self.D[:, span]) for name, span in self.spans.items()]


@cache
def bend_of(setting: Setting) -> PSpline:
    """Return the P-spline of a setting with a curve; knots are two practical steps apart.

    Raises:
        ValueError: the setting has no curve.
    """
    if setting.curve is None:
        raise ValueError(f"setting {setting.name} has no curve in the catalogue; give it a `curve` to model one")
    low, high = setting.curve
    return PSpline(low, high, max(round((high - low) / (STEPS_A_PIECE * setting.step)), 3))


def middle(setting: Setting) -> float:
    """Return the origin of a setting's steps, in its unit: the middle of its curve or else of its range."""
    low, high = setting.curve or (setting.low, setting.high)
    return (low + high) / 2


def seasons_of(days: pl.Series) -> tuple[dt.date, ...]:
    """Return the first day of each season among these days: a season follows a gap of more than 60 days."""
    known = days.unique().sort().drop_nulls()
    gap = known.diff().dt.total_days().fill_null(SEASON_GAP_DAYS + 1)
    return tuple(known.filter(gap > SEASON_GAP_DAYS).to_list())


def with_campaign_day(rows: pl.DataFrame, starts: tuple[dt.date, ...]) -> pl.DataFrame:
    """Return rows with `season_start` and `campaign_day`, the number of days since the season started."""
    table = pl.DataFrame({"season_start": starts}, schema={"season_start": pl.Date}).set_sorted("season_start")
    order = rows.with_row_index("row_at").sort("shift_date", maintain_order=True)
    dated = order.join_asof(table, left_on="shift_date", right_on="season_start").sort("row_at").drop("row_at")
    days = (pl.col("shift_date") - pl.col("season_start")).dt.total_days().cast(pl.Float64)
    return dated.with_columns(days.alias("campaign_day"))


def visits_of(rows: pl.DataFrame) -> NDArray[np.int64]:
    """Return the visit of each row, shape (n,): one machine on one day in one field, or one block of a trial there."""
    names = ("machine_id", "shift_date", "field_id")
    if "trial_block" not in rows.columns or rows["trial_block"].null_count() == rows.height:
        return _codes(rows, names)[0]
    return _codes(rows.with_columns(pl.col("trial_block").fill_null("")), (*names, "trial_block"))[0]


def visit_means(columns: Array, visit: NDArray[np.int64]) -> Array:
    """Return each column's mean over the row's visit, shape as `columns`: (n, k)."""
    count = np.bincount(visit)
    means = [(np.bincount(visit, weights=c) / count)[visit] for c in columns.T]
    return np.column_stack(means) if means else columns


def _codes(rows: pl.DataFrame, names: tuple[str, ...]) -> tuple[NDArray[np.int64], NDArray[np.str_]]:
    """Return each row's level of the combination of columns `names`, and the labels of the levels, sorted."""
    keys = rows.select(pl.concat_str([pl.col(n).cast(pl.String) for n in names], separator="|")).to_series().to_numpy()
    labels, codes = np.unique(keys.astype(str), return_inverse=True)
    return codes.astype(np.int64), labels


def condition_values(rows: pl.DataFrame, frame: DesignSpec) -> dict[str, Array]:
    """Return the conditions of the rows as arrays of shape (n,)."""
    return {n: rows[n].cast(pl.Float64).to_numpy() for n in frame.terms.conditions}


def setting_steps(rows: pl.DataFrame, frame: DesignSpec, visit: NDArray[np.int64]) -> tuple[Array, NDArray[np.bool_]]:
    """Return settings in practical steps from their middle, and the observed mask, both of shape (n, j).

    A row without a value gets its visit's mean, so that it carries no information within the visit. A visit without
    any value gets 0.
    """
    steps, has = np.zeros((rows.height, len(frame.settings))), np.zeros((rows.height, len(frame.settings)), dtype=bool)
    for j, s in enumerate(frame.settings):
        value = rows[s.name].cast(pl.Float64).to_numpy().astype(np.float64)
        known = ~np.isnan(value)
        moved = np.where(known, (value - middle(s)) / s.step, 0.0)
        mean = np.bincount(visit, weights=moved) / np.maximum(np.bincount(visit, weights=known), 1)
        steps[:, j], has[:, j] = np.where(known, moved, mean[visit]), known
    return steps, has


def modifiers_of(values: dict[str, Array], frame: DesignSpec) -> dict[str, Array]:
    """Return the modifiers of the settings: label -> shape (n,)."""
    return modifiers(values, (*frame.terms.plainly_by, *frame.terms.shrunk_by))


def _modified_within(x: Array, value: Array, known: Array, visit: NDArray[np.int64]) -> Array:
    """Return settings times a modifier, as departures from the visit means, 0 for visits without the setting."""
    product = x * value[:, None]
    return (product - visit_means(product, visit)) * known


def _setting_blocks(
    frame: DesignSpec,
    x: Array,
    inside: Array,
    known: Array,
    values: dict[str, Array],
    visit: NDArray[np.int64],
    soil: Array,
) -> list[DenseBlock]:
    """Return the penalised blocks of the settings.

    Args:
        frame: design specification.
        x: settings in practical steps, corrected for measurement error, shape (n, j).
        inside: departures of x from the visit means, shape (n, j).
        known: 1 if the row's visit has the setting, else 0, shape (n, j).
        values: conditions of the rows.
        visit: visit of each row, shape (n,).
        soil: soil class of each row, shape (n,).
    """
    blocks = []
    for by in frame.terms.shrunk_by:
        parts = [_modified_within(x, value, known, visit) for value in modifiers(values, (by,)).values()]
        blocks.append(DenseBlock(f"settings by {by}", np.hstack(parts)))
    for by in BETWEEN_BY:
        if by in {*frame.terms.plainly_by, *frame.terms.shrunk_by}:
            product = x * modifiers(values, (by,))[by][:, None]
            blocks.append(DenseBlock(f"visit means by {by}", visit_means(product, visit)))
    if frame.terms.by_soil:
        blocks.append(DenseBlock("settings by soil", np.hstack([inside * (soil == s)[:, None] for s in SOIL_CLASSES])))
    for j, s in enumerate(frame.settings):
        if s.curve is not None:
            curve = bend_of(s).columns(middle(s) + x[:, j] * s.step)
            blocks.append(DenseBlock(f"bend of {s.name}", (curve - visit_means(curve, visit)) * known[:, [j]]))
    return blocks


def columns(rows: pl.DataFrame, frame: DesignSpec) -> Columns:
    """Return the columns of rows that contain whole visits.

    Args:
        rows: facts with `campaign_day`, conditions without nulls and every setting of the frame.
        frame: design specification.
    """
    visit = visits_of(rows)
    x, has = setting_steps(rows, frame, visit)
    means = visit_means(x, visit)
    x = means + reliability(rows, np.array(frame.stays), [s.name for s in frame.settings]) * (x - means)
    inside = x - means
    known = visit_means(has.astype(np.float64), visit) > 0
    values = condition_values(rows, frame)
    lines, _ = condition_lines(values, frame.terms.conditions, surface=frame.terms.surface)
    known_numbers = known.astype(np.float64)
    fixed = [_modified_within(x, v, known_numbers, visit) for v in modifiers(values, frame.terms.plainly_by).values()]
    X = np.column_stack([np.ones(rows.height), lines, inside, means, ~known, *fixed])
    curves = condition_curves(values, frame.terms.conditions, surface=frame.terms.surface)
    blocks = [DenseBlock(name, c) for name, c in curves.items()]
    soil = rows.select(soil_class(pl.col("clay_pct"))).to_series().to_numpy()
    blocks += _setting_blocks(frame, x, inside, known_numbers, values, visit, soil)
    factors = []
    for name, keys in frame.factors.items():
        codes, labels = _codes(rows, keys)
        factors.append(Factor(name, codes, labels.size, labels=labels))
    if frame.terms.slopes:
        codes, labels = _codes(rows, ("machine_id",))
        for j, s in enumerate(frame.settings):
            if s.curve is not None:
                factors.append(Factor(f"machine slope of {s.name}", codes, labels.size, inside[:, j], labels))
    edges = np.cumsum([X.shape[1], *(b.columns.shape[1] for b in blocks)]).tolist()
    spans = {b.name: slice(*at) for b, at in zip(blocks, pairwise(edges), strict=True)}
    return Columns(np.hstack([X, *(b.columns for b in blocks)]), spans, factors)
