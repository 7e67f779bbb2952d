"""Effects of conditions with the settings unchanged, freed of operators' reactions to what they see.

A visit mean of a setting depends on conditions and on hidden dirt, because operators react to both. Beside it, the
coefficient of a condition is therefore biased: given the visit mean, a wetter field is one with less hidden dirt. With
g the coefficients of the visit means, b the effects within visits, and R the mean change of the visit means with the
conditions' lines,

    direct = beside visit means + R (g - b)                                                                    (5.4)

the change of z with conditions and settings as operators change them together, less what the settings themselves do.
"""

import numpy as np
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.model.condition_terms import ConditionLine, WetnessByClay
from transforms.model.design_matrix import condition_values
from transforms.model.fit_result import ResponseFit
from transforms.model.setting_terms import VisitMean, VisitMeanBy


def direct_conditions(fit: ResponseFit) -> Array:
    """Return the matrix of (5.4), shape (d, d): times the coefficients of D, those of the conditions become direct.

    Coefficients of settings and visit means stay as they are.
    """
    return fit.cached("direct conditions", lambda: _direct_conditions(fit))


def direct_coefficients(fit: ResponseFit) -> Array:
    """Return the coefficients of D with those of the conditions direct, shape (d,)."""
    return np.asarray(direct_conditions(fit) @ fit.reml.coef[: fit.width])


def _lines(fit: ResponseFit) -> tuple[list[int], Array]:
    """Return the indices of the conditions' lines in the model, and their columns, shape (n, k)."""
    values = condition_values(fit.rows, fit.frame)
    terms = [t for t in fit.frame.condition_terms if isinstance(t, ConditionLine | WetnessByClay) and fit.contains(t)]
    columns = [t.at(values)[:, 0] for t in terms]
    return [fit.index_of(t) for t in terms], np.array(columns).reshape(len(terms), fit.z.size).T


def _settings_as_run(fit: ResponseFit) -> Array:
    """Return, for each visit, means of columns that give the part of z beyond settings' effects, shape (v, d).

    Their product with the coefficients is the part of the visit means less the settings' own effects at their values.
    """
    n = np.bincount(fit.visits)
    out = np.zeros((n.size, fit.width))

    def mean(column: Array) -> Array:
        return np.asarray(np.bincount(fit.visits, weights=column) / n)

    for name in fit.settings:
        x = fit.x[:, fit.setting_column(name)]
        for at, term in fit.step_terms(name):
            out[:, at] -= mean(x * term.multiplier(fit.multipliers))
        for curve in fit.frame.curves(name):
            own, places = fit.coefficients_of(curve)
            for column, at in zip(curve.at_steps(x).T[own], places, strict=True):
                out[:, at] -= mean(column)
        for visit_mean in fit.frame.dense_terms:
            if isinstance(visit_mean, VisitMean | VisitMeanBy) and visit_mean.setting == name:
                by = fit.multipliers.by[visit_mean.modifier.label] if isinstance(visit_mean, VisitMeanBy) else 1.0
                if fit.contains(visit_mean):
                    out[:, fit.index_of(visit_mean)] += mean(x * by)
    return out


def _direct_conditions(fit: ResponseFit) -> Array:
    """Return the matrix of (5.4) by least squares over visits, within machines, each weighted by its rows."""
    out, (places, lines) = np.eye(fit.width), _lines(fit)
    if not places:
        return out
    n = np.bincount(fit.visits)
    first = np.unique(fit.visits, return_index=True)[1]
    machine = fit.machines[first] - fit.machines.min()
    by_visit = _sums(lines, fit.visits) / n[:, None]
    C, K = (_within_machines(a, machine, n) for a in (by_visit, _settings_as_run(fit)))
    root = np.sqrt(n)[:, None]
    out[places] += np.linalg.lstsq(C * root, K * root, rcond=None)[0]
    return out


def _sums(columns: Array, group: NDArray[np.int64]) -> Array:
    """Return each column's sum over groups of rows, shape (groups, k)."""
    return np.column_stack([np.bincount(group, weights=c) for c in columns.T])


def _within_machines(columns: Array, machine: NDArray[np.int64], n: NDArray[np.int64]) -> Array:
    """Return visits' values less the mean of their machine, weighted by rows, shape (v, k)."""
    means = _sums(columns * n[:, None], machine) / np.bincount(machine, weights=n)[:, None]
    return np.asarray(columns - means[machine])
