"""Last season's effects of the settings as a robust mixture prior, setting by setting.

All fixed coefficients of one setting, its effect and the changes of the effect with conditions, are one block. Last
season's estimates m with covariance V_last are the informative part of the block's mixture (32):

    V = V_last + T,   S = diag(s_k^2),   T = (SEASONS_DIFFER)^2 S                                               (10)

where s_k is the spread of last season's coefficients of kind k (the effects, or their changes with one condition) over
the settings, within bounds. This season is fitted alone first. The weight of each setting then states how much of last
season is used for it. The share of settings that agree is estimated from all of them (EM) and shrunk towards a half, so
that a season in which most settings disagree makes the others doubtful.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.contracts.result_tables import schema_of
from transforms.mixed_model.contrasts import covariance
from transforms.mixed_model.mixture_prior import MixturePrior, NormalPrior, gained_precision, posterior_weight
from transforms.mixed_model.reml import RemlFit
from transforms.model.setting_terms import SettingBy, SettingEffect, SharedBend
from transforms.model.term import Term

SEASONS_DIFFER = 0.25
"""Deviation of an effect between seasons that agree, relative to the spread of effects (assumption)."""
SPREADS = (0.005, 0.1)
"""Bounds of the spread of effects, log change per step: those of a practical step are seldom larger (assumption)."""
AGREE_BEFORE = 2.0
"""Settings that count as agreeing, and as many as disagreeing, before any are compared (assumption)."""
DENIED_WEIGHT = 0.1
"""Last season is denied for a setting if its weight is below this (assumption)."""
USED_WEIGHT = 0.5
"""Last season is in doubt for a setting if its weight is below this, and agrees from it on (assumption)."""
EM_STEPS = 50
POSTERIOR_SCHEMA = schema_of("fit_posterior")


@dataclass(frozen=True)
class Prior:
    """Last season's coefficients: their labels, mean of shape (k,) and covariance of shape (k, k)."""

    labels: tuple[str, ...]
    mean: Array
    covariance: Array


@dataclass(frozen=True)
class Agreement:
    """Agreement of this season with the last, setting by setting.

    Attributes:
        weights: setting -> posterior weight of last season, 0 to 1. Curvature shared by settings has an entry as well.
        prior: normal prior that replaces the mixtures in the fit.
    """

    weights: dict[str, float]
    prior: NormalPrior

    @property
    def denied(self) -> list[str]:
        """Settings for which this season contradicts the last."""
        return [name for name, weight in self.weights.items() if weight < DENIED_WEIGHT]


@dataclass(frozen=True)
class _Coefficient:
    """A coefficient of the settings: its label, its block and its kind."""

    label: str
    block: str
    kind: str


@dataclass(frozen=True)
class _Block:
    """Coefficients of one setting: their indices, mixture prior, and estimate and covariance without it."""

    own: NDArray[np.int64]
    mixture: MixturePrior
    estimate: Array
    covariance: Array


def _coefficients(terms: Sequence[Term]) -> list[_Coefficient]:
    """Return the fixed coefficients of settings, in the order of `terms`."""
    out = []
    for term in terms:
        if isinstance(term, SettingEffect):
            out.append(_Coefficient(term.label, term.setting, "effect"))
        elif isinstance(term, SettingBy):
            out.append(_Coefficient(term.label, term.setting, term.modifier.label))
        elif isinstance(term, SharedBend):
            out.append(_Coefficient(term.label, term.label, "bend"))
    return out


def restrict_prior(prior: Prior, at: dict[str, int]) -> Prior | None:
    """Return the prior of the coefficients in the model; None if there are none.

    Args:
        prior: prior of k coefficients.
        at: label of each column of D in the model -> its index.
    """
    shared = [i for i, label in enumerate(prior.labels) if label in at]
    if not shared:
        return None
    return Prior(tuple(prior.labels[i] for i in shared), prior.mean[shared], prior.covariance[np.ix_(shared, shared)])


def _spreads(prior: Prior, kinds: list[str]) -> Array:
    """Return the spread s_k of last season's coefficients of each coefficient's kind, shape (k,)."""
    own, out = prior.mean**2 - np.diag(prior.covariance), np.empty(len(kinds))
    for kind in dict.fromkeys(kinds):
        members = np.array([k == kind for k in kinds])
        out[members] = np.clip(np.sqrt(max(float(own[members].mean()), 0.0)), *SPREADS)
    return out


