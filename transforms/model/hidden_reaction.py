"""Bias of effects if operators react within a visit to dirt that no log holds.

Hidden dirt h with variance t2 within visits moves the settings by lambda h / t, lambda the standard deviation of the
reaction in steps. The within slopes are then wrong by

    bias = W^-1 lambda t,   t2 = r / (1 - lambda' W^-1 lambda)                                                 (26)

with W the covariance of the settings within visits and r the part of t2 that is left in the residuals
(`hidden_dirt.py`): linear projection of h on the settings. The reaction shows in the settings themselves. Operators who
react move several settings at once, so lambda lambda' is what their covariance within visits has outside its diagonal.
Its direction is the leading eigenvector of that part if it exceeds chance, else the reaction between visits

    a = S d / (d' S d + s2_hidden),   d = slope between visits - slope within visits (Mundlak 1978)             (27)

with S the covariance of visit means given conditions and machine, and s2_hidden the variance of field and machine-day.
METHODS.md section 5.
"""

from dataclasses import dataclass

import numpy as np

from transforms.arrays import Array
from transforms.model.design_matrix import condition_values
from transforms.model.fit_result import ResponseFit
from transforms.model.hidden_dirt import HiddenDirt, hidden_dirt
from transforms.model.setting_terms import VisitMean
from transforms.model.visits import visit_means

FLIPS = 60
"""Random sign changes by visit and setting for the null distribution of the leading eigenvalue."""
SEED = 20_261_129
MAX_EXPLAINED = 0.9
"""Upper bound of lambda' W^-1 lambda: at most this share of the movements is reaction (common practice, no source)."""
UPPER_Z = 1.64
"""One-sided 95 % limit of a normal variable."""
TOLERABLE_SE = 0.5
"""Bias in standard errors at which a 95 % interval covers .92."""


@dataclass(frozen=True)
class Reaction:
    """Bias of the within slopes of the settings in the model if operators react to hidden dirt.

    Attributes:
        settings: names of the settings, in order.
        likely: most likely bias, in units of z per step, shape (j,).
        largest: bias at the upper limit of the reaction, shape (j,).
        full: bias if they react within a visit as strongly as between visits, shape (j,).
        errors: standard errors of the slopes, shape (j,).
        is_modelled: True if the model has what reaction adds to the effects, learnt from movements by lot.
    """

    settings: tuple[str, ...]
    likely: Array
    largest: Array
    full: Array
    errors: Array
    is_modelled: bool = False

    @property
    def worst_se(self) -> float:
        """Largest likely bias, in standard errors."""
        return float(np.max(np.abs(self.likely) / self.errors))

    @property
    def is_seen(self) -> bool:
        """True if the settings move together within visits as a reaction would move them, enough to bias an effect."""
        return self.worst_se > TOLERABLE_SE

    @property
    def tolerable_share(self) -> float:
        """Reaction within visits, as a fraction of that between visits, above which some interval covers below .92."""
        return float(np.min(TOLERABLE_SE * self.errors / np.maximum(np.abs(self.full), 1e-12)))

    @property
    def is_needed(self) -> bool:
        """True if a reaction is seen and the model does not have it."""
        return self.is_seen and not self.is_modelled

    def allowance(self, setting: str) -> float:
        """Return the bias that an interval allows for, in z per step; 0 if none is seen or the model has it."""
        return float(self.largest[self.settings.index(setting)]) if self.is_needed else 0.0


def reaction_within_visits(fit: ResponseFit) -> Reaction | None:
    """Return the bias by reaction within visits; None if residuals of successive rows are unrelated or unknown."""
    return fit.cached("reaction within visits", lambda: _reaction(fit))


def _reaction(fit: ResponseFit) -> Reaction | None:
    hidden, names = hidden_dirt(fit), fit.settings
    if hidden is None or not hidden.is_found or len(names) < 2:
        return None
    inside = _movements(fit)
    df = fit.z.size - int(fit.visits.max()) - 1
    W = inside.T @ inside / df
    between = reaction_between_visits(fit)
    likely, largest = _strength(inside, fit, W, between)
    slopes = np.array([_slope_within(fit, s) for s in names])
    return Reaction(
        settings=tuple(names),
        likely=_bias(W, likely, hidden.variance),
        largest=_bias(W, largest, hidden.variance + UPPER_Z * hidden.variance_se),
        full=np.asarray(np.linalg.solve(W, between) * _full_variance(W, between, hidden)),
        errors=np.sqrt(np.einsum("ij,jk,ik->i", slopes, fit.reml.cov_core, slopes)),
        is_modelled=fit.frame.by_lot,
    )


