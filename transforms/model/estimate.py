"""Estimation of the responses, each row weighted by its known measurement variance."""

import hashlib
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from transforms.arrays import Array
from transforms.config.settings_catalogue import Catalogue
from transforms.mixed_model.huber import HUBER, Tails, pseudo_values, tails_of
from transforms.mixed_model.reml import RemlError, WarmStart
from transforms.mixed_model.secant import SETTLED, SecantIteration
from transforms.model.design_matrix import DesignSpec, multipliers_of, setting_reliability, setting_steps
from transforms.model.facts import row_key
from transforms.model.fit_result import ResponseFit
from transforms.model.plain_fit import PlainFit, fit_plain
from transforms.model.previous_season import Agreement, Prior, restrict_prior, season_agreement
from transforms.model.response_scale import is_counted
from transforms.model.season_products import ProductStore
from transforms.model.sensor_noise import without_noise
from transforms.model.visits import visit_means, visits_of
from transforms.model.weekly_products import Week, with_values
from transforms.model.weighted_fit import ROUGHLY, SETTLES, WeightedFit, WeightedModel


@dataclass(frozen=True)
class RobustFit:
    """Fit with heavy tails treated, its fitted values, the pseudo-values used and the tails."""

    found: WeightedFit
    fitted: Array
    pseudo: Array
    tails: Tails


def variances_of(
    facts: pl.DataFrame, response: str, catalogue: Catalogue, lab_cv_at_25_kg: float, store: ProductStore | None = None
) -> WarmStart | None:
    """Return the variances of a plain fit of a response, as a warm start of another.

    The plain fit starts cold, without last season's effects and without treatment of heavy tails.

    Args:
        facts: one row per load or audit, with ids, conditions, settings and the response.
        response: column of the response.
        catalogue: the settings catalogue.
        lab_cv_at_25_kg: coefficient of variation of the laboratory's dirt tare for a sample of 25 kg, as a fraction.
        store: cache of weekly cross-products; None to sum all weeks.

    Returns:
        (variance of each block and factor, residual variance), in squared units of z; None if the response cannot be
        fitted.
    """
    plain = fit_plain(facts, response, catalogue, lab_cv_at_25_kg, store, None)
    return (plain.found.reml.variances, plain.found.reml.residual) if plain is not None else None


def fit_response(
    facts: pl.DataFrame,
    response: str,
    catalogue: Catalogue,
    lab_cv_at_25_kg: float,
    store: ProductStore | None = None,
    start: WarmStart | None = None,
    prior: Prior | None = None,
) -> ResponseFit | None:
    """Fit one response; return None if there are too few rows or no setting varies within visits.

    Args:
        facts: one row per load or audit, with ids, conditions, settings and the response.
        response: column of the response.
        catalogue: the settings catalogue.
        lab_cv_at_25_kg: coefficient of variation of the laboratory's dirt tare for a sample of 25 kg, as a fraction.
        store: cache of weekly cross-products; unchanged weeks are not summed again.
        start: initial variances, (variance of each block and factor, residual variance); None for a cold start.
        prior: last season's effects; not used for settings for which this season contradicts them.

    Returns:
        The fit; None also if the equations cannot be solved.
    """

    def fit(sensors: tuple[float, ...], begin: WarmStart | None) -> ResponseFit | None:
        plain = fit_plain(facts, response, catalogue, lab_cv_at_25_kg, store, begin, sensors)
        return None if plain is None else _complete(plain, response, prior)

    found = fit((), start)
    corrected = without_noise(found) if found is not None and not is_counted(response) else None
    if found is None or corrected is None:
        return found
    return fit(corrected.sensors, (found.reml.variances, found.reml.residual))


def _complete(plain: PlainFit, response: str, prior: Prior | None) -> ResponseFit | None:
    """Return the result of a plain fit, with last season's effects and heavy tails treated; None if that fails."""
    try:
        model, found, agrees = _with_last_season(plain.model, plain.by_class, plain.found, prior)
        robust = _fit_robust(model, plain.by_class, found, plain.z, plain.known, is_counted=is_counted(response))
    except RemlError:
        return None
    return response_fit(plain, model, response, robust, agrees)


def _with_last_season(
    model: WeightedModel, by_class: Week, found: WeightedFit, prior: Prior | None
) -> tuple[WeightedModel, WeightedFit, Agreement | None]:
    """Fit again with last season's effects, setting by setting as far as this season does not contradict them."""
    agrees, reml = agreement_of(model, found, prior), found.reml
    if agrees is None or not agrees.prior.precision.any():
        return model, found, agrees
    model = replace(model, prior=agrees.prior)
    return model, model.fit(by_class, found.s2, (reml.variances, reml.residual)), agrees