def _weights(log_ratios: Array) -> Array:
    """Return the posterior weight of each block, with the share of blocks that agree estimated by EM, shape (j,)."""
    share, weights = 0.5, np.empty(log_ratios.size)
    for _ in range(EM_STEPS):
        weights = np.array([posterior_weight(ratio, share) for ratio in log_ratios])
        share = float(AGREE_BEFORE + weights.sum()) / (2 * AGREE_BEFORE + weights.size)
    return weights


def season_agreement(fit: RemlFit, at: dict[str, int], prior: Prior, terms: Sequence[Term]) -> Agreement | None:
    """Compare last season with a fit made without it; None if it has no coefficient of a term.

    Args:
        fit: the fit without the prior.
        at: label of each column of D in the fit -> its index.
        prior: last season's coefficients, all of them in the fit.
        terms: terms with fixed coefficients.
    """
    known = [c for c in _coefficients(terms) if c.label in prior.labels]
    if not known:
        return None
    order = [prior.labels.index(c.label) for c in known]
    last = Prior(tuple(c.label for c in known), prior.mean[order], prior.covariance[np.ix_(order, order)])
    spread, names = _spreads(last, [c.kind for c in known]), list(dict.fromkeys(c.block for c in known))
    L = np.zeros((len(known), fit.cov_core.shape[0]))
    L[np.arange(len(known)), [at[c.label] for c in known]] = 1.0
    estimate, C = L @ fit.coef[: L.shape[1]], covariance(fit, L)
    blocks = []
    for name in names:
        own = np.array([i for i, c in enumerate(known) if c.block == name])
        square, vague = np.ix_(own, own), np.diag(spread[own] ** 2)
        mixture = MixturePrior(last.mean[own], last.covariance[square] + SEASONS_DIFFER**2 * vague, vague)
        blocks.append(_Block(own, mixture, estimate[own], C[square]))
    weights = _weights(np.array([b.mixture.log_evidence_ratio(b.estimate, b.covariance) for b in blocks]))
    return Agreement(dict(zip(names, weights.tolist(), strict=True)), _normal_prior(last, blocks, weights))


def _normal_prior(last: Prior, blocks: list[_Block], weights: Array) -> NormalPrior:
    """Return the normal prior (33) of all blocks.

    It counts as as many rows as it adds squares, so that it leaves the residual variance to the loads.
    """
    precision, squares = np.zeros_like(last.covariance), 0.0
    for block, weight in zip(blocks, weights, strict=True):
        C, gap = block.covariance, block.estimate - block.mixture.mean
        P = gained_precision(C, block.mixture.moments(block.estimate, C, float(weight))[1])
        squares += float(gap @ P @ np.linalg.solve(np.eye(gap.size) + C @ P, gap))
        precision[np.ix_(block.own, block.own)] = P
    return NormalPrior(last.labels, last.mean, precision, round(squares))


def posterior_rows(response: str, labels: list[str], fit: RemlFit, at: dict[str, int]) -> pl.DataFrame:
    """Return `response, label, other, mean, covariance`: the prior of the next season, one row per pair of labels.

    Args:
        response: column of the response.
        labels: labels of the coefficients to store.
        fit: the fitted mixed model.
        at: label of each column of D in the fit -> its index.

    Raises:
        KeyError: a label is not in the fit.
    """
    places = [at[label] for label in labels]
    mean, V = fit.coef[places], fit.cov_core[np.ix_(places, places)]
    pairs = [(response, a, b, mean[i], V[i, j]) for i, a in enumerate(labels) for j, b in enumerate(labels)]
    return pl.DataFrame(pairs, schema=POSTERIOR_SCHEMA, orient="row")


def prior_of(rows: pl.DataFrame, response: str) -> Prior | None:
    """Return a response's prior from the `posterior_rows` of an earlier season; None if there are none.

    Args:
        rows: `response, label, other, mean, covariance`, of any responses and in any order.
        response: column of the response.
    """
    own_rows = rows.filter(pl.col("response") == response).sort("label", "other")
    if not own_rows.height:
        return None
    means = own_rows.unique("label", maintain_order=True)
    V = own_rows["covariance"].to_numpy().reshape(means.height, means.height)
    return Prior(tuple(means["label"]), means["mean"].to_numpy(), V)
