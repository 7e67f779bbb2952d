"""Draws of what noise of sensors leaves in the residuals of a fit that corrects for it.

The fit takes lambda times the shown departure of a setting from its visit mean, which is right on average. The true
departure of a load depends on the whole visit, though (28), and lasts as the setting does, so the difference makes
residuals of successive loads alike:

    error = sum_j b_j (x_j - lambda_j x_shown,j),   x_j | shown values of the visit ~ N(K x_shown, L - K L)       (28a)

with L the covariance of the part that lasts, centred in the visit, and K = L (L + N)^-1, N that of the noise.
METHODS.md section 5.
"""

from functools import cache

import numpy as np

from transforms.arrays import Array
from transforms.model.design_matrix import setting_steps
from transforms.model.fit_result import ResponseFit
from transforms.model.lag_products import VisitOrder
from transforms.model.sensor_noise import LastingPart, lasting_part
from transforms.model.setting_terms import SettingEffect


def sensor_errors(fit: ResponseFit, order: VisitOrder, draws: int, rng: np.random.Generator) -> Array | None:
    """Return draws of (28a), shape (n, draws); None if the fit corrects for no noise of sensors.

    Args:
        fit: the fit, n rows.
        order: its rows in time order within visits.
        draws: number of draws.
        rng: source of randomness.
    """
    noisy = [(s.name, r) for s, r in zip(fit.frame.settings, fit.frame.sensors, strict=False) if r < 1]
    steps, _ = setting_steps(fit.rows, fit.frame, fit.visits)
    out = None
    for name, reliability in noisy:
        shown = steps[:, fit.setting_column(name)]
        part = lasting_part(order, shown) if name in fit.settings else None
        if part is not None:
            error = _errors(order, order.centred(shown), part, reliability, rng.standard_normal((shown.size, draws)))
            out = (0.0 if out is None else out) + fit.reml.coef[fit.index_of(SettingEffect(name))] * error
    return out


def _errors(order: VisitOrder, shown: Array, part: LastingPart, reliability: float, noise: Array) -> Array:
    """Return draws of x - lambda x_shown of one setting, shape (n, draws).

    Args:
        order: rows in time order within visits.
        shown: shown departures in the order of `order`, shape (n,).
        part: the setting's variance, in a part that lasts and one that is new in each row.
        reliability: lambda.
        noise: standard normal values, shape (n, draws).
    """

    @cache
    def posterior(n: int) -> tuple[Array, Array]:
        """Return K and a root of L - K L for a visit of n rows."""
        lasting, new = part.covariances(n)
        K = lasting @ np.linalg.pinv(lasting + new, hermitian=True)
        left = lasting - K @ lasting
        values, vectors = np.linalg.eigh((left + left.T) / 2)
        return K, vectors * np.sqrt(np.clip(values, 0.0, None))

    out, start = np.empty_like(noise), 0
    for n in order.sizes.tolist():
        rows, (K, root) = slice(start, start + n), posterior(n)
        mean = K @ shown[rows] - reliability * shown[rows]
        out[order.order[rows]] = mean[:, None] + root @ noise[rows]
        start += n
    return out
