"""Level expected under the conditions of each visit, with usual settings, against the true one."""

import numpy as np
import polars as pl

from tests.validation.fit_seasons import MECHANICS, USUAL
from transforms.arrays import Array, to_float
from transforms.config.response_catalogue import DIRT
from transforms.contracts.classes import classes_at
from transforms.demo.mechanics import Ground, root_loss_t_ha
from transforms.model.direct_conditions import direct_conditions
from transforms.model.fit_result import ResponseFit
from transforms.model.prediction import PredictionPoint, condition_levels, expected_scale


def levels(fit: ResponseFit, mechanic: str, visits: pl.DataFrame) -> tuple[Array, Array, Array]:
    """Return the true level of each visit, the level expected, and that beside the visit means of settings."""
    columns = {"topsoil_wetness": "wet", "clay_pct": "clay", "air_temp_c": "temp", "yield_t_ha": "crop"}
    conditions = {n: visits[c].to_numpy() for n, c in columns.items()}
    conditions["campaign_day"] = visits["day"].to_numpy() + 1.0
    usual = {n: to_float(fit.rows[n].median()) for n in USUAL}
    crop, n = conditions["yield_t_ha"], visits.height
    ground = Ground(
        conditions["topsoil_wetness"], conditions["clay_pct"] / 100, crop, np.clip(crop / 95, 0.4, 1.2), np.zeros(n)
    )
    law = MECHANICS[mechanic] if fit.response == DIRT else root_loss_t_ha
    truth = np.log(law({name: np.full(n, v) for name, v in usual.items()}, ground))
    expected = np.empty(n)
    for i in range(n):
        at = {name: float(v[i]) for name, v in conditions.items()}
        place = PredictionPoint(at, classes_at(at["topsoil_wetness"], at["clay_pct"])[1], "")
        expected[i] = expected_scale(fit, place, "", usual)
    direct, used = condition_levels(fit, conditions), direct_conditions(fit)
    fit.memo["direct conditions"] = np.eye(fit.width)
    beside = expected - direct + condition_levels(fit, conditions)
    fit.memo["direct conditions"] = used
    return truth, expected, beside


def slope(level: Array, truth: Array) -> float:
    """Return the slope of a level on the true one."""
    return float(np.cov(level, truth)[0, 1] / truth.var(ddof=1))
