"""Result tables of the setting guide."""

from dataclasses import dataclass

import polars as pl

from transforms.contracts.reason import REASON_COLUMNS

GUIDE_SCHEMA = {
    "generation": pl.String,
    "wetness_class": pl.String,
    "soil_class": pl.String,
    "setting": pl.String,
    "unit": pl.String,
    "start_value": pl.Float64,
    "range_lo": pl.Float64,
    "range_hi": pl.Float64,
    "tried_lo": pl.Float64,
    "tried_hi": pl.Float64,
    "usual_value": pl.Float64,
    "n": pl.Int64,
    **REASON_COLUMNS,
}
GUIDE_CLASS_SCHEMA = {
    "generation": pl.String,
    "wetness_class": pl.String,
    "soil_class": pl.String,
    "n": pl.Int64,
    "dirt_pct": pl.Float64,
    "dirt_lo95": pl.Float64,
    "dirt_hi95": pl.Float64,
    "root_loss_t_ha": pl.Float64,
    "root_loss_lo95": pl.Float64,
    "root_loss_hi95": pl.Float64,
    "cost_per_t": pl.Float64,
    "cost_lo95": pl.Float64,
    "cost_hi95": pl.Float64,
    "saved_per_t": pl.Float64,
    "saved_lo95": pl.Float64,
    "saved_hi95": pl.Float64,
    **REASON_COLUMNS,
}
GUIDE_CURVE_SCHEMA = {
    "generation": pl.String,
    "wetness_class": pl.String,
    "soil_class": pl.String,
    "setting": pl.String,
    "value": pl.Float64,
    "cost_change_per_t": pl.Float64,
    "lo95": pl.Float64,
    "hi95": pl.Float64,
}


@dataclass(frozen=True)
class Guide:
    """Tables `guide`, `guide_class`, `guide_curve` and `guide_worth`."""

    settings: pl.DataFrame
    classes: pl.DataFrame
    curves: pl.DataFrame
    worth: pl.DataFrame
