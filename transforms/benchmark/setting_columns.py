"""Settings' part of z as columns times coefficients, so that the coefficients' error can be propagated."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.contracts.classes import SOIL_CLASSES
from transforms.model.design_matrix import bend_of, middle
from transforms.model.effects import classes_of
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
    soil = classes_of(fit.rows)["soil_class"].to_numpy()
    for s in fit.frame.settings:
        if s.name not in fit.at:
            continue
        x = np.where(fit.has[:, fit.place(s.name)], fit.x[:, fit.place(s.name)], 0.0)
        labels = {s.name: x, **{f"{s.name} by {by}": x * v for by, v in fit.modifiers.items()}}
        labels |= {f"{s.name} on {k} soil": x * (soil == k) for k in SOIL_CLASSES}
        if s.curve is not None:
            bend = bend_of(s).columns(middle(s) + x * s.step)
            labels |= {f"bend of {s.name}[{i}]": c for i, c in enumerate(bend.T)}
        columns |= {fit.at[n]: np.asarray(c, dtype=np.float64) for n, c in labels.items() if n in fit.at}
    places = sorted(columns)
    G = np.column_stack([columns[i] - columns[i].mean() for i in places])
    return SettingColumns(G, fit.reml.cov_core[np.ix_(places, places)])