def agreement_of(model: WeightedModel, found: WeightedFit, prior: Prior | None) -> Agreement | None:
    """Return the agreement of a fit with last season's effects; None without any that it could use.

    Args:
        model: the weighted model.
        found: its fit.
        prior: last season's effects; None without a last season.
    """
    at = {n: i for i, n in enumerate(found.kept)}
    known = restrict_prior(prior, at) if prior is not None else None
    return None if known is None else season_agreement(found.reml, at, known, model.frame.fixed_terms)


def _fit_robust(
    model: WeightedModel, by_class: Week, found: WeightedFit, z: Array, known: Array, *, is_counted: bool
) -> RobustFit:
    """If tails are heavy, fit again to pseudo-values until effects and variance converge (Huber 1981, section 7.8).

    Counts are skewed by nature; large ones already have little weight, because overdispersion widens their variance.
    """
    plain, fitted, pseudo = found.reml, model.fitted(found.reml), z
    tails = tails_of(z, fitted, found.reml.residual + known)
    if not tails.is_heavy or is_counted:
        return RobustFit(found, fitted, z, tails)
    rest, iteration, se = max(plain.residual, model.floor), SecantIteration(model.floor), plain.errors
    for _ in range(HUBER.max_iterations):
        before, pseudo = found.reml, pseudo_values(z, fitted, rest + known)
        pseudo_products = with_values(by_class, model.batches, pseudo, model.classes)
        found = model.fit_with_weights(pseudo_products, rest, (found.reml.variances, found.reml.residual), ROUGHLY)
        fitted = model.fitted(found.reml)
        iteration.iterations.append((rest, found.reml.residual))
        moved = float(np.max(np.abs(found.reml.beta - before.beta) / se))
        if iteration.settled and abs(found.reml.residual / before.residual - 1) < SETTLED and moved < HUBER.settled_se:
            break
        rest = iteration.next()
    start = (found.reml.variances, found.reml.residual)
    found = model.fit_with_weights(pseudo_products, found.s2, start, SETTLES)
    moved = float(np.max(np.abs(found.reml.beta - plain.beta) / se))
    return RobustFit(found, model.fitted(found.reml), pseudo, replace(tails, is_huberised=True, largest_move_se=moved))


def response_fit(
    plain: PlainFit, model: WeightedModel, response: str, robust: RobustFit, agrees: Agreement | None
) -> ResponseFit:
    """Return the result of the fit, with the settings corrected for measurement error.

    Args:
        plain: the fit on measured values, before outlying loads are limited.
        model: the weighted model.
        response: name of the response.
        robust: the fit with limited influence of outlying loads.
        agrees: agreement with last season's effects, if they were compared.
    """
    rows, frame, found = model.rows, model.frame, robust.found
    visit = visits_of(rows)
    x, observed = setting_steps(rows, frame, visit)
    means = visit_means(x, visit)
    reliable = setting_reliability(rows, frame)
    counts = np.maximum(observed.sum(axis=0), 1)
    return ResponseFit(
        response=response,
        rows=rows,
        z=plain.z,
        pseudo=robust.pseudo,
        known=plain.known,
        frame=frame,
        at={n: i for i, n in enumerate(found.kept)},
        reml=found.reml,
        s2=found.s2,
        fitted=robust.fitted,
        x=means + reliable * (x - means),
        observed=observed,
        multipliers=multipliers_of(rows, frame),
        reliability=(reliable * observed).sum(axis=0) / counts,
        within_sd=plain.within_sd,
        tails=robust.tails,
        left_out=plain.left_out,
        last_season=agrees,
        fingerprint=_fingerprint(rows, frame, plain.z),
    )


def _fingerprint(rows: pl.DataFrame, frame: DesignSpec, z: Array) -> str:
    """Return the SHA-256 of the response, settings, conditions and keys fitted."""
    digest = hashlib.sha256(np.ascontiguousarray(z).tobytes())
    names = sorted({*(s.name for s in frame.settings), *(n for n in frame.terms.conditions)})
    for name in names:
        digest.update(np.ascontiguousarray(rows[name].cast(pl.Float64).to_numpy()).tobytes())
    digest.update("|".join(rows[row_key(rows)].cast(pl.String)).encode())
    return digest.hexdigest()
