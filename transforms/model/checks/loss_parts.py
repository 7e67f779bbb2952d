"""Check of the fits of root loss: do the loss of tips and that of whole roots add up to the total in every class?

The three are fitted independently, on different scales and partly from different audits, because some audits state the
total alone (decision 0031). Nothing therefore makes them add up but the data.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import polars as pl

from transforms.arrays import Array, to_float
from transforms.config.response_catalogue import LOSS_PARTS, ROOT_LOSS
from transforms.contracts.classes import SOIL_CLASSES, WETNESS_CLASSES
from transforms.contracts.reason import reason
from transforms.mixed_model.contrasts import contrast
from transforms.model.cluster_mean import cluster_mean
from transforms.model.effects import classes_of
from transforms.model.fit_result import ResponseFit
from transforms.model.prediction import condition_levels, condition_weights
from transforms.model.response_scale import SMALL_LOSS_T_HA

MIN_AUDITS = 15
"""Minimum number of audits of a class in each of the three fits (common practice, no source)."""
MAX_PARTS_Z = 3.0
"""Maximum standard score of the difference: over nine classes, exceeded in 2.4 % of seasons by chance."""


@dataclass(frozen=True)
class LossBalance:
    """Total root loss and the sum of its parts in one class, t/ha.

    Attributes:
        wetness_class: wetness class.
        soil_class: soil class.
        total_t_ha: level of the total.
        parts_t_ha: sum of the levels of the parts.
        z: difference of their logarithms in its standard errors, those of the fits taken as independent.
    """

    wetness_class: str
    soil_class: str
    total_t_ha: float
    parts_t_ha: float
    z: float


class _Level(NamedTuple):
    """Level of a loss and its standard error, t/ha."""

    t_ha: float
    se: float


def _level(fit: ResponseFit, at: Mapping[str, float], seen: Mapping[str, Array]) -> _Level:
    """Return the mean loss under some conditions.

    The mean of the observed losses sets the level, so that the three scales are comparable; the conditions' direct
    effects move it. Its error is that of the conditions, and of the mean of the observed losses by visits.
    """
    shift = SMALL_LOSS_T_HA if fit.response == ROOT_LOSS else 0.0
    observed = cluster_mean(fit.rows, fit.response)
    mean = (observed.mean or 0.0) + shift
    error_of_mean = np.inf if observed.half is None or mean <= 0 else observed.half / 1.96 / mean
    moved = contrast(fit.reml, condition_weights(fit, at))
    whole = mean * float(np.exp(moved.estimate) / np.exp(condition_levels(fit, seen)).mean())
    return _Level(whole - shift, whole * float(np.hypot(moved.se, error_of_mean)))


def loss_balances(fits: Mapping[str, ResponseFit]) -> list[LossBalance]:
    """Return the balance of every class with enough audits, by wetness and soil class.

    Conditions are the medians of the class over the audits of the total.

    Args:
        fits: response -> its fit; without the total or one of its parts there are no balances.
    """
    if not {ROOT_LOSS, *LOSS_PARTS} <= set(fits):
        return []
    used = [fits[r] for r in (ROOT_LOSS, *LOSS_PARTS)]
    seen = [{n: f.rows[n].cast(pl.Float64).to_numpy() for n in f.frame.terms.conditions} for f in used]
    cells = [classes_of(f.rows) for f in used]
    names = list(dict.fromkeys(n for f in used for n in f.frame.terms.conditions))
    out = []
    for wet in WETNESS_CLASSES:
        for soil in SOIL_CLASSES:
            inside = [((c["wetness_class"] == wet) & (c["soil_class"] == soil)).fill_null(value=False) for c in cells]
            if min(int(i.sum()) for i in inside) < MIN_AUDITS:
                continue
            rows = used[0].rows.filter(inside[0])
            at = {n: to_float(rows[n].cast(pl.Float64).median()) for n in names}
            total, *parts = (_level(f, at, s) for f, s in zip(used, seen, strict=True))
            whole = sum(p.t_ha for p in parts)
            error = np.hypot(total.se / total.t_ha, np.sqrt(sum(p.se**2 for p in parts)) / whole)
            z = (np.log(total.t_ha) - np.log(whole)) / error
            out.append(LossBalance(wet, soil, total.t_ha, whole, float(z)))
    return out


def loss_parts_check(fits: Mapping[str, ResponseFit]) -> list[dict[str, object]]:
    """Return the row of the check; none unless the total and both of its parts are fitted.

    Args:
        fits: response -> its fit.
    """
    if not {ROOT_LOSS, *LOSS_PARTS} <= set(fits):
        return []
    row: dict[str, object] = {"check": "loss_parts", "bound": MAX_PARTS_Z}
    found = loss_balances(fits)
    if not found:
        return [{**row, "value": None, "passed": None, **reason("few_audits_in_classes").columns}]
    worst = max(found, key=lambda b: abs(b.z))
    passed = abs(worst.z) <= MAX_PARTS_Z
    about = {"total_t_ha": worst.total_t_ha, "parts_t_ha": worst.parts_t_ha, "z": worst.z}
    why = reason(
        "loss_parts_agree" if passed else "loss_parts_disagree",
        wetness_class=worst.wetness_class,
        soil_class=worst.soil_class,
        **about,
    )
    return [{**row, "value": abs(worst.z), "passed": passed, **why.columns}]
