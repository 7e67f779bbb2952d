"""Fits dirt, root loss and top tare, each with its known measurement variance as weight."""

import datetime as dt
import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.config.settings_catalogue import DIRT, ROOT_LOSS, TOPS, Catalogue
from transforms.mixed_model.cross_products import CrossProducts
from transforms.mixed_model.huber import HUBER, Tails, pseudo_values, tails_of
from transforms.mixed_model.reml import RemlError, RemlFit, WarmStart, fit_products
from transforms.mixed_model.secant import SETTLED, SecantIteration
from transforms.model.design_matrix import (
    DesignSpec,
    ModelTerms,
    condition_values,
    modifiers_of,
    seasons_of,
    setting_steps,
    visit_means,
    visits_of,
    with_campaign_day,
)
from transforms.model.measurement_error import GRADES, lag1_autocorrelation, reliability
from transforms.model.previous_season import Agreement, Prior, agreement, posterior_rows, with_prior, within
from transforms.model.row_batches import (
    ProductCache,
    RowBatches,
    Week,
    class_variance,
    season_products,
    select_columns,
    variance_class,
    weight_classes,
    with_values,
)

Array = NDArray[np.float64]
T = TypeVar("T")
SMALL_LOSS_T_HA = 0.05
MIN_TRACE_QUALITY = 0.4
"""Loads traced worse than this do not enter the fit; they stay in every other table."""
MIN_WITHIN_STEPS = 0.10
"""A setting whose spread within visits is below this many practical steps has not been tried; it is left out."""
DEPENDENT = 1e-9
"""A column that keeps less than this of its square once earlier ones are taken out depends on them."""
TERMS = {
    DIRT: ModelTerms(
        ("topsoil_wetness", "clay_pct", "air_temp_c", "yield_t_ha", "campaign_day"),
        plainly_by=("wetness", "wetness squared", "clay"),
        shrunk_by=("wetness bend", "wetness x clay", "temperature", "yield"),
        surface=True,
        by_soil=True,
        slopes=True,
    ),
    ROOT_LOSS: ModelTerms(
        ("topsoil_wetness", "clay_pct", "yield_t_ha"),
        plainly_by=(),
        shrunk_by=("wetness", "clay"),
        surface=True,
        by_soil=False,
        slopes=False,
    ),
    TOPS: ModelTerms(
        ("topsoil_wetness", "yield_t_ha", "campaign_day"),
        plainly_by=(),
        shrunk_by=("wetness", "yield"),
        surface=False,
        by_soil=False,
        slopes=False,
    ),
}
MIN_ROWS = {DIRT: 120, ROOT_LOSS: 80, TOPS: 120}
FACTORS = {
    "field": ("field_id",),
    "machine": ("machine_id",),
    "operator": ("operator_id",),
    "machine_day": ("machine_id", "shift_date"),
    "site_day": ("site_id", "shift_date"),
    "season": ("season_start",),
}
ROUGHLY = 0.01
"""Tolerance of fits that only serve to find the weights or to check another."""
SETTLES = 1e-6
"""Tolerance of the fit itself: its last step moved the variances by less than a thousandth of their standard errors."""
TURNS = 8


