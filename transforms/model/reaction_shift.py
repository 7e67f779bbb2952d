"""Distribution of what operators' reaction to hidden dirt adds to the coefficients, for advice and curves.

The interval of an effect holds for every reaction from none to the largest. Advice needs one distribution: the likely
bias a, known to half its size, with the same share for all settings, because the same operators react. With (5.7) for
settings moved by lot,

    c | data ~ N(c^ - a - K g, V + (e a)(e a)' + K A^-1 K'),   e = 1/2                                       (5.8)

METHODS.md section 5.
"""

from dataclasses import dataclass

import numpy as np

from transforms.arrays import Array
from transforms.mixed_model.contrasts import draws_covariance, pad_contrasts
from transforms.model.fit_result import ResponseFit
from transforms.model.hidden_reaction import reaction_within_visits
from transforms.model.lot_contrast import lot_correction
from transforms.model.setting_terms import SettingEffect

RELATIVE_ERROR = 0.5
"""e of (5.8): no reaction and twice the likely one are at the ends of the 95 % interval (assumption)."""


@dataclass(frozen=True)
class FreedCoefficients:
    """Coefficients of a fit, freed of operators' reaction by (5.8).

    Attributes:
        fit: the fit.
        mean: the coefficients, shape (M,).
        root: root of the covariance that the reaction adds, shape (M, k); no columns if none is seen.
    """

    fit: ResponseFit
    mean: Array
    root: Array

    def covariance(self, L: Array) -> Array:
        """Return the covariance of contrasts L over the coefficients, shape (k, M) or (k, d), as shape (k, k)."""
        V, added = draws_covariance(self.fit.reml, L), pad_contrasts(self.fit.reml, L).T @ self.root
        return np.asarray(V + added @ added.T)


def freed_coefficients(fit: ResponseFit) -> FreedCoefficients:
    """Return the coefficients of a fit freed of operators' reaction; as fitted if none is seen. Computed once a fit."""
    return fit.cached("freed of reaction", lambda: _freed(fit))


def _freed(fit: ResponseFit) -> FreedCoefficients:
    reaction, lot, coef = reaction_within_visits(fit), lot_correction(fit), fit.reml.coef
    if reaction is None:
        return FreedCoefficients(fit, coef, np.zeros((coef.size, 0)))
    by_lot = () if lot is None else lot.settings
    shift = np.zeros(coef.size)
    for setting, bias in zip(reaction.settings, reaction.likely, strict=True):
        if reaction.is_needed and setting not in by_lot:
            shift[fit.index_of(SettingEffect(setting))] = bias
    root = RELATIVE_ERROR * shift[:, None] if shift.any() else np.zeros((coef.size, 0))
    if lot is not None:
        shift, root = shift + lot.shift, np.column_stack([root, lot.root])
    return FreedCoefficients(fit, coef - shift, root)
