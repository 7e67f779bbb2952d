"""Design of the model: conditions, settings within and between visits, and modifiers of the settings.

    z = conditions + sum_j x_j^W (b_j + deviations by wetness, clay, temperature, yield and soil: shrunk)
      + sum_j (s_j(x_j))^W + sum_j xbar_j g_j + intercepts of field, machine, operator, days + slopes by machine

A visit is one machine on one day in one field; xbar_j is setting j's mean over it and x^W the departure from that mean,
so b_j is the within contrast (Mundlak 1978): the effect of changing the setting on the same machine, day and field. A
row's columns depend on its own visit alone, so the cross-products of a week can be cached. Each term makes its own
labels and columns (`term.py`), which `model_columns.py` concatenates. METHODS.md, section 5.
"""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.config.settings_catalogue import Setting
from transforms.contracts.classes import SOIL_CLASSES, soil_class
from transforms.model.condition_terms import (
    ConditionCurve,
    ConditionLine,
    ConditionTerm,
    WetnessByClay,
    WetnessClaySurface,
)
from transforms.model.factor_terms import FactorTerm, MachineSlope, RandomIntercept
from transforms.model.measurement_error import reliability
from transforms.model.modifiers import modifiers_of
from transforms.model.planned_variation import ReactionSlope
from transforms.model.setting_terms import (
    SHARED_BENDS,
    SettingBy,
    SettingCurve,
    SettingEffect,
    SettingOnSoil,
    SettingSquare,
    SharedBend,
    StepTerm,
    VisitMean,
    VisitMeanBy,
    WithoutSetting,
    setting_origin,
)
from transforms.model.term import Intercept, Multipliers, Term

BETWEEN_BY = ("wetness", "clay")
"""Modifiers of the settings' visit means."""


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
        shared_bend: True if the settings that break or lose roots share a curvature.
    """

    conditions: tuple[str, ...]
    plainly_by: tuple[str, ...]
    shrunk_by: tuple[str, ...]
    surface: bool
    by_soil: bool
    slopes: bool
    shared_bend: bool = False


@dataclass(frozen=True)
class DesignSpec:
    """Specification of a design matrix: all that its columns depend on, except the rows.

    Attributes:
        response: column of the response.
        terms: terms of the model.
        settings: candidate settings, in order.
        autocorrelation: lag-1 autocorrelation of each setting between loads, rounded to a quarter.
        season_starts: first day of each season.
        factors: random intercept -> columns of the facts that identify a level.
        sensors: reliability of each setting's sensor, 0 to 1; empty if all are reliable.
        by_lot: True if enough rows were drawn by lot to estimate what reaction adds to the settings' effects.
    """

    response: str
    terms: ModelTerms
    settings: tuple[Setting, ...]
    autocorrelation: tuple[float, ...]
    season_starts: tuple[dt.date, ...]
    factors: dict[str, tuple[str, ...]]
    sensors: tuple[float, ...] = ()
    by_lot: bool = False

    @property
    def fixed_terms(self) -> tuple[Term, ...]:
        """Terms with fixed coefficients, in the order of their columns: those of X."""
        return _fixed_terms(self.terms, self.settings)

    @property
    def shrunk_terms(self) -> tuple[Term, ...]:
        """Terms with shrunk coefficients, in the order of their columns; those of a block are neighbours."""
        every = _shrunk_terms(self.terms, self.settings)
        return (*every, *(ReactionSlope(s.name) for s in self.settings)) if self.by_lot else every

    @property
    def dense_terms(self) -> tuple[Term, ...]:
        """Terms of all columns of D, in order."""
        return (*self.fixed_terms, *self.shrunk_terms)

    @property
    def condition_terms(self) -> tuple[ConditionTerm, ...]:
        """Terms of conditions alone, in order."""
        return tuple(t for t in self.dense_terms if isinstance(t, ConditionTerm))

    @property
    def slopes(self) -> tuple[MachineSlope, ...]:
        """Machines' own slopes of the settings with a curve."""
        return tuple(MachineSlope(s.name) for s in self.settings if s.curve is not None and self.terms.slopes)

    @property
    def factor_terms(self) -> tuple[FactorTerm, ...]:
        """Random intercepts and slopes, in order."""
        return (*(RandomIntercept(name, keys) for name, keys in self.factors.items()), *self.slopes)

    def step_terms(self, setting: str) -> tuple[StepTerm, ...]:
        """Return the terms that are linear in the steps of a setting within visits."""
        return _step_terms(self.terms, self.settings, setting)

    def setting(self, name: str) -> Setting:
        """Return the candidate setting of this name."""
        return next(s for s in self.settings if s.name == name)

    def curve(self, setting: str) -> SettingCurve | None:
        """Return the term of a setting's own curve; None if it has none."""
        spec = self.setting(setting)
        return SettingCurve(spec) if spec.curve is not None else None

    def curves(self, setting: str) -> tuple[SettingCurve | SettingSquare, ...]:
        """Return what bends a setting's effect: its own curve, and its part in the bend of all that break roots."""
        own, spec = self.curve(setting), self.setting(setting)
        square = SettingSquare(spec) if self.terms.shared_bend and spec.breaks is not None else None
        return tuple(curve for curve in (own, square) if curve is not None)

    def dense_labels(self) -> list[str]:
        """Return the labels of all columns of D, those of X and then the dense blocks, in the order of `columns`."""
        return [label for term in self.dense_terms for label in term.labels()]