@dataclass(frozen=True)
class ResponseFit:
    """A fitted response.

    Attributes:
        response: `dirt_tare_pct` or `top_tare_pct` (log of it over the rest) or `root_loss_t_ha` (log of loss + .05).
        rows: the facts used, in order of day and key.
        z: the fitted scale as measured, shape (n,).
        pseudo: what least squares was fitted to, shape (n,): pseudo-values of z (tails.py) if tails are heavy, else z.
        known: variance of measuring, to an eighth, shape (n,).
        frame: what the columns depend on.
        at: label of each column of D that is in the model -> its place in the coefficients.
        reml: the fit.
        s2: rows were weighed by s2 / (s2 + known); near `reml.residual`, the variance of a row of weight one.
        fitted: fixed and random parts of z together, shape (n,).
        x: settings in practical steps from the catalogue's middle, corrected for blur, shape (n, j).
        has: whether the row has the setting, shape (n, j).
        modifiers: what multiplies the settings: label -> shape (n,).
        believed: mean part of each setting's traced departures that is believed, shape (j,).
        within_sd: each setting's spread within visits in practical steps, shape (j,).
        tails: how heavy the residuals' tails are and what was done about it.
        left_out: factor -> why it is not in the model.
        last_season: whether last season agrees; None where there was none.
        fingerprint: sha-256 of what was fitted; the same data give the same.
        remembered: what was worked out of the fit once and is asked for often, by name.
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
    has: NDArray[np.bool_]
    modifiers: dict[str, Array]
    believed: Array
    within_sd: Array
    tails: Tails
    left_out: dict[str, str]
    last_season: Agreement | None
    fingerprint: str
    remembered: dict[str, Any] = field(default_factory=dict, compare=False, repr=False)

    def __getstate__(self) -> dict[str, Any]:
        """Go to another process without what was worked out here."""
        return {**self.__dict__, "remembered": {}}

    def once(self, name: str, work_out: Callable[[], T]) -> T:
        """Return what depends on the fit alone, worked out the first time it is asked for under a name."""
        if name not in self.remembered:
            self.remembered[name] = work_out()
        out: T = self.remembered[name]
        return out

    @property
    def residual(self) -> Array:
        """Residuals of the fit, shape (n,): pseudo-values less fitted values, with variance `reml.residual + known`."""
        return self.pseudo - self.fitted

    @property
    def typical(self) -> float:
        """The typical load's z: the mean of the pseudo-values."""
        return float(self.pseudo.mean())

    @property
    def settings(self) -> list[str]:
        """Settings in the model."""
        return [s.name for s in self.frame.settings if s.name in self.at]

    @property
    def width(self) -> int:
        """Columns of D."""
        return int(self.reml.cov_core.shape[0])

    @property
    def last_shift_date(self) -> dt.date:
        """The last shift that was fitted."""
        return self.rows["shift_date"].max()  # type: ignore[return-value]

    def place(self, setting: str) -> int:
        """Return the column of `x` and `has` that holds a setting."""
        return [s.name for s in self.frame.settings].index(setting)

    @property
    def visits(self) -> NDArray[np.int64]:
        """Return each row's visit, shape (n,)."""
        return self.once("visits", lambda: visits_of(self.rows))

    @property
    def machines(self) -> NDArray[np.int64]:
        """Return each row's machine as a number, shape (n,)."""
        return self.once("machines", lambda: self.rows["machine_id"].rank("dense").cast(pl.Int64).to_numpy())

    def levels(self, factor: str) -> NDArray[np.int64]:
        """Return each row's level of a factor in the model, shape (n,)."""
        return self.once(f"levels of {factor}", lambda: self._levels(factor))

    def _levels(self, factor: str) -> NDArray[np.int64]:
        keys = FACTORS.get(factor, ("machine_id",))
        names = self.rows.select(pl.concat_str([pl.col(n).cast(pl.String) for n in keys], separator="|"))
        return np.searchsorted(self.labels(factor), names.to_series().to_numpy().astype(str))

    def labels(self, factor: str) -> NDArray[np.str_]:
        """Return the labels of a factor's levels, sorted."""
        return self.reml.equations.m.labels[factor]

    @cached_property
    def _level_se(self) -> dict[str, Array]:
        return {}

    def level_se(self, factor: str) -> Array:
        """Return the standard errors of a factor's predicted intercepts; worked out once."""
        if factor not in self._level_se:
            self._level_se[factor] = self.reml.u_se(factor)
        return self._level_se[factor]

    def intercept(self, factor: str, label: str) -> float:
        """Return the predicted intercept of one level; 0 for one the fit has not seen."""
        if factor not in self.reml.spans:
            return 0.0
        labels = self.labels(factor)
        i = int(np.searchsorted(labels, label))
        return float(self.reml.u[factor][i]) if i < labels.size and labels[i] == label else 0.0


