"""Terms of the fitted responses' models, and the random intercepts that all of them may have."""

from transforms.config.response_catalogue import RESPONSES
from transforms.model.design_matrix import ModelTerms

MIN_TRACE_QUALITY = 0.4
"""Loads with a lower trace quality are excluded from the fit; all other tables include them."""
TERMS = {
    r.name: ModelTerms(r.conditions, r.plainly_by, r.shrunk_by, r.surface, r.by_soil, r.slopes, r.shared_bend)
    for r in RESPONSES.values()
}
"""Response -> terms of its model."""
FACTORS = {
    "field": ("field_id",),
    "machine": ("machine_id",),
    "operator": ("operator_id",),
    "machine_day": ("machine_id", "shift_date"),
    "site_day": ("site_id", "shift_date"),
    "season": ("season_start",),
}
"""Random intercept -> columns of the facts that identify a level."""
