"""Empirical Bayes shrinkage of settings' effects, which corrects moves for selection among many noisy estimates.

The largest of many noisy estimates are too large: a move selected by its estimate disappoints. For advice, the effects
of one practical step are therefore assumed to come from distributions about 0, one for the settings' own effects and
one for each condition that multiplies them (Efron and Morris 1973). They have heavy tails, because most settings do
little and a few do much. Roots are lost in two ways: lifting breaks or leaves them, and what handles them afterwards
knocks off tips and drops small roots through gaps. Settings of one mechanism act alike, so on root loss each mechanism
is a kind, and its effects whose direction the catalogue states share a mean with a vague prior:

    b ~ N(0, S),  S = diag(t r)^2 + k ss',  b^ ~ N(b, V),  t ~ half-Cauchy(A),  1/r^2 ~ gamma(n/2, n/2)         (11)

with s the known directions (1, -1, or 0) of a kind, k large, and r the scale that makes an effect Student's t. A
standard deviation t is estimated from a dozen effects; taken at its most likely value, which is often near zero, it
makes moves look more certain than they are. Effects are therefore averaged over the posterior of t and r, by Gibbs
sampling; t is drawn from a grid of log t with b integrated out. A step for one t needs M = V + S without it, and with
the block of M^-1 for its effects, diag(r) M^-1 diag(r) = U diag(e) U':

    -2 log p = log|M| + sum log(1 + t2 e) + b^'M^-1 b^ - sum t2 w2 / (1 + t2 e),   w = U'(r M^-1 b^)             (12)

A contrast l'c of all coefficients c given b is normal, with C their covariance and E the columns of b:

    mean l'c^ + a'(b - b^),  variance l'C l - a'V a,  a = V^-1 E'C l                                           (12a)

c^ and C are freed of operators' reaction to hidden dirt where one is seen (5.8). A posterior needs no further
correction for selection (Dawid 1994). Effects that are only reported stay as estimated.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import pinvh

from transforms.config.response_catalogue import LOSS_PARTS, ROOT_LOSS
from transforms.mixed_model.blas_threads import one_blas_thread
from transforms.model.fit_result import ResponseFit
from transforms.model.reaction_shift import freed_coefficients
from transforms.model.setting_terms import SettingBy, SettingEffect

Array = NDArray[np.float64]
SHARED_SD = 0.3
"""Prior standard deviation of the mean of effects with known direction, log change per step: practically vague."""
USUAL_SD = 0.1
"""A of (11), log change per step: effects of a practical step are seldom larger (assumption)."""
DIFFERENCE_SD = 0.02
"""A of (11) for effects that share a mean: settings of one mechanism seldom differ by more (assumption)."""
SD_GRID = np.exp(np.linspace(np.log(1e-4), np.log(1.0), 41))
"""Standard deviations that effects may have, log change per step."""
BURN_IN, SPREADS = 50, 800
"""Steps of the sampler that are discarded, and draws of the standard deviations that are kept."""
DRAWS_PER_SPREAD = 5
DRAWS = SPREADS * DRAWS_PER_SPREAD
"""Draws of the effects."""
HANDLING_STAGES = ("intake", "conveying", "cleaning")
"""Stages of a machine whose settings act on roots that are lifted already: the second mechanism of root loss."""
TAILS = 2
"""Degrees of freedom of the effects' distribution: most settings do little and a few do much (assumption)."""
SPREAD_SEED = 20_251_002
SHRINKAGE = "shrinkage"
"""Name under which a fit keeps its shrinkage."""


