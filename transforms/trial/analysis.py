"""Analysis of a trial: identification of its loads, and the difference between arms by randomisation inference.

The order within pairs was randomised. Without an effect, the difference of each pair could equally have had the
opposite sign: p is the share of all sign patterns whose mean is at least as far from zero (Fisher 1935). The interval
contains the effects that this test does not reject. Loads count for the arm for which they were planned, whatever was
done (intention to treat); the number of loads run differently is reported.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import brentq

from transforms.config.response_catalogue import DIRT
from transforms.contracts.reason import Reason, reason
from transforms.contracts.result_tables import schema_of
from transforms.trial.plan import ARMS, Trial
from transforms.trial.power import FEWEST_PAIRS

Array = NDArray[np.float64]
EXACT_PAIRS = 14
"""Up to this number of pairs all sign patterns are enumerated; beyond it, a fixed random sample of them."""
PATTERNS, SEED = 20_000, 20_251_003
TRIAL_LOAD_SCHEMA = schema_of("trial_load")


@dataclass(frozen=True)
class TrialEstimate:
    """Estimated difference of arm B from arm A.

    Attributes:
        pairs: number of complete pairs.
        effect_pct: change of dirt from A to B, percent; None if there are too few pairs.
        lo95: lower end of its 95 % interval.
        hi95: upper end of its 95 % interval.
        p_value: two-sided p-value of no effect.
        strayed: number of loads run closer to the other arm's value than to their own.
        reason: the result, or why there is none.
    """

    pairs: int
    effect_pct: float | None
    lo95: float | None
    hi95: float | None
    p_value: float | None
    strayed: int
    reason: Reason

    @property
    def columns(self) -> dict[str, object]:
        """The result as columns of `trial_result`."""
        return {**{k: v for k, v in self.__dict__.items() if k != "reason"}, **self.reason.columns}


def find_loads(trial: Trial, facts: pl.DataFrame) -> pl.DataFrame:
    """Return the trial's loads in the order of lifting, with the arm for which each was planned.

    They are the loads of the tickets listed in the trial or, if none is listed, the first loads of the machine in the
    field from the trial's date.

    Args:
        trial: the trial.
        facts: `load_fact`.

    Returns:
        Rows with the columns of `TRIAL_LOAD_SCHEMA`.
    """
    if any(trial.tickets):
        listed = pl.DataFrame({"load_id": trial.tickets, "position": range(len(trial.tickets))}).filter(
            (pl.col("load_id") != "") & (pl.col("position") < len(trial.order))
        )
        loads = facts.join(listed, on="load_id", how="inner")
    else:
        loads = facts.filter(
            (pl.col("machine_id") == trial.machine_id)
            & (pl.col("field_id") == trial.field_id)
            & (pl.col("shift_date") >= trial.shift_date)
        ).sort("lifted_at", "load_id")
        loads = loads.head(len(trial.order)).with_row_index("position")
    at = loads["position"].cast(pl.Int64)
    traced = loads[trial.setting] if trial.setting in loads.columns else pl.Series([None] * loads.height)
    return pl.DataFrame(
        {
            "trial_id": [trial.trial_id] * loads.height,
            "load_id": loads["load_id"],
            "position": at,
            "trial_block": [f"{trial.trial_id}/{i // 2 + 1}" for i in at],
            "arm": [trial.order[i] for i in at],
            "trial_setting": [trial.setting] * loads.height,
            "trial_value": [trial.value(i) for i in at],
            "traced_value": traced,
        },
        schema=TRIAL_LOAD_SCHEMA,
    ).sort("position")


def signs(pairs: int) -> Array:
    """Return sign patterns, shape (patterns, pairs): all of them, or a fixed random sample if there are too many.

    >>> signs(2).tolist()
    [[-1.0, -1.0], [1.0, -1.0], [-1.0, 1.0], [1.0, 1.0]]
    """
    if pairs <= EXACT_PAIRS:
        bits = (np.arange(2**pairs)[:, None] >> np.arange(pairs)) & 1
        return np.asarray(2.0 * bits - 1)
    drawn = np.random.default_rng(SEED).choice([-1.0, 1.0], (PATTERNS, pairs))
    return np.vstack([np.ones(pairs), drawn])


def p_value(differences: Array, patterns: Array) -> float:
    """Return the two-sided p-value of no effect.

    Args:
        differences: differences of pairs, log scale, shape (pairs,).
        patterns: sign patterns, shape (patterns, pairs).
    """
    observed = abs(float(differences.mean()))
    return float(np.mean(np.abs(patterns @ differences) / differences.size >= observed - 1e-12))


def interval(differences: Array, patterns: Array) -> tuple[float, float]:
    """Return the ends of the interval of effects that are not rejected at 5 %, log scale.

    Args:
        differences: differences of pairs, log scale, shape (pairs,).
        patterns: sign patterns, shape (patterns, pairs).
    """
    mean = float(differences.mean())
    reach = 8 * float(differences.std(ddof=1)) / np.sqrt(differences.size) + 1e-9

    def rejected(effect: float) -> float:
        return p_value(differences - effect, patterns) - 0.05

    ends = [brentq(rejected, mean, mean + side * reach, xtol=1e-5) for side in (-1, 1)]
    return float(ends[0]), float(ends[1])


def analyse_trial(trial: Trial, loads: pl.DataFrame, facts: pl.DataFrame) -> TrialEstimate:
    """Return the difference between the arms of a trial.

    Args:
        trial: the trial.
        loads: result of `find_loads`.
        facts: `load_fact`, for the tares.
    """
    tares = facts.select("load_id", "shift_date", "field_id", pl.col(DIRT)).drop_nulls()
    z = (pl.col(DIRT) / (100 - pl.col(DIRT))).log()
    # Two loads of different days or fields do not form a pair.
    measured = loads.join(tares, on="load_id").with_columns(z.alias("z"))
    by_pair = measured.pivot("arm", index=["trial_block", "shift_date", "field_id"], values="z")
    complete = by_pair.drop_nulls(list(ARMS)) if set(ARMS) <= set(by_pair.columns) else by_pair.clear()
    strayed = _strayed(trial, loads)
    if complete.height < FEWEST_PAIRS:
        planned = len(trial.order) // 2
        why_not = reason("trial_too_few_pairs", measured=complete.height, planned=planned, needed=FEWEST_PAIRS)
        return TrialEstimate(complete.height, None, None, None, None, strayed, why_not)
    d = (complete["B"] - complete["A"]).to_numpy()
    patterns = signs(d.size)
    low, high = interval(d, patterns)
    effect, lo, hi = (100 * float(np.expm1(v)) for v in (d.mean(), low, high))
    p = p_value(d, patterns)
    shown = reason("b_dirtier" if effect > 0 else "b_cleaner")
    return TrialEstimate(d.size, effect, lo, hi, p, strayed, shown if p <= 0.05 else reason("no_difference_shown"))


def _strayed(trial: Trial, loads: pl.DataFrame) -> int:
    """Return the number of loads run closer to the other arm's value than to their own."""
    other = pl.lit(sum(trial.values)) - pl.col("trial_value")
    away = (pl.col("traced_value") - pl.col("trial_value")).abs() > (pl.col("traced_value") - other).abs()
    return int(loads.select(away.sum()).item() or 0)
