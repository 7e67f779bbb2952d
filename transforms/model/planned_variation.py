"""Settings that were moved by lot, in a trial or by designed variation, and the term that separates other movements.

Operators may move a setting because of dirt that no log holds; a move by lot has no such reason. The departures of a
setting within visits that are not by lot get a coefficient of their own beside its effect,

    z = ... + x_j^W b_j + u_j x_j^W g_j,   g_j ~ N(0, s2_g)                                                    (5.5)

with u = 0 for a row that moved the setting by lot, else 1. The g_j are what reaction adds to the effects: their common
variance comes from the settings that were moved by lot, and counts in the intervals of those that were not. Without
reaction it is zero and all rows count alike. METHODS.md section 5.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.model.term import SingleTerm, TermRows

VARIED = "varied_settings"
"""Column of the settings that a plan varied in a load, joined by `|`; null if there are none."""
PLAN_COLUMNS = frozenset({"trial_block", "trial_setting", VARIED})
MIN_ROWS, MIN_SETTINGS = 40, 6
"""Least rows by lot of a setting, and least settings with them, from which reaction is estimated: the variance of fewer
settings is often estimated far too large, which would widen the intervals of all (common practice, no source)."""
REACTION = "reaction within visits"


def is_varied(rows: pl.DataFrame, setting: str) -> NDArray[np.bool_]:
    """Return which rows have a value of a setting that designed variation drew by lot, shape (n,).

    Args:
        rows: facts; without a column of varied settings, no row is varied.
        setting: name of the setting.
    """
    if VARIED not in rows.columns:
        return np.zeros(rows.height, dtype=bool)
    named = pl.col(VARIED).str.split("|").list.contains(setting).fill_null(value=False)
    return np.asarray(rows.select(named).to_series().to_numpy())


def is_by_lot(rows: pl.DataFrame, setting: str) -> NDArray[np.bool_]:
    """Return which rows have a value of a setting that was drawn by lot, in a trial or by variation, shape (n,).

    Args:
        rows: facts, n of them.
        setting: name of the setting.
    """
    varied = is_varied(rows, setting)
    if "trial_setting" not in rows.columns:
        return varied
    return np.asarray(varied | (rows["trial_setting"].fill_null("") == setting).to_numpy())


def has_enough_by_lot(rows: pl.DataFrame, settings: Sequence[str]) -> bool:
    """Return True if enough settings were moved by lot to estimate how operators react.

    Args:
        rows: the facts.
        settings: names of the settings in the model.
    """
    return sum(int(is_by_lot(rows, s).sum()) >= MIN_ROWS for s in settings) >= MIN_SETTINGS


@dataclass(frozen=True)
class ReactionSlope(SingleTerm):
    """Addition to a setting's effect within visits by movements that were not by lot."""

    kind = "reaction"
    setting: str

    @property
    def label(self) -> str:
        """Label of its coefficient."""
        return f"reaction by {self.setting}"

    @property
    def block(self) -> str:
        """Name of the variance that all settings share."""
        return REACTION

    def column(self, rows: TermRows) -> Array:
        """Return the departures from the visit mean of rows that were not by lot, 0 elsewhere."""
        return np.asarray(rows.departures[self.setting] * ~is_by_lot(rows.rows, self.setting))