@dataclass(frozen=True)
class Shrinkage:
    """Posterior of the settings' effects.

    Attributes:
        places: indices of their coefficients, shape (b,).
        draws: draws of the effects in random order, shape (DRAWS, b).
    """

    places: NDArray[np.int64]
    draws: Array

    def _given_effects(self, fit: ResponseFit, L: Array) -> tuple[Array, Array]:
        """Return the pull `a` of (12a), shape (k, b), and the covariance that is left, shape (k, k)."""
        k, b = L.shape[0], self.places.size
        unit = np.zeros((b, L.shape[1]))
        unit[np.arange(b), self.places] = 1.0
        V = freed_coefficients(fit).covariance(np.vstack([L, unit]))
        pull = V[:k, k:] @ pinvh(V[k:, k:])
        return pull, V[:k, :k] - pull @ V[k:, :k]

    def contrast_mean(self, fit: ResponseFit, L: Array) -> Array:
        """Return the posterior mean of contrasts, shape (k,).

        Args:
            fit: the fit, which has p coefficients.
            L: contrasts over all coefficients, shape (k, p).
        """
        (pull, _), coef = self._given_effects(fit, L), freed_coefficients(fit).mean
        return np.asarray(L @ coef + pull @ (self.draws.mean(axis=0) - coef[self.places]))

    def draw_contrasts(self, fit: ResponseFit, L: Array, draws: int, rng: np.random.Generator) -> Array:
        """Return posterior draws of contrasts by (12a), shape (draws, k).

        Args:
            fit: the fit, which has p coefficients.
            L: contrasts over all coefficients, shape (k, p).
            draws: number of draws, at most DRAWS.
            rng: random generator of what the effects leave open.
        """
        (pull, left), coef = self._given_effects(fit, L), freed_coefficients(fit).mean
        mean = L @ coef + (self.draws[:draws] - coef[self.places]) @ pull.T
        return np.asarray(mean + rng.multivariate_normal(np.zeros(L.shape[0]), left, size=draws, method="eigh"))


def _known_directions(fit: ResponseFit) -> dict[str, float]:
    """Return the known direction of each setting's effect on the response: 1, -1, or 0 if unknown."""
    directions = {"more": 1.0, "less": -1.0, None: 0.0}
    return {s.name: directions[s.breaks] if _is_loss(fit) else 0.0 for s in fit.frame.settings}


def _kind(fit: ResponseFit, term: SettingEffect | SettingBy) -> str:
    """Return the kind of an effect: its modifier, or the mechanism of a setting's own effect on root loss."""
    if isinstance(term, SettingBy):
        return term.modifier.label
    is_handling = fit.frame.setting(term.setting).stage in HANDLING_STAGES
    return "handling" if is_handling and _is_loss(fit) else ""


def _is_loss(fit: ResponseFit) -> bool:
    """Return True if a fit is of the root loss or of one of its parts."""
    return fit.response in {ROOT_LOSS, *LOSS_PARTS}


def _effects_by_kind(fit: ResponseFit) -> list[list[SettingEffect | SettingBy]]:
    """Return the settings' own effects and their fixed changes with each modifier, by kind, if they are in the model.

    A modifier that does not vary multiplies no setting, so it has no effects.
    """
    kinds: dict[str, list[SettingEffect | SettingBy]] = {}
    for term in fit.frame.fixed_terms:
        if isinstance(term, SettingEffect | SettingBy) and fit.contains(term):
            kinds.setdefault(_kind(fit, term), []).append(term)
    return list(kinds.values())


def _log_posterior(M: Array, own: NDArray[np.bool_], scale: Array, estimates: Array, usual_sd: float) -> Array:
    """Return the log posterior of each standard deviation of the grid for the effects `own` by (12), A `usual_sd`."""
    inverse, local = np.linalg.inv(M), scale[own]
    e, U = np.linalg.eigh(local[:, None] * inverse[np.ix_(own, own)] * local)
    w, t2 = U.T @ (local * (inverse @ estimates)[own]), SD_GRID[:, None] ** 2
    fit = np.log1p(t2 * np.maximum(e, 0)) - t2 * w**2 / (1 + t2 * np.maximum(e, 0))
    # The grid is even in log t, so the density of t is multiplied by t.
    return np.asarray(-fit.sum(axis=1) / 2 + np.log(SD_GRID) - np.log1p((SD_GRID / usual_sd) ** 2))


