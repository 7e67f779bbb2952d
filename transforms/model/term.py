"""Interface of the model's terms: a term gives the labels of its coefficients and the columns that they multiply.

Labels are stored in tables (`fit_posterior`) and name coefficients in them. Code never makes or takes apart a label: it
finds a coefficient through its term (`ResponseFit.index_of`).
"""

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import ClassVar, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.model.visits import Levels, levels_of, visit_means

Kind = Literal["intercept", "condition", "within", "reaction", "between", "missing"]
"""Part of the model: conditions, effects of settings within visits, reaction in them, slopes between visits, or missing
settings."""


@dataclass(frozen=True)
class Multipliers:
    """Values that multiply the steps of settings, at some rows or points.

    Attributes:
        n: number of rows or points.
        by: modifier's label -> its values, shape (n,).
        on_soil: soil class -> 1 on it and 0 elsewhere, shape (n,).
    """

    n: int
    by: Mapping[str, Array]
    on_soil: Mapping[str, Array]


@dataclass(frozen=True)
class TermRows:
    """Rows of whole visits, as terms need them; arrays by setting or condition have shape (n,).

    Attributes:
        rows: the facts.
        visit: visit of each row, shape (n,).
        steps: setting -> practical steps from its middle, corrected for measurement error.
        means: setting -> mean of its steps over the row's visit.
        known: setting -> 1 if the row's visit has a value of it, else 0.
        conditions: condition -> its value.
        multipliers: modifiers and soil classes of the settings' effects.
    """

    rows: pl.DataFrame
    visit: NDArray[np.int64]
    steps: Mapping[str, Array]
    means: Mapping[str, Array]
    known: Mapping[str, Array]
    conditions: Mapping[str, Array]
    multipliers: Multipliers
    _levels: dict[tuple[str, ...], Levels] = field(default_factory=dict, init=False, repr=False, compare=False)

    @cached_property
    def departures(self) -> dict[str, Array]:
        """Setting -> departure of its steps from their visit mean."""
        return {name: x - self.means[name] for name, x in self.steps.items()}

    def visit_mean(self, values: Array) -> Array:
        """Return the mean of values over each row's visit, shape (n,)."""
        return visit_means(values[:, None], self.visit)[:, 0]

    def levels(self, keys: tuple[str, ...]) -> Levels:
        """Return the level of each row and the labels of the levels, found once for each set of key columns."""
        if keys not in self._levels:
            self._levels[keys] = levels_of(self.rows, keys)
        return self._levels[keys]


class Term(ABC):
    """A term of the model with dense columns.

    Attributes:
        kind: part of the model that it belongs to.
        setting: name of its setting; None if it has none.
    """

    kind: ClassVar[Kind]
    setting: str | None

    @property
    @abstractmethod
    def block(self) -> str:
        """Name of the variance that its coefficients share with those of similar terms if they are shrunk."""

    @abstractmethod
    def labels(self) -> tuple[str, ...]:
        """Return the labels of its coefficients."""

    @abstractmethod
    def columns(self, rows: TermRows) -> Array:
        """Return its columns, one for each label, shape (n, q)."""


class SingleTerm(Term):
    """A term with one coefficient."""

    @property
    @abstractmethod
    def label(self) -> str:
        """Label of its coefficient."""

    @property
    def block(self) -> str:
        """A variance of its own, named as the coefficient."""
        return self.label

    def labels(self) -> tuple[str, ...]:
        """Return the label of its coefficient."""
        return (self.label,)

    @abstractmethod
    def column(self, rows: TermRows) -> Array:
        """Return its column, shape (n,)."""

    def columns(self, rows: TermRows) -> Array:
        """Return its column, shape (n, 1)."""
        return self.column(rows)[:, None]


@dataclass(frozen=True)
class Intercept(SingleTerm):
    """The intercept."""

    kind = "intercept"
    setting = None

    @property
    def label(self) -> str:
        """Label of its coefficient."""
        return "1"

    def column(self, rows: TermRows) -> Array:
        """Return ones."""
        return np.ones(rows.visit.size)
