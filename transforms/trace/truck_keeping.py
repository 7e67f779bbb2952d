"""Degree to which trucks keep to one machine: evidence of a stretch of work, and of all other fields of the season.

Equation (2.8) of METHODS.md. Evidence comes from beliefs that no truck has influenced, so that it does not depend on
the prior, and a season needs no more than two passes.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.contracts.result_tables import schema_of

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
STRAYS = (0.05, 0.15, 0.25, 0.4, 0.55, 0.7, 1.0)
"""Shares of trips for any machine, by chance; 1 is one pool."""
STRAY_PRIOR = (0.2, 0.3, 0.2, 0.16, 0.1, 0.04)
"""Prior of these shares where there are homes (common practice, no source)."""
POOLED_TRUCKS, POOLED_GANGS = 0.35, 0.1
"""Prior probability that the trucks of a stretch are of one pool, and that gangs are (common practice, no source)."""
RELIABILITIES = (0.15, 0.3, 0.45, 0.6, 0.75, 0.9)
RELIABILITY_PRIOR = (1 / 27, 1 / 27, 3 / 27, 9 / 27, 10 / 27, 3 / 27)
"""Parts of the knowledge in converged beliefs that may be real, and their prior: beliefs are overconfident, in some
stretches by far (mean .63; .7 measured on seasons 7100 on)."""
OWN_WAY = 0.25
"""Probability that trucks keep to machines in one field as they do nowhere else in the season."""
VEHICLE, GANG = "vehicle", "gang"
KEEPING = schema_of("truck_keeping")


def _prior(pooled: float) -> tuple[float, ...]:
    return (*((1 - pooled) * p for p in STRAY_PRIOR), pooled)


@dataclass(frozen=True)
class Keeping:
    """Prior weights of `STRAYS` for vehicles and for gangs."""

    of_vehicle: tuple[float, ...] = _prior(POOLED_TRUCKS)
    of_gang: tuple[float, ...] = _prior(POOLED_GANGS)


def stray_evidence(odds: Array, group: Ints, share: Array) -> Array | None:
    """Return the log likelihood of each stray share, (2.8), shape (7,), with maximum 0.

    Args:
        odds: probability of each stream for each member over the stream's share of the loads, shape (k, M).
        group: group of each member, shape (k,).
        share: share of the loads that each stream filled, shape (M,).

    Returns:
        The log likelihood; None if no group has two members.
    """
    if group.size == np.unique(group).size:
        return None
    kept = np.multiply.outer(1 - np.array(STRAYS), np.array(RELIABILITIES)).round(6)
    values, which = np.unique(kept, return_inverse=True)
    log_likelihood = np.array([_agreement(odds, group, share, k) for k in values])[which].reshape(kept.shape)
    top = log_likelihood.max()
    mean = np.log(np.exp(log_likelihood - top) @ np.array(RELIABILITY_PRIOR))
    return np.asarray(mean - mean.max())


def _agreement(odds: Array, group: Ints, share: Array, kept: float) -> float:
    """Return the log likelihood of homes if a member says something about the home of its group to this degree."""
    home = np.zeros((int(group.max()) + 1, odds.shape[1]))
    np.add.at(home, group, np.log(kept * odds + 1 - kept))
    top = home.max(axis=1, keepdims=True)
    return float((np.log(np.exp(home - top) @ share) + top[:, 0]).sum())


def mean_keeping(evidence: Array | None, prior: tuple[float, ...]) -> float:
    """Return the mean of 1 - stray given the evidence, 0 to 1.

    It is 1 if no group has two members: whatever strays then, does so where groups meet.

    Args:
        evidence: result of `stray_evidence`.
        prior: prior weights of `STRAYS`.
    """
    if evidence is None:
        return 1.0
    weight = np.exp(evidence) * np.array(prior)
    return float(1 - np.array(STRAYS) @ weight / weight.sum())


class SeasonKeeping:
    """Prior of each field: how far trucks keep to machines in all other fields of the season."""

    def __init__(self, rows: pl.DataFrame) -> None:
        """Sum the evidence of each field.

        Args:
            rows: rows of `truck_keeping`.
        """
        self.by_field: dict[str, dict[str, Array]] = {VEHICLE: {}, GANG: {}}
        summed = rows.group_by("kind_code", "field_id", "stray_share", maintain_order=True).agg(
            pl.col("log_likelihood").sum()
        )
        parts = summed.sort("kind_code", "field_id", "stray_share").group_by(
            "kind_code", "field_id", maintain_order=True
        )
        for (kind, field_id), part in parts:
            self.by_field[str(kind)][str(field_id)] = part["log_likelihood"].to_numpy()
        nothing = np.zeros(len(STRAYS))
        self.total = {kind: np.sum([nothing, *own.values()], axis=0) for kind, own in self.by_field.items()}

    def of(self, field_id: str) -> Keeping:
        """Return the prior of a field by the evidence of all others, in steps of .05.

        Weights are rounded, so that fields are traced again only if the evidence has changed noticeably.
        """
        if not any(field_id in fields for fields in self.by_field.values()):
            return Keeping()
        base = Keeping()
        return Keeping(self._weights(VEHICLE, field_id, base.of_vehicle), self._weights(GANG, field_id, base.of_gang))

    def _weights(self, kind: str, field_id: str, prior: tuple[float, ...]) -> tuple[float, ...]:
        fields = self.by_field[kind]
        if not fields.keys() - {field_id}:
            return prior
        others = self.total[kind] - fields.get(field_id, 0.0)
        weight = np.exp(others - others.max()) * np.array(prior)
        mixed = (1 - OWN_WAY) * weight / weight.sum() + OWN_WAY * np.array(prior)
        rounded = np.maximum(np.round(mixed * 20) / 20, OWN_WAY / 10)
        return tuple((rounded / rounded.sum()).tolist())
