"""Does one field or one machine carry an effect alone? One-step deletion, and errors by cluster."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.model.fit import ResponseFit
from transforms.model.fit_rows import dense_passes, row_weights

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Influence:
    """What leaving out one level would move.

    Attributes:
        worst_se: by how many standard errors the settings' effect that moves most would move.
        setting: that setting.
        level: the level that does it.
        robust_ratio: largest cluster-robust over model standard error among the settings.
    """

    worst_se: float
    setting: str
    level: str
    robust_ratio: float


def influence(fit: ResponseFit, factor: str) -> Influence | None:
    """Return how far single levels of a factor carry the settings' within effects; None with fewer than five levels.

    Deleting level g moves the coefficients by about -C^-1 M_g'W e_g; their squares add up to the cluster-robust
    covariance (times g / (g - 1)).
    """
    if factor not in fit.reml.spans:
        return None
    labels, levels = fit.labels(factor), fit.levels(factor)
    if labels.size < 5:
        return None
    eq, d = fit.reml.equations, fit.width
    left = fit.residual * row_weights(fit)
    scores = np.zeros((eq.m.r.size, labels.size))
    for rows, D, _ in dense_passes(fit):
        one = np.zeros((D.shape[0], labels.size))
        one[np.arange(D.shape[0]), levels[rows]] = left[rows]
        scores[:d] += D.T @ one
    at = [fit.at[s] for s in fit.settings]
    moved = eq.inverse(fit.reml.solution, scores)[at]
    se = np.sqrt(np.diag(fit.reml.cov_core)[at])
    in_se = np.abs(moved) / se[:, None]
    i, g = np.unravel_index(int(in_se.argmax()), in_se.shape)
    robust = np.sqrt((moved**2).sum(axis=1) * labels.size / (labels.size - 1))
    return Influence(float(in_se.max()), fit.settings[int(i)], str(labels[g]), float((robust / se).max()))
