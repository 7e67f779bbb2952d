"""Tests of interactions: change of the settings' effects with conditions, soil, their own value and machine."""

import numpy as np
import polars as pl
from scipy.stats import chi2

from transforms.contracts.reason import reason
from transforms.contracts.result_tables import schema_of
from transforms.mixed_model.contrasts import contrast
from transforms.mixed_model.reml import deviance_without
from transforms.model.effects import classes_of
from transforms.model.factor_terms import MachineSlope
from transforms.model.fit_result import ResponseFit
from transforms.model.setting_terms import SettingBy, SettingOnSoil

GAIN_SCHEMA = schema_of("interaction_gain")


def block_gains(fit: ResponseFit) -> dict[str, float]:
    """Return the rise of -2 log-likelihood if the variance of a block or slope is set to zero, the others fixed."""
    within = [t.block for t in fit.frame.shrunk_terms if t.kind == "within"]
    names = dict.fromkeys([*within, *(slope.name for slope in fit.frame.slopes)])
    return {k: max(deviance_without(fit.reml, k) - fit.reml.deviance, 0.0) for k in names if k in fit.reml.spans}


def _row(fit: ResponseFit, setting: str, by: str, gain: float, term: SettingBy | None = None) -> dict[str, object]:
    """Return one row of `interaction_gain`, with the coefficient of a term if there is one."""
    is_small = gain < chi2.ppf(0.9, 1)
    # The p value is halved because the variance is tested at its boundary (Self and Liang 1987).
    row: dict[str, object] = {
        "response": fit.response,
        "setting": setting,
        "changes_with": by,
        "block_gain": gain,
        "block_p_value": float(chi2.sf(gain, 1)) / 2 if gain > 0 else 1.0,
        **reason("no_interaction" if is_small else "interaction").columns,
    }
    if term is not None and fit.contains(term):
        weights = np.zeros(fit.width)
        weights[fit.index_of(term)] = float(np.std(term.multiplier(fit.multipliers)))
        found = contrast(fit.reml, weights)
        low, high = found.interval()
        row |= {"shift_pct": 100 * found.estimate, "lo95": 100 * low, "hi95": 100 * high}
    return row


def interaction_gains(fit: ResponseFit) -> pl.DataFrame:
    """Return `interaction_gain` rows: per setting and condition, and per setting for soil class, bend and machines.

    `shift_pct` is the change of a step's effect, in percentage points, per standard deviation of the condition.
    `block_gain` is the rise of -2 log-likelihood without the whole block.
    """
    gains = block_gains(fit)
    rows = []
    for setting in fit.settings:
        terms = fit.frame.step_terms(setting)
        by_modifier = [t for t in terms if isinstance(t, SettingBy)]
        rows += [_row(fit, setting, t.modifier.label, gains.get(t.block, 0.0), t) for t in by_modifier]
        soils = [t.block for t in terms if isinstance(t, SettingOnSoil)]
        if soils and classes_of(fit.rows)["soil_class"].n_unique() > 1:
            rows.append(_row(fit, setting, "soil class", gains.get(soils[0], 0.0)))
        curve, slope = fit.frame.curve(setting), MachineSlope(setting)
        if curve is not None and curve.block in gains:
            rows.append(_row(fit, setting, "its own value", gains[curve.block]))
        if slope.name in gains:
            rows.append(_row(fit, setting, "machine", gains[slope.name]))
    return pl.DataFrame(rows, schema=GAIN_SCHEMA)
