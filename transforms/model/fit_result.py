"""Result of fitting one response."""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.contracts.reason import Reason
from transforms.mixed_model.huber import Tails
from transforms.mixed_model.reml import RemlFit
from transforms.model.design_matrix import DesignSpec
from transforms.model.factor_terms import FactorTerm
from transforms.model.previous_season import Agreement
from transforms.model.setting_terms import SettingEffect, SettingSquare, StepTerm
from transforms.model.term import Multipliers, SingleTerm, Term
from transforms.model.visits import visits_of

T = TypeVar("T")


@dataclass(frozen=True)
class KeptVariances:
    """Record of the fit that a fit by day has its variances from.

    Attributes:
        last_shift_date: day of the last shift of that fit.
        n: its number of rows.
    """

    last_shift_date: dt.date
    n: int


@dataclass(frozen=True)
class ResponseFit:
    """A fitted response.

    Attributes:
        response: `dirt_tare_pct` or `top_tare_pct` (log of it over the rest) or `root_loss_t_ha` (log of loss + .05).
        rows: the facts used, sorted by day and key.
        z: fitted scale of the response as measured, shape (n,).
        pseudo: values used by least squares, shape (n,): pseudo-values of z (`huber.py`) if tails are heavy, else z.
        known: measurement variance, in classes an eighth apart, shape (n,).
        frame: design specification of the columns.
        at: label of each column of D in the model -> its index in the coefficients.
        reml: the fitted mixed model.
        s2: rows were weighted by s2 / (s2 + known); close to `reml.residual`, the variance of a row of weight one.
        fitted: sum of the fixed and random parts of z, shape (n,).
        x: settings in practical steps from the middle of their range, corrected for measurement error, shape (n, j).
        observed: observed mask of the settings, shape (n, j).
        multipliers: modifiers and soil classes of the rows, which multiply the steps of the settings.
        reliability: mean reliability of each setting's traced departures, shape (j,).
        within_sd: standard deviation of each setting within visits in practical steps, shape (j,).
        tails: heaviness of the residuals' tails.
        left_out: random intercept -> reason why it is not in the model.
        last_season: agreement with last season; None without a prior.
        fingerprint: SHA-256 of the data fitted; the same data give the same fingerprint.
        kept_variances: fit that the variances were estimated in; None if they were estimated in this one.
        memo: values computed once from the fit, by name.
    """

    response: str
    rows: pl.DataFrame
    z: Array
    pseudo: Array
    known: Array
    frame: DesignSpec
    at: dict[str, int]
    reml: RemlFit
    s2: float
    fitted: Array
    x: Array
    observed: NDArray[np.bool_]
    multipliers: Multipliers
    reliability: Array
    within_sd: Array
    tails: Tails
    left_out: dict[str, Reason]
    last_season: Agreement | None
    fingerprint: str
    kept_variances: KeptVariances | None = None
    memo: dict[str, Any] = field(default_factory=dict, compare=False, repr=False)

    def __getstate__(self) -> dict[str, Any]:
        """Return the state to pickle, without the memo."""
        return {**self.__dict__, "memo": {}}

    def cached(self, name: str, compute: Callable[[], T]) -> T:
        """Return a value that depends on the fit alone, computed on the first call with this name.

        Args:
            name: key of the value in the memo; each value needs a name of its own.
            compute: function that computes the value.
        """
        if name not in self.memo:
            self.memo[name] = compute()
        out: T = self.memo[name]
        return out

    @property
    def residual(self) -> Array:
        """Residuals of the fit, shape (n,): pseudo-values less fitted values, with variance `reml.residual + known`."""
        return self.pseudo - self.fitted

    @property
    def typical(self) -> float:
        """Scale value z of the typical load: the mean of the pseudo-values."""
        return float(self.pseudo.mean())

    @property
    def settings(self) -> list[str]:
        """Names of the settings in the model."""
        return [s.name for s in self.frame.settings if self.contains(SettingEffect(s.name))]

    @property
    def width(self) -> int:
        """Number of columns of D."""
        return int(self.reml.cov_core.shape[0])

    @property
    def last_shift_date(self) -> dt.date:
        """Day of the last shift fitted."""
        last: dt.date = self.rows.select(pl.col("shift_date").max()).item()
        return last

    def contains(self, term: SingleTerm | FactorTerm) -> bool:
        """Return True if the coefficient of a term, or those of its levels, are in the model."""
        return term.label in self.at if isinstance(term, SingleTerm) else term.name in self.reml.spans

    def index_of(self, term: SingleTerm) -> int:
        """Return the index of the coefficient of a term.

        Raises:
            KeyError: the term is not in the model.
        """
        return self.at[term.label]

    def coefficients_of(self, term: Term | SettingSquare) -> tuple[list[int], list[int]]:
        """Return the columns of a term that are in the model, and the indices of their coefficients."""
        found = [(i, self.at[label]) for i, label in enumerate(term.labels()) if label in self.at]
        return [i for i, _ in found], [at for _, at in found]

    def step_terms(self, setting: str) -> list[tuple[int, StepTerm]]:
        """Return the terms linear in the steps of a setting within visits, each with the index of its coefficient.

        Raises:
            KeyError: the setting is not in the model.
        """
        if not self.contains(SettingEffect(setting)):
            raise KeyError(setting)
        return [(self.index_of(t), t) for t in self.frame.step_terms(setting) if self.contains(t)]

    def setting_column(self, setting: str) -> int:
        """Return the column of a setting in `x` and `observed`."""
        return [s.name for s in self.frame.settings].index(setting)

    @property
    def visits(self) -> NDArray[np.int64]:
        """Visit of each row, shape (n,)."""
        return self.cached("visits", lambda: visits_of(self.rows))

    @property
    def machines(self) -> NDArray[np.int64]:
        """Machine of each row as a number, shape (n,)."""
        return self.cached("machines", lambda: self.rows["machine_id"].rank("dense").cast(pl.Int64).to_numpy())

    def levels(self, factor: str) -> NDArray[np.int64]:
        """Return the level of a factor in the model for each row, shape (n,)."""
        return self.cached(f"levels of {factor}", lambda: self._levels(factor))

    def _levels(self, factor: str) -> NDArray[np.int64]:
        keys = next(t.keys for t in self.frame.factor_terms if t.name == factor)
        names = self.rows.select(pl.concat_str([pl.col(n).cast(pl.String) for n in keys], separator="|"))
        return np.searchsorted(self.labels(factor), names.to_series().to_numpy().astype(str))

    def labels(self, factor: str) -> NDArray[np.str_]:
        """Return the labels of a factor's levels, sorted."""
        return self.reml.equations.m.labels[factor]

    def level_se(self, factor: str) -> Array:
        """Return the standard errors of a factor's predicted intercepts, in the order of its labels."""
        return self.cached(f"standard errors of {factor}", lambda: self.reml.u_se(factor))

    def intercept(self, factor: str, label: str) -> float:
        """Return the predicted intercept of one level, in units of z; 0 for a level that is not in the fit.

        Args:
            factor: name of a random intercept, in the model or not.
            label: label of the level, such as a field's id.
        """
        if factor not in self.reml.spans:
            return 0.0
        labels = self.labels(factor)
        i = int(np.searchsorted(labels, label))
        return float(self.reml.u[factor][i]) if i < labels.size and labels[i] == label else 0.0
