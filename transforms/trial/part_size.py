"""Size of a part trial: pairs of days that detect a change of dirt, from the variances of the fit.

The mean dirt of a machine's day, less what the conditions explain, varies by day and by field. A pair is two successive
days of a machine, so fields that both days share cancel. With w_f the share of field f in the measured loads of a
day,

    Var(d) = 2 s2_day + s2_field mean sum_f (w_1f - w_2f)^2 + 2 (s2 + v) / n                                     (38)

with n measured loads a day, s2 the variance between loads of one visit and v the laboratory's.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.advice.part_advice import PartTrialSize
from transforms.arrays import to_float
from transforms.config.response_catalogue import DIRT
from transforms.errors import WorkspaceError
from transforms.trial.power import required_pairs
from transforms.trial.size import TrialNoise

USUAL_PART_DETECT_PCT = 10.0
"""Smallest change that a part trial is sized for unless another is asked: smaller ones take more days than a season of
a fleet has (common practice, no source)."""
DAY = ["machine_id", "shift_date"]


@dataclass(frozen=True)
class DayNoise:
    """Noise of a machine's day.

    Attributes:
        loads: noise of its loads.
        day_sd: standard deviation of the machine's days, log scale.
        field_sd: standard deviation of fields, log scale.
    """

    loads: TrialNoise
    day_sd: float
    field_sd: float

    @classmethod
    def of_fit(cls, fit_run: pl.DataFrame, lab_cv_at_25_kg: float, where: str) -> "DayNoise":
        """Return the noise by the last fit of dirt.

        Args:
            fit_run: `fit_run`; a standard deviation that the data cannot tell apart counts as zero.
            lab_cv_at_25_kg: coefficient of variation of the laboratory at 25 kg, a fraction.
            where: the workspace, for messages.

        Raises:
            WorkspaceError: dirt is not fitted yet.
        """
        fitted = fit_run.filter(pl.col("response") == DIRT)
        if not fitted.height:
            raise WorkspaceError(
                "dirt is not fitted yet", where=where, remedy="run 'taretrace fit {folder}' first", folder=where
            )
        row = fitted.row(0, named=True)
        noise = TrialNoise(row["residual_sd"], lab_cv_at_25_kg)
        return cls(noise, row["machine_day_sd"] or 0.0, row["field_sd"] or 0.0)

    def pair_sd(self, facts: pl.DataFrame) -> float:
        """Return the standard deviation of a pair's difference in mean log dirt, by (38).

        Args:
            facts: `machine_id, shift_date, field_id, sample_kg, dirt_tare_pct` of the season's loads.
        """
        measured = facts.drop_nulls([*DAY, "field_id", DIRT])
        by_day = measured.group_by(DAY, maintain_order=True).len()
        loads = max(to_float(by_day["len"].mean() or 1.0), 1.0)
        variance = 2 * self.day_sd**2 + self.field_sd**2 * field_change(measured)
        return float(np.sqrt(variance + self.loads.pair_sd(measured) ** 2 / loads))


def field_change(measured: pl.DataFrame) -> float:
    """Return the mean over pairs of consecutive days of the squared changes of the fields' shares, from 0 to 2.

    Args:
        measured: `machine_id, shift_date, field_id` of measured loads.

    >>> import datetime as dt
    >>> days = [dt.date(2025, 10, d) for d in (1, 1, 2, 3)]
    >>> shares = pl.DataFrame({"machine_id": "M1", "shift_date": days, "field_id": ["F1", "F2", "F2", "F2"]})
    >>> field_change(shares)
    0.25
    """
    shares = (
        measured.group_by([*DAY, "field_id"], maintain_order=True)
        .len()
        .with_columns((pl.col("len") / pl.col("len").sum().over(DAY)).alias("share"))
    )
    days = shares.select(DAY).unique(maintain_order=True).sort(DAY)
    days = days.with_columns(pl.col("shift_date").shift(-1).over("machine_id").alias("next_date")).drop_nulls()
    if not days.height:
        return 2.0
    first = days.join(shares, on=DAY).select(*DAY, "field_id", "share")
    next_day = shares.select("machine_id", pl.col("shift_date").alias("next_date"), "field_id", -pl.col("share"))
    then = days.join(next_day, on=["machine_id", "next_date"]).select(*DAY, "field_id", "share")
    changes = pl.concat([first, then]).group_by([*DAY, "field_id"], maintain_order=True).agg(pl.col("share").sum())
    return float((changes["share"] ** 2).sum()) / days.height


def part_detect_pct(change_pct: float | None) -> float:
    """Return the change of dirt that a trial of two parts is sized for, in whole percent.

    Args:
        change_pct: estimated change by the part, percent; None without an estimate.
    """
    return max(float(round(abs(change_pct or 0.0))), USUAL_PART_DETECT_PCT)


def days_of_each(pairs: int, machines: int) -> int:
    """Return the days that each machine needs if machines share the pairs of a trial.

    Args:
        pairs: number of pairs of days.
        machines: number of machines.

    >>> days_of_each(57, 9), days_of_each(8, 9)
    (14, 2)
    """
    return 2 * int(np.ceil(pairs / machines))


def expected_changes(pairs: int) -> float:
    """Return the expected number of changes in the workshop: one within each pair, one before every other pair."""
    return 1.5 * pairs


def part_trial_pairs(detect_pct: float, pair_sd: float, power: float) -> int | None:
    """Return the number of pairs of days that detects a change of dirt; None if more than 200 are needed.

    Args:
        detect_pct: change of dirt to detect, percent.
        pair_sd: standard deviation of a pair's difference, log scale.
        power: probability of detecting it, 0 to 1.
    """
    return required_pairs(float(np.log1p(detect_pct / 100)), pair_sd, power)


def part_trial_size(change_pct: float | None, pair_sd: float, power: float, change_cost: float) -> PartTrialSize:
    """Return the size of the trial that settles a comparison of two parts.

    Args:
        change_pct: estimated change of dirt by the part, percent; None without an estimate.
        pair_sd: standard deviation of a pair's difference, log scale.
        power: probability of detecting it, 0 to 1.
        change_cost: cost of a change in the workshop, in the season's currency.
    """
    detect = part_detect_pct(change_pct)
    pairs = part_trial_pairs(detect, pair_sd, power)
    return PartTrialSize(detect, pairs, None if pairs is None else expected_changes(pairs) * change_cost)
