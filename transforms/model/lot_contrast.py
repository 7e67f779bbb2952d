"""Correction of the effects of few settings that were moved by lot, if operators react to hidden dirt.

With many settings by lot, (5.5) has a common variance of the g_j. That of few is often estimated far too small or
too large, so it is fixed: g_j ~ N(0, tau^2) for the settings moved by lot. The term is added to the fit at its
variances. With C the columns u_j x_j^W, R C their residuals of the fit, r its residuals, W its weights and s2 the
residual variance,

    g | data ~ N(A^-1 C'W r / s2, A^-1),   A = C'W R C / s2 + I / tau^2
    c | data ~ N(c^ - K g, V + K A^-1 K'),   K = coefficients of the fit to C                                  (5.7)

with c the coefficients, c^ and V those without the term. METHODS.md section 5.
"""

from dataclasses import dataclass, replace

import numpy as np

from transforms.arrays import Array
from transforms.mixed_model.contrasts import Contrast
from transforms.model.added_columns import fit_columns
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import row_weights
from transforms.model.hidden_reaction import reaction_within_visits
from transforms.model.planned_variation import MIN_ROWS, is_by_lot
from transforms.model.visits import visit_means

REACTION_SD = 0.05
"""tau: what a reaction adds to the log change by a step is seldom larger than twice this (assumption; of the invented
operators who react within a visit as between visits it is 0.02 to 0.06)."""


@dataclass(frozen=True)
class LotCorrection:
    """Correction (5.7) of the effects of settings that were moved by lot.

    Attributes:
        settings: the settings.
        shift: K g, to be taken from the coefficients, shape (M,).
        root: K A^-1/2, shape (M, k): its product with its transpose is added to their covariance.
    """

    settings: tuple[str, ...]
    shift: Array
    root: Array

    def corrected(self, found: Contrast, weights: Array) -> Contrast:
        """Return a contrast with the correction.

        Args:
            found: the contrast without it.
            weights: its weights over the coefficients, shape (M,).
        """
        error = float(np.linalg.norm(weights @ self.root))
        return replace(
            found, estimate=found.estimate - float(weights @ self.shift), se=float(np.hypot(found.se, error))
        )


def lot_correction(fit: ResponseFit) -> LotCorrection | None:
    """Return the correction of settings by lot; None without any, without a reaction, or if the model has it."""
    return fit.cached("correction by lot", lambda: _correction(fit))


def _correction(fit: ResponseFit) -> LotCorrection | None:
    reaction = reaction_within_visits(fit)
    if reaction is None or not reaction.is_seen or reaction.is_modelled:
        return None
    by_lot = {s: is_by_lot(fit.rows, s) for s in fit.settings}
    names = tuple(s for s, rows in by_lot.items() if rows.sum() >= MIN_ROWS)
    if not names:
        return None
    x = fit.x[:, [fit.setting_column(s) for s in names]]
    C = (x - visit_means(x, fit.visits)) * ~np.column_stack([by_lot[s] for s in names])
    K, left = fit_columns(fit, C)
    w, s2 = row_weights(fit), fit.reml.residual
    A = C.T @ (left * w[:, None]) / s2 + np.eye(len(names)) / REACTION_SD**2
    g = np.linalg.solve(A, C.T @ (w * fit.residual) / s2)
    root = np.linalg.inv(np.linalg.cholesky((A + A.T) / 2)).T
    return LotCorrection(names, np.asarray(K @ g), np.asarray(K @ root))