def ratio_scale(pct: Array) -> Array:
    """Return log(part / rest) of a tare in percent of gross."""
    fraction = np.clip(pct, 0.01, 99.0) / 100
    return np.asarray(np.log(fraction / (1 - fraction)))


def pct_from_scale(z: Array) -> Array:
    """Return a tare in percent of gross from log(part / rest)."""
    return np.asarray(100 / (1 + np.exp(-z)))


def usable_facts(facts: pl.DataFrame, response: str, settings: list[str]) -> pl.DataFrame:
    """Return the rows a fit may use, by day and key: measured, traced well enough, with settings and conditions."""
    known = [n for n in settings if n in facts.columns]
    if not known or response not in facts.columns:
        return facts.clear()
    conditions = [c for c in TERMS[response].conditions if c != "campaign_day"]
    rows = facts.drop_nulls([response, "machine_id", "field_id", "shift_date", "clay_pct", *conditions])
    rows = rows.filter(pl.any_horizontal(pl.col(known).is_not_null()))
    if "trace_quality" in rows.columns:
        rows = rows.filter(pl.col("trace_quality") >= MIN_TRACE_QUALITY)
    key = "audit_id" if "audit_id" in rows.columns else "load_id"
    if "trial_setting" in rows.columns:
        # What a trial set is known: its plan, not the trace, says where the setting stood.
        rows = rows.with_columns(
            pl.when(pl.col("trial_setting") == n).then("trial_value").otherwise(n).alias(n) for n in known
        )
    return with_campaign_day(rows.sort("shift_date", key), seasons_of(rows["shift_date"]))


def measuring_variance(rows: pl.DataFrame, response: str, lab_cv_at_25_kg: float) -> Array:
    """Variance of z that measuring alone explains: the lab's by sample mass (delta method), the audit's by counts."""
    if response == ROOT_LOSS:
        loss = rows[ROOT_LOSS].to_numpy()
        return np.asarray(rows["root_loss_log_var"].to_numpy() * (loss / (loss + SMALL_LOSS_T_HA)) ** 2)
    kg = rows["sample_kg"].fill_null(25.0).to_numpy()
    return np.asarray(lab_cv_at_25_kg**2 * 25.0 / kg)


def _time_of(rows: pl.DataFrame) -> Array:
    """What orders rows in time: when they were lifted, else the order they come in."""
    if "lifted_at" not in rows.columns:
        return np.arange(rows.height, dtype=np.float64)
    return np.asarray(rows["lifted_at"].dt.timestamp("us").fill_null(0).to_numpy(), dtype=np.float64)


def frame_of(rows: pl.DataFrame, response: str, catalogue: Catalogue) -> DesignSpec:
    """Return what the columns depend on besides the rows: settings that may act, factors, how far settings stay put."""
    settings = tuple(
        s
        for s in catalogue.values()
        if response in s.responses and s.nature == "numeric" and s.name in rows.columns and rows[s.name].count() > 10
    )
    factors = {k: keys for k, keys in FACTORS.items() if set(keys) <= set(rows.columns)}
    starts = tuple(rows["season_start"].unique().sort().to_list())
    frame = DesignSpec(response, TERMS[response], settings, (1.0,) * len(settings), starts, factors)
    if not set(rows.columns) >= GRADES:
        return frame
    visit = visits_of(rows)
    stays = lag1_autocorrelation(*setting_steps(rows, frame, visit), visit, _time_of(rows))
    # To a quarter: one more shift seldom changes it, and weeks that are kept stay good.
    return replace(frame, stays=tuple((np.round(4 * stays) / 4).tolist()))