@cache
def _fixed_terms(terms: ModelTerms, settings: tuple[Setting, ...]) -> tuple[Term, ...]:
    names = [s.name for s in settings]
    breaking = {way: tuple(s for s in settings if s.breaks == way) for way in SHARED_BENDS}
    return (
        Intercept(),
        *(ConditionLine(n) for n in terms.conditions),
        *([WetnessByClay()] if terms.surface else []),
        *(SettingEffect(n) for n in names),
        *(VisitMean(n) for n in names),
        *(WithoutSetting(n) for n in names),
        *(SettingBy(s.name, by) for by in modifiers_of(terms.plainly_by) for s in settings if by.modifies(s)),
        *(SharedBend(way, specs) for way, specs in breaking.items() if terms.shared_bend and specs),
    )


@cache
def _shrunk_terms(terms: ModelTerms, settings: tuple[Setting, ...]) -> tuple[Term, ...]:
    names = [s.name for s in settings]
    between = [by for by in BETWEEN_BY if by in {*terms.plainly_by, *terms.shrunk_by}]
    return (
        *(ConditionCurve(n) for n in terms.conditions),
        *([WetnessClaySurface()] if terms.surface else []),
        *(SettingBy(s.name, by) for by in modifiers_of(terms.shrunk_by) for s in settings if by.modifies(s)),
        *(VisitMeanBy(n, by) for by in modifiers_of(between) for n in names),
        *(SettingOnSoil(n, soil) for soil in (SOIL_CLASSES if terms.by_soil else ()) for n in names),
        *(SettingCurve(s) for s in settings if s.curve is not None),
    )


@cache
def _step_terms(terms: ModelTerms, settings: tuple[Setting, ...], setting: str) -> tuple[StepTerm, ...]:
    every = (*_fixed_terms(terms, settings), *_shrunk_terms(terms, settings))
    return tuple(t for t in every if isinstance(t, StepTerm) and t.setting == setting)


def condition_values(rows: pl.DataFrame, frame: DesignSpec) -> dict[str, Array]:
    """Return the values of the conditions of a model.

    Args:
        rows: facts with the conditions of the model, without nulls.
        frame: design specification.

    Returns:
        Condition -> values in its unit, shape (n,).
    """
    return {n: rows[n].cast(pl.Float64).to_numpy() for n in frame.terms.conditions}


def setting_steps(rows: pl.DataFrame, frame: DesignSpec, visit: NDArray[np.int64]) -> tuple[Array, NDArray[np.bool_]]:
    """Return settings in practical steps from their middle, and the observed mask, both of shape (n, j).

    A row without a value gets its visit's mean, so that it carries no information within the visit. A visit without
    any value gets 0.

    Args:
        rows: facts with every setting of the frame, in the setting's unit.
        frame: design specification with j settings.
        visit: visit of each row, shape (n,).
    """
    steps, has = np.zeros((rows.height, len(frame.settings))), np.zeros((rows.height, len(frame.settings)), dtype=bool)
    for j, s in enumerate(frame.settings):
        value = rows[s.name].cast(pl.Float64).to_numpy().astype(np.float64)
        known = ~np.isnan(value)
        moved = np.where(known, (value - setting_origin(s)) / s.step, 0.0)
        mean = np.bincount(visit, weights=moved) / np.maximum(np.bincount(visit, weights=known), 1)
        steps[:, j], has[:, j] = np.where(known, moved, mean[visit]), known
    return steps, has


def multipliers_at(conditions: Mapping[str, Array], soil: NDArray[np.str_], terms: ModelTerms) -> Multipliers:
    """Return the values that multiply the steps of the settings at n points.

    Args:
        conditions: condition -> its values at the points, in its unit, shape (n,); those of all modifiers.
        soil: soil class of each point, shape (n,); any other text counts as no class.
        terms: terms of the model.
    """
    by = {by.label: by.values(conditions) for by in modifiers_of((*terms.plainly_by, *terms.shrunk_by))}
    return Multipliers(soil.size, by, {s: (soil == s).astype(np.float64) for s in SOIL_CLASSES})


def multipliers_of(rows: pl.DataFrame, frame: DesignSpec) -> Multipliers:
    """Return the values that multiply the steps of the settings in a model, for each row.

    Args:
        rows: facts with the conditions of the model and `clay_pct`, n of them.
        frame: design specification.
    """
    soil = rows.select(soil_class(pl.col("clay_pct"))).to_series().to_numpy().astype(str)
    return multipliers_at(condition_values(rows, frame), soil, frame.terms)


def setting_reliability(rows: pl.DataFrame, frame: DesignSpec) -> Array:
    """Return the reliability of the settings' departures from their visit means.

    Args:
        rows: facts with `<setting>_sd` and the masses that `reliability` needs, n of them.
        frame: design specification with j settings.

    Returns:
        Reliability, 0 to 1, shape (n, j).
    """
    names, sensors = [s.name for s in frame.settings], np.array(frame.sensors or (1.0,) * len(frame.settings))
    return reliability(rows, np.array(frame.autocorrelation), names, sensors)
