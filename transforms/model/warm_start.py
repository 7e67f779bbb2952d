"""The fit after one more shift: it starts where the settled weeks ended, so the same data give the same bits.

Where a fit starts from must not depend on which fits were made before, or the order of arrival would show in the last
digits. So it depends on the data alone: the variances found by a fit, made from nothing, to the weeks whose loads are
traced for good. That fit is kept under the fingerprint of its rows and is made anew once a week, or when an old week
changes.
"""

import datetime as dt
import hashlib
from pathlib import Path

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.mixed_model import equations, reml
from transforms.mixed_model import secant as fixed_point
from transforms.mixed_model.reml import WarmStart
from transforms.model import fit
from transforms.model.fit import ResponseFit, fit_response, measured_rows, variances_of
from transforms.model.previous_season import Prior
from transforms.model.row_batches import ProductCache, fingerprint

FOUND_BY = (equations, fit, fixed_point, reml)
"""Modules that decide which variances are found: a start found by other code than theirs is found again."""
SETTLES_AFTER = dt.timedelta(days=14)
"""So long after its week a load may be traced anew: clocks are learnt from a week to come, and a field takes days."""


def _key(facts: pl.DataFrame, response: str, catalogue: Catalogue, lab_cv_at_25_kg: float) -> str | None:
    measured = measured_rows(facts, response, catalogue, lab_cv_at_25_kg)
    if measured is None:
        return None
    digest = hashlib.sha256(fingerprint(*measured).encode())
    for module in FOUND_BY:
        digest.update(Path(str(module.__file__)).read_bytes())
    return digest.hexdigest()


def settled_weeks(
    facts: pl.DataFrame, response: str, catalogue: Catalogue, lab_cv_at_25_kg: float, store: ProductCache | None
) -> WarmStart | None:
    """Return the variances of the weeks that ended two weeks before this one; None where those are too few to fit."""
    if not facts.height:
        return None
    before = facts.filter(pl.col("shift_date") < (pl.col("shift_date").max() - SETTLES_AFTER).dt.truncate("1w"))
    key = _key(before, response, catalogue, lab_cv_at_25_kg)
    if key is None:
        return None
    held = store.start(key) if store is not None else None
    if held is not None:
        return held
    start = variances_of(before, response, catalogue, lab_cv_at_25_kg, store)
    if start is not None and store is not None:
        store.keep_start(key, start)
    return start


def refit(
    facts: pl.DataFrame,
    response: str,
    catalogue: Catalogue,
    lab_cv_at_25_kg: float,
    store: ProductCache | None = None,
    prior: Prior | None = None,
) -> ResponseFit | None:
    """Fit one response as `fit_response` does, from where the settled weeks ended; arguments as there."""
    start = settled_weeks(facts, response, catalogue, lab_cv_at_25_kg, store)
    return fit_response(facts, response, catalogue, lab_cv_at_25_kg, store, start, prior)
