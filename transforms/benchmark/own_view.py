"""One subject's view of the comparison: own figures, coarse place, and marks of all, under disclosure control."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import polars as pl

from transforms.benchmark.disclosure import (
    MIN_COMPARED,
    SHARED_OWNERS,
    TOO_FEW_COMPARED,
    Band,
    band,
    base_step,
    round_to_step,
    withholding_reason,
)
from transforms.contracts.reason import Reason, reason

FIGURES = (
    "observed",
    "expected",
    "from_settings",
    "unexplained",
    "lo95",
    "hi95",
    "shrunken",
    "shrunken_lo95",
    "shrunken_hi95",
)
"""Columns of `benchmark` about the subject itself. Limits and over-dispersion describe all subjects and stay out."""
OF_OWN_LOADS = ("observed",)
LOWEST, MIDDLE, HIGHEST, UNSETTLED = "lowest_third", "middle_third", "highest_third", "unsettled"


@dataclass(frozen=True)
class OwnView:
    """A subject's own view of one comparison.

    Attributes:
        subject_id: the subject.
        n: its loads or plots.
        figures: column of `benchmark` -> rounded figure; None if withheld or unknown.
        third: third of all subjects that its rank interval lies in, `unsettled` if in several; None if withheld.
        band: marks of all subjects.
        reason: why figures relative to others are withheld or the subject is not compared; None if they are shown.
    """

    subject_id: str
    n: int
    figures: dict[str, float | None]
    third: str | None
    band: Band
    reason: Reason | None

    @property
    def is_compared(self) -> bool:
        """Return True if figures relative to others are shown."""
        return self.figures["shrunken"] is not None


def classify_third(low: int, high: int, subjects: int) -> str:
    """Return the third of all ranks that the interval of a rank lies in.

    Args:
        low: lower end of the rank's interval; the lowest value has rank 1.
        high: upper end of the rank's interval.
        subjects: number of subjects ranked.

    >>> classify_third(1, 4, 30)
    'lowest_third'
    >>> classify_third(8, 14, 30)
    'unsettled'
    """
    first, last = -(-3 * low // subjects), -(-3 * high // subjects)
    return (LOWEST, MIDDLE, HIGHEST)[first - 1] if first == last else UNSETTLED


class Comparison:
    """`benchmark` rows of one response and kind, prepared once for the views of all subjects.

    Args:
        rows: the rows.
        owners: owner of each subject, if subjects may share one; a subject without an entry is its own owner.
    """

    def __init__(self, rows: pl.DataFrame, owners: Mapping[str, str] | None = None) -> None:
        self._owners = owners or {}
        self._rows = {r["subject_id"]: r for r in rows.iter_rows(named=True)}
        self._known = rows.filter(pl.col("shrunken").is_finite().fill_null(value=False))
        self._known_ids = set(self._known["subject_id"])
        self._loads_by_owner: dict[str, float] = {}
        for subject, n in self._known.select("subject_id", "n").iter_rows():
            owner = self._owners.get(subject, subject)
            self._loads_by_owner[owner] = self._loads_by_owner.get(owner, 0.0) + n

    def __contains__(self, subject_id: str) -> bool:
        return subject_id in self._rows

    @cached_property
    def _marks(self) -> Band:
        """Marks of all subjects, the same for every reader."""
        first = next(iter(self._rows.values()))
        return _band(self._known, len(self._loads_by_owner), base_step(first["response"]))

    def view(self, subject_id: str) -> OwnView:
        """Return the part of the comparison that a subject may see.

        Raises:
            KeyError: the subject has no row.
        """
        own = self._rows[subject_id]
        step, known, owners = base_step(own["response"]), self._known, self._loads_by_owner
        is_known = subject_id in self._known_ids
        why = withholding_reason(self._owners.get(subject_id, subject_id), owners) if is_known else _not_compared(own)
        is_shown = is_known and why is None
        figures = {c: round_to_step(own[c], step) if is_shown or c in OF_OWN_LOADS else None for c in FIGURES}
        marks = self._marks if is_shown else Band({}, None, why if is_known else None)
        has_third = (
            is_shown and known.height >= MIN_COMPARED and len(owners) == known.height and own["rank"] is not None
        )
        third = classify_third(own["rank_lo95"], own["rank_hi95"], own["subjects"]) if has_third else None
        return OwnView(subject_id, own["n"], figures, third, marks, why)


def own_view(rows: pl.DataFrame, subject_id: str, owners: Mapping[str, str] | None = None) -> OwnView:
    """Return the part of a comparison that a subject may see.

    Args:
        rows: `benchmark` rows of one response and kind, including the subject's.
        subject_id: the subject.
        owners: owner of each subject, if subjects may share one; a subject without an entry is its own owner.

    Raises:
        KeyError: the subject has no row.
    """
    return Comparison(rows, owners).view(subject_id)


def _not_compared(own: Mapping[str, Any]) -> Reason:
    """Return the reason why a row of `benchmark` has no comparison."""
    code = own["reason_code"]
    return reason("no_own_effect") if code is None else Reason(code, own["reason_args"])


def _band(known: pl.DataFrame, owners: int, step: float) -> Band:
    """Return the marks of all subjects, unless there are too few or some belong to one owner."""
    if known.height < MIN_COMPARED:
        return Band({}, None, TOO_FEW_COMPARED)
    if owners < known.height:
        return Band({}, None, SHARED_OWNERS)
    return band(np.asarray(known["shrunken"].to_numpy(), dtype=np.float64), step)
