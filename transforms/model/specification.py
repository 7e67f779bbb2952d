"""Specification of the fitted responses: model terms, minimum number of rows, random intercepts."""

from transforms.config.settings_catalogue import DIRT, ROOT_LOSS, TOPS
from transforms.model.design_matrix import ModelTerms

SMALL_LOSS_T_HA = 0.05
"""Added to the root loss before its logarithm is taken, so that a loss of zero is finite."""
MIN_TRACE_QUALITY = 0.4
"""Loads with a lower trace quality are excluded from the fit; all other tables include them."""
TERMS = {
    DIRT: ModelTerms(
        ("topsoil_wetness", "clay_pct", "air_temp_c", "yield_t_ha", "campaign_day"),
        plainly_by=("wetness", "wetness squared", "clay"),
        shrunk_by=("wetness bend", "wetness x clay", "temperature", "yield"),
        surface=True,
        by_soil=True,
        slopes=True,
    ),
    ROOT_LOSS: ModelTerms(
        ("topsoil_wetness", "clay_pct", "yield_t_ha"),
        plainly_by=(),
        shrunk_by=("wetness", "clay"),
        surface=True,
        by_soil=False,
        slopes=False,
    ),
    TOPS: ModelTerms(
        ("topsoil_wetness", "yield_t_ha", "campaign_day"),
        plainly_by=(),
        shrunk_by=("wetness", "yield"),
        surface=False,
        by_soil=False,
        slopes=False,
    ),
}
"""Response -> terms of its model."""
MIN_ROWS = {DIRT: 120, ROOT_LOSS: 80, TOPS: 120}
"""Response -> minimum number of rows of a fit."""
FACTORS = {
    "field": ("field_id",),
    "machine": ("machine_id",),
    "operator": ("operator_id",),
    "machine_day": ("machine_id", "shift_date"),
    "site_day": ("site_id", "shift_date"),
    "season": ("season_start",),
}
"""Random intercept -> columns of the facts that identify a level."""
