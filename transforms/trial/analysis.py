"""What came of a trial: its loads found, and the difference by randomisation inference.

The order within pairs was drawn by lot, so under no effect each pair's difference might as well have had the other
sign: p is the share of all sign patterns whose mean is at least as far from zero (Fisher 1935). The interval holds the
effects that this test does not reject. Loads count for the arm they were planned for, whatever was done (intention to
treat); how many were run otherwise is said.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import brentq

from transforms.config.settings_catalogue import DIRT
from transforms.trial.plan import ARMS, Trial
from transforms.trial.power import FEWEST_PAIRS

Array = NDArray[np.float64]
EXACT_PAIRS = 14
"""Up to so many pairs every sign pattern is counted; beyond, a fixed draw of them."""
PATTERNS, SEED = 20_000, 20_251_003
TRIAL_LOAD_SCHEMA = {
    "trial_id": pl.String,
    "load_id": pl.String,
    "position": pl.Int64,
    "trial_block": pl.String,
    "arm": pl.String,
    "trial_setting": pl.String,
    "trial_value": pl.Float64,
    "traced_value": pl.Float64,
}


@dataclass(frozen=True)
class Reading:
    """The difference of B to A.

    Attributes:
        pairs: complete pairs.
        effect_pct: percent change of dirt from A to B; None with too few pairs.
        lo95: lower end of its interval.
        hi95: upper end.
        p_value: of no effect.
        strayed: loads run nearer to the other arm's value than to their own.
        says: what it means, in words.
    """

    pairs: int
    effect_pct: float | None
    lo95: float | None
    hi95: float | None
    p_value: float | None
    strayed: int
    says: str


def find_loads(trial: Trial, facts: pl.DataFrame) -> pl.DataFrame:
    """Return the trial's loads in the order of lifting, with the arm each was planned for.

    By the tickets written into the trial; else all loads of the machine in the field from the day on, the first first.
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
    """Return sign patterns, shape (patterns, pairs): all of them, or a fixed draw where there are very many."""
    if pairs <= EXACT_PAIRS:
        bits = (np.arange(2**pairs)[:, None] >> np.arange(pairs)) & 1
        return np.asarray(2.0 * bits - 1)
    drawn = np.random.default_rng(SEED).choice([-1.0, 1.0], (PATTERNS, pairs))
    return np.vstack([np.ones(pairs), drawn])


def p_value(differences: Array, patterns: Array) -> float:
    """Return the two-sided p of no effect on pairs' differences, shape (pairs,)."""
    seen = abs(float(differences.mean()))
    return float(np.mean(np.abs(patterns @ differences) / differences.size >= seen - 1e-12))


def interval(differences: Array, patterns: Array) -> tuple[float, float]:
    """Return the effects that are not rejected at 5 %."""
    middle = float(differences.mean())
    far = 8 * float(differences.std(ddof=1)) / np.sqrt(differences.size) + 1e-9

    def rejected(effect: float) -> float:
        return p_value(differences - effect, patterns) - 0.05

    ends = [brentq(rejected, middle, middle + side * far, xtol=1e-5) for side in (-1, 1)]
    return float(ends[0]), float(ends[1])


def read(trial: Trial, loads: pl.DataFrame, facts: pl.DataFrame) -> Reading:
    """Return what the trial's loads say.

    Args:
        trial: the trial.
        loads: as `find_loads` returned them.
        facts: `load_fact`, for the tares.
    """
    tares = facts.select("load_id", "shift_date", "field_id", pl.col(DIRT)).drop_nulls()
    z = (pl.col(DIRT) / (100 - pl.col(DIRT))).log()
    # A pair that a night or another field parts is none.
    measured = loads.join(tares, on="load_id").with_columns(z.alias("z"))
    wide = measured.pivot("arm", index=["trial_block", "shift_date", "field_id"], values="z")
    complete = wide.drop_nulls(list(ARMS)) if set(ARMS) <= set(wide.columns) else wide.clear()
    strayed = _strayed(trial, loads)
    if complete.height < FEWEST_PAIRS:
        why = f"too few pairs are measured: {complete.height} of {len(trial.order) // 2}, {FEWEST_PAIRS} at the least"
        return Reading(complete.height, None, None, None, None, strayed, why)
    d = (complete["B"] - complete["A"]).to_numpy()
    patterns = signs(d.size)
    low, high = interval(d, patterns)
    effect, lo, hi = (100 * float(np.expm1(v)) for v in (d.mean(), low, high))
    p = p_value(d, patterns)
    told = "B is dirtier than A" if effect > 0 else "B is cleaner than A"
    says = told if p <= 0.05 else "no difference is shown; the interval says how large one may still be"
    return Reading(d.size, effect, lo, hi, p, strayed, says)


def _strayed(trial: Trial, loads: pl.DataFrame) -> int:
    other = pl.lit(sum(trial.values)) - pl.col("trial_value")
    away = (pl.col("traced_value") - pl.col("trial_value")).abs() > (pl.col("traced_value") - other).abs()
    return int(loads.select(away.sum()).item() or 0)
