"""Fits dirt and root loss, each with its known measurement variance as weight."""

import datetime as dt
import hashlib
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.catalogue import DIRT, ROOT_LOSS, Catalogue
from transforms.model.curves import Terms
from transforms.model.design import Design, build_design
from transforms.model.reml import RemlError, RemlFit, fit_reml

Array = NDArray[np.float64]
SMALL_LOSS_T_HA = 0.05
MIN_TRACE_QUALITY = 0.4
"""Loads traced worse than this do not enter the fit; they stay in every other table."""
TERMS = {
    DIRT: Terms(
        {"topsoil_wetness": 4, "clay_pct": 3, "air_temp_c": 2, "yield_t_ha": 1, "campaign_day": 2},
        surface=True,
        by_wetness_bend=True,
    ),
    ROOT_LOSS: Terms({"topsoil_wetness": 3, "clay_pct": 2, "yield_t_ha": 1}, surface=True, by_wetness_bend=False),
}
MIN_ROWS = {DIRT: 120, ROOT_LOSS: 80}


@dataclass(frozen=True)
class ResponseFit:
    """A fitted response.

    Attributes:
        response: `dirt_tare_pct` (fitted as log of dirt over clean) or `root_loss_t_ha` (as log of loss + 0.05).
        z: the fitted scale, shape (n,).
        weights: observation weights.
        design: the columns.
        reml: the fit.
        fingerprint: sha-256 of what was fitted; the same data give the same.
    """

    response: str
    z: Array
    weights: Array
    design: Design
    reml: RemlFit
    fingerprint: str


def dirt_scale(dirt_tare_pct: Array) -> Array:
    """Return log(dirt / clean) of a dirt tare in percent of gross."""
    fraction = np.clip(dirt_tare_pct, 0.01, 99.0) / 100
    return np.asarray(np.log(fraction / (1 - fraction)))


def tare_from_scale(z: Array) -> Array:
    """Return dirt tare in percent of gross from log(dirt / clean)."""
    return np.asarray(100 / (1 + np.exp(-z)))


def usable_facts(facts: pl.DataFrame, response: str, settings: list[str]) -> pl.DataFrame:
    """Return the rows a fit may use: measured, with settings, traced well enough, with all conditions."""
    known = [n for n in settings if n in facts.columns]
    if not known:
        return facts.clear()
    conditions = [c for c in TERMS[response].curves if c != "campaign_day"]
    rows = facts.drop_nulls([response, "machine_id", "field_id", "shift_date", *conditions])
    rows = rows.filter(pl.any_horizontal(pl.col(known).is_not_null()))
    if "trace_quality" in rows.columns:
        rows = rows.filter(pl.col("trace_quality") >= MIN_TRACE_QUALITY)
    first = pl.col("shift_date").min()
    return rows.with_columns((pl.col("shift_date") - first).dt.total_days().cast(pl.Float64).alias("campaign_day"))


def _measurement_variance(rows: pl.DataFrame, response: str, lab_cv_at_25_kg: float) -> Array:
    """Variance of z that measuring alone explains: the lab's by sample mass (delta method), the audit's by counts."""
    if response == ROOT_LOSS:
        loss = rows[ROOT_LOSS].to_numpy()
        return np.asarray(rows["root_loss_log_var"].to_numpy() * (loss / (loss + SMALL_LOSS_T_HA)) ** 2)
    kg = rows["sample_kg"].fill_null(25.0).to_numpy()
    return np.asarray(lab_cv_at_25_kg**2 * 25.0 / kg)


def _data_fingerprint(rows: pl.DataFrame, design: Design) -> str:
    digest = hashlib.sha256(np.ascontiguousarray(design.X).tobytes())
    digest.update(rows.select(pl.first()).to_series().str.join("|").item().encode())
    return digest.hexdigest()


def fit_response(
    facts: pl.DataFrame, response: str, catalogue: Catalogue, lab_cv_at_25_kg: float
) -> ResponseFit | None:
    """Fit one response; None where there are too few rows or nothing was varied.

    The weights are w = s2 / (s2 + v) with v the known measurement variance and s2 the rest, found in a few turns.
    """
    candidates = [n for n, s in catalogue.items() if response in s.responses and s.nature == "numeric"]
    rows = usable_facts(facts, response, candidates)
    if rows.height < MIN_ROWS[response]:
        return None
    design = build_design(rows, candidates, catalogue, TERMS[response])
    if not design.settings:
        return None
    values = rows[response].to_numpy()
    z = dirt_scale(values) if response == DIRT else np.log(values + SMALL_LOSS_T_HA)
    known = _measurement_variance(rows, response, lab_cv_at_25_kg)
    rest = 0.5 * float(np.mean(known)) + 1e-6
    try:
        for _ in range(6):
            weights = rest / (rest + known)
            reml = fit_reml(z, design.X, design.blocks, design.factors, weights)
            settled = abs(reml.residual / rest - 1) < 0.02
            rest = max(reml.residual, 0.02 * float(np.mean(known)))
            if settled:
                break
    except RemlError:
        return None
    return ResponseFit(response, z, weights, design, reml, _data_fingerprint(rows, design))


def setting_reliability(fit: ResponseFit) -> pl.DataFrame:
    """Return `response, setting, reliability, n`: the mean part of each setting's departures that is believed."""
    rows = [
        (fit.response, s, r, int(fit.design.has[:, j].sum())) for j, (s, r) in enumerate(fit.design.reliability.items())
    ]
    return pl.DataFrame(rows, schema=["response", "setting", "reliability", "n"], orient="row")


def fit_summary(fit: ResponseFit) -> pl.DataFrame:
    """Return the `fit_run` row of a fit."""
    sd = {f"{name}_sd": float(np.sqrt(fit.reml.variances[name])) for name in ("field", "machine", "machine_day")}
    return pl.DataFrame(
        {
            "response": [fit.response],
            "fitted_at": [dt.datetime.now(dt.UTC)],
            "data_fingerprint": [fit.fingerprint],
            "n": [fit.z.size],
            "reml_deviance": [fit.reml.deviance],
            "iterations": [fit.reml.iterations],
            "converged": [fit.reml.converged],
            "residual_sd": [float(np.sqrt(fit.reml.residual))],
            **{k: [v] for k, v in sd.items()},
        }
    ).with_columns(pl.col("fitted_at").dt.cast_time_unit("us"))
