"""Warm start of the nightly fit from the variances of the settled weeks.

The initial variances must not depend on earlier fits, or the order in which data arrive would show in the last digits.
They depend on the data alone: they are the variances of a cold fit to the weeks whose loads are no longer traced again.
That fit is cached under the fingerprint of its rows, so it is repeated once a week, or when an old week changes.
"""

import datetime as dt
import hashlib
from pathlib import Path

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.mixed_model import (
    equations,
    initial_variances,
    likelihood,
    quasi_likelihood,
    reml,
    secant,
    variance_search,
)
from transforms.mixed_model.reml import WarmStart
from transforms.model import column_selection, estimate, plain_fit, specification, weighted_fit
from transforms.model import facts as facts_module
from transforms.model.estimate import fit_response, variances_of
from transforms.model.facts import measured_rows
from transforms.model.fit_result import ResponseFit
from transforms.model.previous_season import Prior
from transforms.model.season_products import ProductStore, fingerprint

FINGERPRINTED_MODULES = (
    column_selection,
    equations,
    estimate,
    facts_module,
    initial_variances,
    likelihood,
    plain_fit,
    quasi_likelihood,
    reml,
    secant,
    specification,
    variance_search,
    weighted_fit,
)
"""Modules that determine the variances: a warm start found by another version of their code is computed again."""
SETTLES_AFTER = dt.timedelta(days=14)
"""Time after its week in which a load may be traced again: clocks are learnt from the next week, fields take days."""


def _key(loads: pl.DataFrame, response: str, catalogue: Catalogue, lab_cv_at_25_kg: float) -> str | None:
    """Return the cache key of the warm start from `loads`; None if they are too few to fit."""
    measured = measured_rows(loads, response, catalogue, lab_cv_at_25_kg)
    if measured is None:
        return None
    digest = hashlib.sha256(fingerprint(*measured[:4]).encode())
    for module in FINGERPRINTED_MODULES:
        digest.update(Path(str(module.__file__)).read_bytes())
    return digest.hexdigest()


def estimate_settled_variances(
    facts: pl.DataFrame, response: str, catalogue: Catalogue, lab_cv_at_25_kg: float, store: ProductStore | None
) -> WarmStart | None:
    """Return the variances of the weeks that ended at least two weeks before the last one; None if too few rows.

    Args:
        facts: one row per load or audit, with ids, conditions, settings and the response.
        response: column of the response.
        catalogue: the settings catalogue.
        lab_cv_at_25_kg: coefficient of variation of the laboratory's dirt tare for a sample of 25 kg, as a fraction.
        store: cache of weekly cross-products and warm starts; None to compute all.

    Returns:
        (variance of each block and factor, residual variance), in squared units of z; None also if no fit is possible.
    """
    if not facts.height:
        return None
    before = facts.filter(pl.col("shift_date") < (pl.col("shift_date").max() - SETTLES_AFTER).dt.truncate("1w"))
    key = _key(before, response, catalogue, lab_cv_at_25_kg)
    if key is None:
        return None
    cached = store.start(key) if store is not None else None
    if cached is not None:
        return cached
    start = variances_of(before, response, catalogue, lab_cv_at_25_kg, store)
    if start is not None and store is not None:
        store.store_start(key, start)
    return start


def fit_from_warm_start(
    facts: pl.DataFrame,
    response: str,
    catalogue: Catalogue,
    lab_cv_at_25_kg: float,
    store: ProductStore | None = None,
    prior: Prior | None = None,
) -> ResponseFit | None:
    """Fit one response with a warm start from the settled weeks.

    Args:
        facts: one row per load or audit, with ids, conditions, settings and the response.
        response: column of the response.
        catalogue: the settings catalogue.
        lab_cv_at_25_kg: coefficient of variation of the laboratory's dirt tare for a sample of 25 kg, as a fraction.
        store: cache of weekly cross-products and warm starts; None to compute all.
        prior: last season's effects; not used for settings for which this season contradicts them.

    Returns:
        The fit; None if there are too few rows or no setting varies within visits, as in `fit_response`.
    """
    start = estimate_settled_variances(facts, response, catalogue, lab_cv_at_25_kg, store)
    return fit_response(facts, response, catalogue, lab_cv_at_25_kg, store, start, prior)