def _same_partition(rows: pl.DataFrame, a: tuple[str, ...], b: tuple[str, ...]) -> bool:
    pairs = rows.select(pl.struct(a).rank("dense").alias("a"), pl.struct(b).rank("dense").alias("b"))
    sizes = [pairs["a"].n_unique(), pairs["b"].n_unique(), pairs.n_unique()]
    return sizes[0] == sizes[1] == sizes[2]


def factors_in(rows: pl.DataFrame, frame: DesignSpec) -> tuple[list[str], dict[str, str]]:
    """Return the intercepts the data can tell apart, and why the others are left out."""
    kept: list[str] = []
    why: dict[str, str] = {}
    for name, keys in frame.factors.items():
        levels = rows.select(pl.struct(keys)).to_series().n_unique()
        twin = next((k for k in kept if _same_partition(rows, frame.factors[k], keys)), None)
        if levels < 2:
            why[name] = "there is only one"
        elif levels == rows.height:
            why[name] = "every row has its own"
        elif twin is not None:
            why[name] = f"cannot be told from {twin}"
        else:
            kept.append(name)
    return kept, why


def columns_in(m: CrossProducts, frame: DesignSpec, labels: list[str]) -> tuple[NDArray[np.int64], Array]:
    """Return the columns of D that can be estimated, and each setting's spread within visits in practical steps.

    A setting that hardly moved within visits leaves with all that hangs on it; a column of X that depends on earlier
    ones leaves alone.
    """
    at = {n: i for i, n in enumerate(labels)}
    spread = np.zeros(len(frame.settings))
    gone = set()
    for j, s in enumerate(frame.settings):
        with_it = m.DD[0, 0] - m.DD[0, at[f"without {s.name}"]]
        spread[j] = np.sqrt(max(m.DD[at[s.name], at[s.name]], 0.0) / max(with_it, 1e-9)) if with_it > 0 else 0.0
        if spread[j] < MIN_WITHIN_STEPS:
            mine = (s.name, f"{s.name} by ", f"{s.name} on ", f"bend of {s.name}[")
            gone |= {n for n in labels if n == s.name or n.startswith(mine[1:])}
    square = np.diag(m.DD)
    live = [i for i, n in enumerate(labels) if n not in gone and square[i] > 0]
    fixed = independent_columns(m.DD, [i for i in live if i < m.p])
    return np.array([*fixed, *(i for i in live if i >= m.p)], dtype=np.int64), spread


def independent_columns(DD: Array, live: list[int]) -> list[int]:
    """Return the columns among `live` that do not depend on earlier ones, given all cross-products.

    Cholesky row by row on the standardised cross-products.
    """
    kept: list[int] = []
    rows: list[Array] = []
    for i in live:
        v = np.array([DD[i, k] for k in kept]) / np.sqrt(DD[i, i] * np.array([DD[k, k] for k in kept]))
        row = np.zeros(len(kept))
        for a in range(len(kept)):
            row[a] = (v[a] - row[:a] @ rows[a][:a]) / rows[a][a]
        left = 1.0 - float(row @ row)
        if left > DEPENDENT:
            kept.append(i)
            rows.append(np.append(row, np.sqrt(left)))
    return kept


@dataclass(frozen=True)
class _Found:
    """A fit, the labels of its columns of D, and the s2 its rows were weighed with."""

    reml: RemlFit
    kept: list[str]
    s2: float