def _own_scales(
    effects: Array,
    sd: Array,
    kind: NDArray[np.int64],
    direction: Array,
    tails: float,
    rng: np.random.Generator,
) -> Array:
    """Return draws of the scale of each effect given the effects; the mean in the known direction is drawn first.

    A normal distribution whose variance is inverse gamma is Student's t with `tails` degrees of freedom.
    """
    precision = 1 / sd**2
    total = np.bincount(kind, weights=direction**2 * precision) + 1 / SHARED_SD**2
    mean = rng.normal(np.bincount(kind, weights=direction * precision * effects) / total, 1 / np.sqrt(total))
    away = (effects - mean[kind] * direction) / sd
    return np.asarray(1 / np.sqrt(rng.gamma((tails + 1) / 2, 2 / (tails + away**2))))


def effect_draws(estimates: Array, V: Array, kind: NDArray[np.int64], direction: Array, tails: float = TAILS) -> Array:
    """Return draws of effects from their posterior, averaged over the spread of each kind, shape (DRAWS, b).

    Args:
        estimates: estimated effects, shape (b,).
        V: their covariance, shape (b, b).
        kind: kind of each effect, 0 to the number of kinds - 1; those of a kind share a standard deviation.
        direction: known direction of each effect, 1, -1 or 0; effects of a kind share a mean in these directions.
        tails: degrees of freedom of the effects' distribution; infinite for a normal one.
    """
    rng = np.random.default_rng(SPREAD_SEED)
    # A little on the diagonal keeps estimates that depend on each other from making V + S singular.
    V = V + 1e-10 * float(np.diag(V).mean()) * np.eye(estimates.size)
    shared = SHARED_SD**2 * np.outer(direction, direction) * (kind[:, None] == kind)
    spread, scale = np.full(int(kind.max()) + 1, USUAL_SD / 3), np.ones(estimates.size)
    out = []
    for step in range(BURN_IN + SPREADS):
        for k in range(spread.size):
            own = kind == k
            M = V + shared + np.diag(np.where(own, 0.0, (spread[kind] * scale) ** 2))
            usual_sd = DIFFERENCE_SD if direction[own].any() else USUAL_SD
            log_p = _log_posterior(M, own, scale, estimates, usual_sd)
            p = np.exp(log_p - log_p.max())
            spread[k] = rng.choice(SD_GRID, p=p / p.sum())
        S = shared + np.diag((spread[kind] * scale) ** 2)
        kept = np.linalg.solve(V + S, S).T
        drawn = rng.multivariate_normal(kept @ estimates, S - kept @ S, size=DRAWS_PER_SPREAD, method="eigh")
        if step >= BURN_IN:
            out.append(drawn)
        if np.isfinite(tails):
            scale = _own_scales(drawn[0], spread[kind], kind, direction, tails, rng)
    return np.asarray(rng.permutation(np.vstack(out)))


def shrinkage(fit: ResponseFit) -> Shrinkage:
    """Return the posterior of the settings' effects by (11) and (12); it is computed once for a fit."""
    return fit.cached(SHRINKAGE, lambda: _shrinkage(fit))


def _shrinkage(fit: ResponseFit) -> Shrinkage:
    """Return the posterior of the settings' effects by (11) and (12)."""
    kinds, known = _effects_by_kind(fit), _known_directions(fit)
    effects = [(i, term) for i, terms in enumerate(kinds) for term in terms]
    kind, places = np.array([i for i, _ in effects]), np.array([fit.index_of(term) for _, term in effects])
    direction = np.array([known[t.setting] if isinstance(t, SettingEffect) else 0.0 for _, t in effects])
    unit = np.zeros((places.size, fit.reml.coef.size))
    unit[np.arange(places.size), places] = 1.0
    freed = freed_coefficients(fit)
    V = freed.covariance(unit)
    with one_blas_thread():
        return Shrinkage(places, effect_draws(freed.mean[places], V, kind, direction))