def _movements(fit: ResponseFit) -> Array:
    """Return the settings within visits in steps, less what the conditions' changes within visits explain, (n, j)."""
    x = fit.x[:, [fit.setting_column(s) for s in fit.settings]]
    conditions = np.column_stack(list(condition_values(fit.rows, fit.frame).values()))
    inside, changes = x - visit_means(x, fit.visits), conditions - visit_means(conditions, fit.visits)
    return np.asarray(inside - changes @ np.linalg.lstsq(changes, inside, rcond=None)[0])


def reaction_between_visits(fit: ResponseFit) -> Array:
    """Return a of (27): steps of each setting in the model per unit of hidden z, shape (j,)."""
    visit, columns = fit.visits, [fit.setting_column(s) for s in fit.settings]
    size, first = np.bincount(visit), np.unique(visit, return_index=True)[1]
    conditions = np.column_stack(list(condition_values(fit.rows, fit.frame).values()))
    machine = (fit.machines[first][:, None] == np.unique(fit.machines)).astype(np.float64)
    means, known = visit_means(fit.x[:, columns], visit)[first], visit_means(conditions, visit)[first]
    given, weight = np.column_stack([machine, known]), np.sqrt(size)[:, None]
    rest = (means - given @ np.linalg.lstsq(given * weight, means * weight, rcond=None)[0]) * weight
    S = rest.T @ rest / size.sum() * size.size / max(size.size - given.shape[1], 1)
    coefficients = fit.reml.coef[: fit.width]
    d = np.array([_slope_between(fit, s) - _slope_within(fit, s) @ coefficients for s in fit.settings])
    hidden = sum(fit.reml.variances.get(k, 0.0) for k in ("field", "machine_day"))
    return np.asarray(S @ d / (d @ S @ d + hidden))


def _slope_between(fit: ResponseFit, setting: str) -> float:
    """Return the slope of z over a setting's visit means; 0 if it is not in the model."""
    term = VisitMean(setting)
    return float(fit.reml.coef[fit.index_of(term)]) if fit.contains(term) else 0.0


def _slope_within(fit: ResponseFit, setting: str) -> Array:
    """Return weights over the columns of D, shape (d,), of the mean linear slope over a setting within visits."""
    weights = np.zeros(fit.width)
    for at, term in fit.step_terms(setting):
        weights[at] = term.multiplier(fit.multipliers).mean()
    return weights


def _strength(inside: Array, fit: ResponseFit, W: Array, between: Array) -> tuple[Array, Array]:
    """Return the likely lambda, and the one at the upper limit of the reaction, each of shape (j,)."""
    df, visit = fit.z.size - int(fit.visits.max()) - 1, fit.visits
    value, vector = _leading(W)
    rng, chance = np.random.default_rng(SEED), np.empty(FLIPS)
    for i in range(FLIPS):
        flipped = inside * rng.choice([-1.0, 1.0], (int(visit.max()) + 1, inside.shape[1]))[visit]
        chance[i] = _leading(flipped.T @ flipped / df)[0]
    if value > chance.max():
        direction = vector if vector @ between >= 0 else -vector
        return direction * np.sqrt(value), direction * np.sqrt(value + UPPER_Z * chance.std())
    moves = inside * between
    products = np.bincount(visit, (moves.sum(axis=1) ** 2 - (moves**2).sum(axis=1)) / 2)
    scale = df * (np.sum(between**2) ** 2 - np.sum(between**4)) / 2
    mean, error = products.sum() / scale, products.std() * np.sqrt(products.size) / scale
    return between * np.sqrt(max(mean, 0.0)), between * np.sqrt(max(mean + UPPER_Z * error, 0.0))


def _leading(W: Array) -> tuple[float, Array]:
    """Return the largest eigenvalue of a covariance without its diagonal, and the eigenvector."""
    values, vectors = np.linalg.eigh(W - np.diag(np.diag(W)))
    return float(values[-1]), np.asarray(vectors[:, -1])


def _bias(W: Array, reaction: Array, left: float) -> Array:
    """Return the bias of (26), shape (j,).

    Args:
        W: covariance of the settings within visits, shape (j, j).
        reaction: lambda, shape (j,).
        left: r, the variance of hidden dirt left in the residuals.
    """
    pull = np.linalg.solve(W, reaction)
    explained = float(reaction @ pull)
    shrink = min(1.0, np.sqrt(MAX_EXPLAINED / explained)) if explained > 0 else 1.0
    return np.asarray(shrink * pull * np.sqrt(left / (1 - shrink**2 * explained)))


def _full_variance(W: Array, between: Array, hidden: HiddenDirt) -> float:
    """Return t2 if operators react as between visits: the root of t2 - t2^2 a'W^-1 a = r that is near r."""
    q = float(between @ np.linalg.solve(W, between))
    inner = 1 - 4 * q * hidden.variance
    return (1 - np.sqrt(max(inner, 0.0))) / (2 * q) if q > 0 else hidden.variance