@dataclass(frozen=True)
class _Model:
    """The columns and factors of a fit, and how to fit them again for other values of z."""

    rows: pl.DataFrame
    frame: DesignSpec
    classes: NDArray[np.int64]
    keep: NDArray[np.int64]
    labels: list[str]
    factors: list[str]
    prior: Prior | None = None

    @cached_property
    def passes(self) -> RowBatches:
        """The rows with their columns."""
        return RowBatches(self.rows, self.frame)

    def fit(self, by_class: Week, rest: float, start: WarmStart | None) -> _Found:
        """Fit, weights found in a few turns: w = s2 / (s2 + v), s2 what is left when v is taken off."""
        rest, looked = max(rest, self.floor), SecantIteration(self.floor)
        tolerance = ROUGHLY if start is None else SETTLES
        for _ in range(TURNS):
            found = self.weighed_with(by_class, rest, start, tolerance)
            start = (found.reml.variances, found.reml.residual)
            looked.turns.append((rest, found.reml.residual))
            if looked.settled:
                break
            rest, tolerance = looked.next(), ROUGHLY
        return found if tolerance == SETTLES else self.weighed_with(by_class, rest, start, SETTLES)

    @property
    def floor(self) -> float:
        """The least s2 that weighs rows: where measuring explains all, every row counts by its measuring alone."""
        return 0.02 * float(np.mean(class_variance(1) ** self.classes.astype(np.float64)))

    def weighed_with(self, by_class: Week, s2: float, start: WarmStart | None, tolerance: float) -> _Found:
        """Fit with rows weighed by s2 / (s2 + v)."""
        products, kept = select_columns(weight_classes(by_class, s2), self.keep, self.labels, self.factors)
        if self.prior is not None:
            products = with_prior(products, {n: i for i, n in enumerate(kept)}, self.prior, s2)
        return _Found(fit_products(products, start, tolerance=tolerance), kept, s2)

    def fitted(self, reml: RemlFit) -> Array:
        """Fixed and random parts of z together, shape (n,)."""
        out, members, m = np.zeros(self.rows.height), self.passes.members, reml.equations.m
        dense, levels = np.zeros(len(self.labels)), np.zeros(max(s.stop for s in members.spans.values()))
        dense[self.keep], levels[members.place(m)] = reml.coef[: m.d], reml.coef[m.d :]
        for (rows, cols), member in zip(self.passes, members.weeks, strict=True):
            out[rows] = cols.D @ dense + member @ levels
        return out


def measured_rows(
    facts: pl.DataFrame, response: str, catalogue: Catalogue, lab_cv_at_25_kg: float
) -> tuple[pl.DataFrame, DesignSpec, Array, NDArray[np.int64]] | None:
    """Return (rows a fit may use, what their columns depend on, z, class of measuring variance); None if too few."""
    candidates = [n for n, s in catalogue.items() if response in s.responses and s.nature == "numeric"]
    rows = usable_facts(facts, response, candidates)
    if rows.height < MIN_ROWS[response]:
        return None
    values = rows[response].to_numpy()
    z = np.log(values + SMALL_LOSS_T_HA) if response == ROOT_LOSS else ratio_scale(values)
    classes = variance_class(measuring_variance(rows, response, lab_cv_at_25_kg))
    return rows, frame_of(rows, response, catalogue), z, classes


@dataclass(frozen=True)
class _Plain:
    """A response fitted as it is, before last season and the tails are looked at."""

    model: _Model
    by_class: Week
    found: _Found
    z: Array
    known: Array
    spread: Array
    left_out: dict[str, str]


def _plainly(
    facts: pl.DataFrame,
    response: str,
    catalogue: Catalogue,
    lab_cv_at_25_kg: float,
    store: ProductCache | None,
    start: WarmStart | None,
) -> _Plain | None:
    """Fit a response as it is; None where there are too few rows or nothing was varied."""
    measured = measured_rows(facts, response, catalogue, lab_cv_at_25_kg)
    if measured is None:
        return None
    rows, frame, z, classes = measured
    known = class_variance(1) ** classes.astype(np.float64)
    by_class = season_products(rows, frame, z, classes, store)
    first = 0.5 * float(np.mean(known)) + 1e-6 if start is None else start[1]
    labels = frame.dense_labels()
    keep, spread = columns_in(weight_classes(by_class, first), frame, labels)
    if not any(labels[i] == s.name for s in frame.settings for i in keep):
        return None
    factors, left_out = factors_in(rows, frame)
    moved = {s.name for s in frame.settings if s.name in {labels[i] for i in keep}}
    slopes = [f"machine slope of {s.name}" for s in frame.bends if s.name in moved and frame.terms.slopes]
    slopes = slopes if "machine" in factors else []
    model = _Model(rows, frame, classes, keep, labels, [*factors, *slopes])
    try:
        return _Plain(model, by_class, model.fit(by_class, first, start), z, known, spread, left_out)
    except RemlError:
        return None


