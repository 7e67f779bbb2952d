"""Size of a trial: the pairs of loads that detect a change, and the days that the machine needs for them.

The season report and `trial plan` both use it, so that they give the same answer.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.arrays import to_float
from transforms.trial.power import pair_sd, required_pairs

USUAL_SAMPLE_KG = 25.0


@dataclass(frozen=True)
class TrialNoise:
    """Residual standard deviation within visits (log scale), and laboratory coefficient of variation at 25 kg."""

    residual_sd: float
    lab_cv_at_25_kg: float

    def pair_sd(self, facts: pl.DataFrame) -> float:
        """Return the standard deviation of a pair's difference in log dirt, for the mean sample mass of these loads."""
        kg = facts["sample_kg"].mean() if "sample_kg" in facts.columns else None
        return pair_sd(self.residual_sd, self.lab_cv_at_25_kg, to_float(kg or USUAL_SAMPLE_KG))


@dataclass(frozen=True)
class TrialSize:
    """Number of pairs of a trial and of days of its machine; None if more pairs than allowed would be needed."""

    pairs: int | None
    days: int | None


def loads_per_day(facts: pl.DataFrame, machine_id: str) -> float:
    """Return the median number of loads that a machine lifts per day, at least 1.

    Args:
        facts: `machine_id, shift_date` of all loads of the season.
        machine_id: the machine.
    """
    by_day = facts.filter(pl.col("machine_id") == machine_id).group_by("shift_date", maintain_order=True).len()
    return max(to_float(by_day["len"].median() or 1.0), 1.0)


def required_days(loads: int, facts: pl.DataFrame, machine_id: str) -> int:
    """Return the whole number of days in which a machine lifts a number of loads.

    Args:
        loads: number of loads.
        facts: `machine_id, shift_date` of all loads of the season.
        machine_id: the machine.
    """
    return int(np.ceil(loads / loads_per_day(facts, machine_id)))


def trial_size(facts: pl.DataFrame, machine_id: str, detect_pct: float, noise: TrialNoise, power: float) -> TrialSize:
    """Return the size of a trial that detects a change of `detect_pct` percent with the power.

    Args:
        facts: `machine_id, shift_date, sample_kg` of all loads of the season.
        machine_id: the machine that would run the trial.
        detect_pct: change of dirt to detect, percent.
        noise: variation between loads and of the laboratory.
        power: probability of detecting it, 0 to 1.
    """
    pairs = required_pairs(float(np.log1p(detect_pct / 100)), noise.pair_sd(facts), power)
    return TrialSize(pairs, None if pairs is None else required_days(2 * pairs, facts, machine_id))
