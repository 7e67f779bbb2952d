"""Influence of single fields and machines by one-step deletion, and errors clustered by machine and by day."""

from dataclasses import dataclass

import numpy as np

from transforms.model.cluster_robust import two_way_errors
from transforms.model.fit_result import ResponseFit
from transforms.model.fit_rows import dense_passes, row_weights
from transforms.model.setting_terms import SettingEffect
from transforms.model.visits import levels_of


@dataclass(frozen=True)
class Influence:
    """Influence of the levels of one factor.

    Attributes:
        worst_se: largest change of a setting's effect when one level is left out, in standard errors.
        setting: setting with that change.
        level: level with that influence.
    """

    worst_se: float
    setting: str
    level: str


def influence(fit: ResponseFit, factor: str) -> Influence | None:
    """Return the influence of single levels of a factor on the within effects; None with fewer than five levels.

    Deleting level g moves the coefficients by about -C^-1 M_g'W e_g.

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
    return Influence(float(in_se.max()), fit.settings[int(i)], str(labels[g]))


def robust_ratio(fit: ResponseFit) -> float:
    """Return the largest ratio among the settings of errors clustered by machine and by day to those of the model.

    Machines share what their crews do all season, and days what the weather does to all machines.
    """
    at = [fit.index_of(SettingEffect(s)) for s in fit.settings]
    L = np.zeros((len(at), fit.reml.coef.size))
    L[np.arange(len(at)), at] = 1.0
    machine, day = (levels_of(fit.rows, (name,))[0] for name in ("machine_id", "shift_date"))
    return float((two_way_errors(fit, L, machine, day) / np.sqrt(np.diag(fit.reml.cov_core)[at])).max())