def variances_of(
    facts: pl.DataFrame, response: str, catalogue: Catalogue, lab_cv_at_25_kg: float, store: ProductCache | None = None
) -> WarmStart | None:
    """Return the variances of a response fitted as it is, for another fit to start from; None where that cannot be.

    Arguments as in `fit_response`.
    """
    plain = _plainly(facts, response, catalogue, lab_cv_at_25_kg, store, None)
    return (plain.found.reml.variances, plain.found.reml.residual) if plain is not None else None


def fit_response(
    facts: pl.DataFrame,
    response: str,
    catalogue: Catalogue,
    lab_cv_at_25_kg: float,
    store: ProductCache | None = None,
    start: WarmStart | None = None,
    prior: Prior | None = None,
) -> ResponseFit | None:
    """Fit one response; None where there are too few rows or nothing was varied.

    Args:
        facts: one row a load or audit, with ids, conditions, settings and the response.
        response: what to fit.
        catalogue: the settings known.
        lab_cv_at_25_kg: coefficient of variation of the lab's dirt tare from a sample of 25 kg.
        store: cross-products of weeks, kept from fit to fit; weeks that did not change are not summed again.
        start: (variances, residual variance) of an earlier fit to start from.
        prior: what last season found; not used where this season denies it.
    """
    plain = _plainly(facts, response, catalogue, lab_cv_at_25_kg, store, start)
    if plain is None:
        return None
    try:
        model, found, agrees = _with_last_season(plain.model, plain.by_class, plain.found, prior)
        settled = _against_tails(model, plain.by_class, found, plain.z, plain.known)
    except RemlError:
        return None
    return _response_fit(plain, model, response, settled, agrees)


def _with_last_season(
    model: _Model, by_class: Week, found: _Found, prior: Prior | None
) -> tuple[_Model, _Found, Agreement | None]:
    """Fit again with last season's effects, where there are any and this season does not deny them."""
    at, reml = {n: i for i, n in enumerate(found.kept)}, found.reml
    known = within(prior, at) if prior is not None else None
    if known is None:
        return model, found, None
    agrees = agreement(reml, at, known)
    if agrees.denied:
        return model, found, agrees
    model = replace(model, prior=known)
    return model, model.fit(by_class, found.s2, (reml.variances, reml.residual)), agrees


@dataclass(frozen=True)
class _Settled:
    """A fit after its tails were looked at, its fitted values and the values that it was fitted to."""

    found: _Found
    fitted: Array
    pseudo: Array
    tails: Tails


def _against_tails(model: _Model, by_class: Week, found: _Found, z: Array, known: Array) -> _Settled:
    """If tails are heavy, fit again to pseudo-values until all settles (Huber 1981, section 7.8)."""
    plain, fitted, pseudo = found.reml, model.fitted(found.reml), z
    tails = tails_of(z, fitted, found.reml.residual + known)
    if not tails.heavy:
        return _Settled(found, fitted, z, tails)
    rest, looked, se = max(plain.residual, model.floor), SecantIteration(model.floor), plain.errors
    for _ in range(HUBER.turns):
        before, pseudo = found.reml, pseudo_values(z, fitted, rest + known)
        drawn = with_values(by_class, model.passes, pseudo, model.classes)
        found = model.weighed_with(drawn, rest, (found.reml.variances, found.reml.residual), ROUGHLY)
        fitted = model.fitted(found.reml)
        looked.turns.append((rest, found.reml.residual))
        moved = float(np.max(np.abs(found.reml.beta - before.beta) / se))
        if looked.settled and abs(found.reml.residual / before.residual - 1) < SETTLED and moved < HUBER.settled_se:
            break
        rest = looked.next()
    found = model.weighed_with(drawn, found.s2, (found.reml.variances, found.reml.residual), SETTLES)
    moved = float(np.max(np.abs(found.reml.beta - plain.beta) / se))
    return _Settled(found, model.fitted(found.reml), pseudo, replace(tails, drawn_in=True, largest_move_se=moved))


