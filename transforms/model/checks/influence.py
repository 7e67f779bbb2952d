"""Influence of single fields and machines: one-step deletion, and cluster-robust standard errors."""

from dataclasses import dataclass

import numpy as np

from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import dense_passes, row_weights
from transforms.model.setting_terms import SettingEffect


@dataclass(frozen=True)
class Influence:
    """Influence of the levels of one factor.

    Attributes:
        worst_se: largest change of a setting's effect when one level is left out, in standard errors.
        setting: setting with that change.
        level: level with that influence.
        robust_ratio: largest ratio of cluster-robust to model standard error among the settings.
    """

    worst_se: float
    setting: str
    level: str
    robust_ratio: float


def influence(fit: ResponseFit, factor: str) -> Influence | None:
    """Return the influence of single levels of a factor on the within effects; None with fewer than five levels.

    Deleting level g moves the coefficients by about -C^-1 M_g'W e_g; their squares add up to the cluster-robust
    covariance (times g / (g - 1); Liang and Zeger 1986).

    Args:
        fit: the fit.
        factor: name of a random intercept, such as `field`; None is returned if it is not in the model.
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
        by_level = np.zeros((D.shape[0], labels.size))
        by_level[np.arange(D.shape[0]), levels[rows]] = left[rows]
        scores[:d] += D.T @ by_level
    at = [fit.index_of(SettingEffect(s)) for s in fit.settings]
    moved = eq.inverse(fit.reml.solution, scores)[at]
    se = np.sqrt(np.diag(fit.reml.cov_core)[at])
    in_se = np.abs(moved) / se[:, None]
    i, g = np.unravel_index(int(in_se.argmax()), in_se.shape)
    robust = np.sqrt((moved**2).sum(axis=1) * labels.size / (labels.size - 1))
    return Influence(float(in_se.max()), fit.settings[int(i)], str(labels[g]), float((robust / se).max()))
