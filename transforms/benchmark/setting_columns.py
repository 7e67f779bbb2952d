"""Settings' part of z as columns times coefficients, so that the coefficients' error can be propagated."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.model.fit_result import ResponseFit

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SettingColumns:
    """Columns of the settings' part.

    Attributes:
        G: columns, shape (n, q), each centred over the rows.
        covariance: covariance of their coefficients, shape (q, q).
    """

    G: Array
    covariance: Array


def setting_columns(fit: ResponseFit) -> SettingColumns:
    """Return the columns of the settings' part of z, without machine-specific slopes, which belong to the machines."""
    columns: dict[int, Array] = {}
    for name in fit.settings:
        x = np.where(fit.observed[:, fit.setting_column(name)], fit.x[:, fit.setting_column(name)], 0.0)
        columns |= {at: x * term.multiplier(fit.multipliers) for at, term in fit.step_terms(name)}
        for curve in fit.frame.curves(name):
            own, places = fit.coefficients_of(curve)
            for at, column in zip(places, curve.at_steps(x).T[own], strict=True):
                columns[at] = columns.get(at, 0.0) + column
    places = sorted(columns)
    G = np.column_stack([columns[i] - columns[i].mean() for i in places])
    return SettingColumns(G, fit.reml.cov_core[np.ix_(places, places)])