def _response_fit(
    plain: _Plain, model: _Model, response: str, settled: _Settled, agrees: Agreement | None
) -> ResponseFit:
    rows, frame, found = model.rows, model.frame, settled.found
    visit = visits_of(rows)
    x, has = setting_steps(rows, frame, visit)
    means, believed = visit_means(x, visit), reliability(rows, np.array(frame.stays), [s.name for s in frame.settings])
    counts = np.maximum(has.sum(axis=0), 1)
    return ResponseFit(
        response,
        rows,
        plain.z,
        settled.pseudo,
        plain.known,
        frame,
        {n: i for i, n in enumerate(found.kept)},
        found.reml,
        found.s2,
        settled.fitted,
        means + believed * (x - means),
        has,
        modifiers_of(condition_values(rows, frame), frame),
        (believed * has).sum(axis=0) / counts,
        plain.spread,
        settled.tails,
        plain.left_out,
        agrees,
        _fingerprint(rows, frame, plain.z),
    )


def _fingerprint(rows: pl.DataFrame, frame: DesignSpec, z: Array) -> str:
    digest = hashlib.sha256(np.ascontiguousarray(z).tobytes())
    names = sorted({*(s.name for s in frame.settings), *(n for n in frame.terms.conditions)})
    for name in names:
        digest.update(np.ascontiguousarray(rows[name].cast(pl.Float64).to_numpy()).tobytes())
    key = "audit_id" if "audit_id" in rows.columns else "load_id"
    digest.update("|".join(rows[key].cast(pl.String)).encode())
    return digest.hexdigest()


def fit_posterior(fit: ResponseFit) -> pl.DataFrame:
    """Return the `fit_posterior` rows of a fit: its settings' fixed coefficients, for the next season to start from."""
    by = [f"{n} by {m}" for m in fit.frame.terms.plainly_by for n in fit.settings]
    return posterior_rows(fit.response, [n for n in [*fit.settings, *by] if n in fit.at], fit.reml, fit.at)


def setting_reliability(fit: ResponseFit) -> pl.DataFrame:
    """Return `response, setting, reliability, n`: the mean part of each setting's departures that is believed."""
    rows = [
        (fit.response, s, float(fit.believed[fit.place(s)]), int(fit.has[:, fit.place(s)].sum())) for s in fit.settings
    ]
    return pl.DataFrame(rows, schema=["response", "setting", "reliability", "n"], orient="row")


def fit_summary(fit: ResponseFit) -> pl.DataFrame:
    """Return the `fit_run` row of a fit."""
    sd = {
        f"{name}_sd": float(np.sqrt(fit.reml.variances[name])) if name in fit.reml.variances else None
        for name in FACTORS
    }
    return pl.DataFrame(
        {
            "response": [fit.response],
            "fitted_at": [dt.datetime.now(dt.UTC)],
            "data_fingerprint": [fit.fingerprint],
            "n": [fit.z.size],
            "reml_deviance": [fit.reml.deviance],
            "iterations": [fit.reml.iterations],
            "converged": [fit.reml.converged],
            "residual_sd": [float(np.sqrt(fit.reml.residual))],
            **{k: [v] for k, v in sd.items()},
        }
    ).with_columns(pl.col("fitted_at").dt.cast_time_unit("us"))
