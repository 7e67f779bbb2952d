"""Scale that each response is fitted on: to it, back from it, and the counts behind a response that is counted."""

import numpy as np
import polars as pl

from transforms.arrays import Array
from transforms.config.response_catalogue import RESPONSES, Response
from transforms.mixed_model.quasi_likelihood import Counts

SMALL_LOSS_T_HA = 0.05
"""Added to the root loss before its logarithm is taken, so that a loss of zero is finite."""
KG_PER_M2 = 0.1
"""One t/ha in kg per square metre."""


def ratio_scale(pct: Array) -> Array:
    """Return log(part / rest) of a part in percent of the whole."""
    fraction = np.clip(pct, 0.01, 99.0) / 100
    return np.asarray(np.log(fraction / (1 - fraction)))


def pct_from_scale(z: Array) -> Array:
    """Return a part in percent of the whole from log(part / rest)."""
    return np.asarray(100 / (1 + np.exp(-z)))


def value_from_scale(response: str, z: Array) -> Array:
    """Return values on the fitted scale in the unit of the response: percent, or t/ha of at least 0.

    Args:
        response: name of the response.
        z: values on the fitted scale, any shape.
    """
    scale = RESPONSES[response].scale
    if scale == "log_shifted":
        return np.asarray(np.maximum(np.exp(z) - SMALL_LOSS_T_HA, 0.0))
    return np.asarray(np.exp(z)) if scale == "log_count" else pct_from_scale(z)


def measured_columns(response: Response) -> list[str]:
    """Return the columns that a row needs to count as measured."""
    sizes = [response.size] if response.size is not None else []
    return [response.observed, *sizes, *(["plot_m2"] if response.scale == "log_count" else [])]


def is_measured(response: Response) -> pl.Expr:
    """Return a filter of rows with a measurement; a share of none is no measurement."""
    known = pl.all_horizontal(pl.col(c).is_not_null() for c in measured_columns(response))
    return known & (pl.col(response.size) > 0) if response.size is not None else known


def is_counted(response: str) -> bool:
    """Return True if a response is fitted as counts."""
    return RESPONSES[response].size is not None


def counts_of(rows: pl.DataFrame, response: Response) -> Counts | None:
    """Return the counts behind a response; None for one that is not counted.

    A loss in t/ha counts as the number of pieces of mean mass that make it up, with the pieces that one t/ha would be
    on the plot as exposure: its variance is then that of the pieces found.

    Args:
        rows: rows with a measurement, with the columns of `measured_columns`.
        response: the response.
    """
    if response.size is None:
        return None
    observed, size = (rows[c].cast(pl.Float64).to_numpy() for c in (response.observed, response.size))
    if response.scale == "logit_count":
        return Counts("binomial", observed, size)
    pieces = KG_PER_M2 * rows["plot_m2"].to_numpy() / size
    return Counts("poisson", observed * pieces, pieces)
