"""Tests of interactions: change of the settings' effects with conditions, soil, their own value and machine."""

import numpy as np
import polars as pl
from scipy.stats import chi2

from transforms.contracts.reason import reason
from transforms.contracts.result_tables import schema_of
from transforms.mixed_model.contrasts import contrast
from transforms.mixed_model.reml import deviance_without
from transforms.model.effects import classes_of
from transforms.model.fit_result import ResponseFit

GAIN_SCHEMA = schema_of("interaction_gain")


def block_gains(fit: ResponseFit) -> dict[str, float]:
    """Return the rise of -2 log-likelihood if the variance of a block or slope is set to zero, the others fixed."""
    names = [k for k in fit.reml.spans if k.startswith(("settings by ", "bend of ", "machine slope of "))]
    return {k: max(deviance_without(fit.reml, k) - fit.reml.deviance, 0.0) for k in names}


def _row(fit: ResponseFit, setting: str, by: str, gain: float) -> dict[str, object]:
    """Return one row of `interaction_gain`."""
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
    label = f"{setting} by {by}"
    if label in fit.at:
        weights = np.zeros(fit.width)
        weights[fit.at[label]] = float(np.std(fit.modifiers[by]))
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
        rows += [
            _row(fit, setting, by, gains.get(f"settings by {by.rstrip(' 0123456789')}", 0.0)) for by in fit.modifiers
        ]
        if fit.frame.terms.by_soil and classes_of(fit.rows)["soil_class"].n_unique() > 1:
            rows.append(_row(fit, setting, "soil class", gains.get("settings by soil", 0.0)))
        if f"bend of {setting}" in gains:
            rows.append(_row(fit, setting, "its own value", gains[f"bend of {setting}"]))
        if f"machine slope of {setting}" in gains:
            rows.append(_row(fit, setting, "machine", gains[f"machine slope of {setting}"]))
    return pl.DataFrame(rows, schema=GAIN_SCHEMA)
