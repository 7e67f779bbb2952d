"""Effects of pairs of settings on advice: what moving one setting changes in the effect of the other.

Pairs that interact (`pair_tests.py`, q < 0.005, |g| >= 0.01) add a product to z: g (x_a - m_a)(x_b - m_b), with x in
practical steps and m the settings' means, so that the effect of either setting alone is that at the mean of the other.
The estimates of all pairs tested are shrunk towards 0 like effects (`shrinkage.py`).
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from transforms.advice.shrinkage import effect_draws
from transforms.arrays import Array
from transforms.mixed_model.blas_threads import one_blas_thread
from transforms.model.fit_result import ResponseFit
from transforms.model.pair_tests import SMALLEST, interacting_pairs, mean_steps, pair_tests
from transforms.model.setting_terms import setting_origin


@dataclass(frozen=True)
class PairEffect:
    """Effect of one pair.

    Attributes:
        settings: names of the two settings.
        middle: their means, in their units.
        step: their practical steps, in their units.
        draws: draws of g, shape (draws,).
    """

    settings: tuple[str, str]
    middle: tuple[float, float]
    step: tuple[float, float]
    draws: Array

    def product(self, values: Mapping[str, Array | float]) -> Array:
        """Return the product of the pair at values of the settings, in their units; a missing one counts as its mean.

        Args:
            values: setting -> values, of shapes that broadcast.
        """
        a, b = (
            (np.asarray(values.get(n, m)) - m) / s
            for n, m, s in zip(self.settings, self.middle, self.step, strict=True)
        )
        return np.asarray(a * b)

    def change(self, before: Mapping[str, Array | float], after: Mapping[str, Array | float]) -> Array:
        """Return draws of the change of z, shape (draws, 1) times the values' shape.

        Args:
            before: setting -> value before.
            after: setting -> value or values after.
        """
        return np.asarray(self.draws[:, None] * np.atleast_1d(self.product(after) - self.product(before)))


def pair_effects(fit: ResponseFit, min_loads: int) -> tuple[PairEffect, ...]:
    """Return the effects of the pairs of a response that interact; empty if none does.

    Args:
        fit: the fit.
        min_loads: minimum number of rows with both settings.
    """
    return fit.cached(f"pair effects from {min_loads}", lambda: _pair_effects(fit, min_loads))


def _pair_effects(fit: ResponseFit, min_loads: int) -> tuple[PairEffect, ...]:
    """Return the effects of the pairs of a response that interact."""
    interacting = {t.pair for t in interacting_pairs(fit, min_loads)}
    if not interacting:
        return ()
    tested = [(t.pair, *t.estimate) for t in pair_tests(fit, min_loads) if t.estimate is not None]
    none = np.zeros(len(tested), dtype=np.int64)
    estimates, errors = np.array([e for _, e, _ in tested]), np.array([se for *_, se in tested])
    with one_blas_thread():
        draws = effect_draws(estimates, np.diag(errors**2), none, none.astype(np.float64))
    out = []
    for i, (pair, *_) in enumerate(tested):
        if pair in interacting and abs(float(draws[:, i].mean())) >= SMALLEST:
            first, second = (fit.frame.setting(n) for n in pair)
            middle = [setting_origin(s) + mean_steps(fit, s.name) * s.step for s in (first, second)]
            out.append(PairEffect(pair, (middle[0], middle[1]), (first.step, second.step), draws[:, i]))
    return tuple(out)
