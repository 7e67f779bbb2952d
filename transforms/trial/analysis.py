"""Analysis of a trial: identification of its loads, and the differences between its arms in every measured response.

The order within pairs was randomised; `randomisation.py` has the test and the interval. Loads count for the arm for
which they were planned, whatever was done (intention to treat); the number of loads run differently is reported. The
same differences are also read by the traced settings, because a load with mass from elsewhere shows less of the effect.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from transforms.config.response_catalogue import DIRT
from transforms.contracts.reason import Reason, reason
from transforms.contracts.result_tables import schema_of
from transforms.trial.anytime import anytime_interval, e_process, stopping_reason
from transforms.trial.plan import ARMS, Trial
from transforms.trial.power import ALPHA, MIN_PAIRS
from transforms.trial.randomisation import interval, p_value, signs

TRIAL_LOAD_SCHEMA = schema_of("trial_load")
MIN_TRACED_SHARE = 0.5
"""Smallest traced difference, as a share of the planned one, from which an effect is scaled up to the planned one; it
then at most doubles (common practice, no source)."""
MIN_TRACED_PAIRS = 0.5
"""Smallest share of the pairs with traced settings from which they speak for all (common practice, no source)."""


@dataclass(frozen=True)
class TracedEstimate:
    """Estimated difference of arm B from arm A by the traced settings, for the planned difference of the setting.

    Attributes:
        pairs: number of complete pairs whose loads both have a traced setting.
        share: mean traced difference of these pairs over the planned one; None without such a pair.
        effect_pct: change from A to B, percent; None if the traced settings do not suffice.
        lo95: lower end of its 95 % interval.
        hi95: upper end of its 95 % interval.
        reason: why it is used, or why not.
    """

    pairs: int
    share: float | None
    effect_pct: float | None
    lo95: float | None
    hi95: float | None
    reason: Reason


@dataclass(frozen=True)
class TrialEstimate:
    """Estimated difference of arm B from arm A in one response.

    Attributes:
        response: name of the response.
        pairs: number of complete pairs.
        effect_pct: change from A to B by planned arm, percent; None if there are too few pairs.
        lo95: lower end of its 95 % interval.
        hi95: upper end of its 95 % interval.
        p_value: two-sided p-value of no effect.
        anytime: ends of the 95 % interval by planned arm that may be looked at after any pair, percent; None if it
            does not exclude anything yet.
        strayed: number of loads run closer to the other arm's value than to their own.
        traced: the same by the traced settings.
        e_value: evidence against no effect that may be looked at after any pair; None without a pair.
        stopping: if the trial may stop early; None for a response that does not decide it.
        reason: the result, or why there is none.
    """

    response: str
    pairs: int
    effect_pct: float | None
    lo95: float | None
    hi95: float | None
    p_value: float | None
    anytime: tuple[float, float] | None
    strayed: int
    traced: TracedEstimate
    e_value: float | None
    stopping: Reason | None
    reason: Reason

    @property
    def reading_code(self) -> str:
        """Reading that applies: `traced` if the traced settings suffice, else `planned`."""
        return "planned" if self.traced.effect_pct is None else "traced"

    @property
    def columns(self) -> dict[str, object]:
        """The result as columns of `trial_result`."""
        plain = ("response", "pairs", "effect_pct", "lo95", "hi95", "p_value", "strayed", "e_value")
        traced = {**{k: v for k, v in self.traced.__dict__.items() if k != "reason"}, **self.traced.reason.columns}
        return {
            **{name: self.__dict__[name] for name in plain},
            **{f"traced_{name}": value for name, value in traced.items()},
            "anytime_lo95": None if self.anytime is None else self.anytime[0],
            "anytime_hi95": None if self.anytime is None else self.anytime[1],
            "reading_code": self.reading_code,
            "stop_code": None if self.stopping is None else self.stopping.code,
            **self.reason.columns,
        }


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


def analyse_trial(
    trial: Trial, loads: pl.DataFrame, facts: pl.DataFrame, measured: pl.DataFrame, deciding: str = DIRT
) -> list[TrialEstimate]:
    """Return the difference between the arms of a trial in every response that is measured, and in the deciding one.

    Args:
        trial: the trial.
        loads: result of `find_loads`.
        facts: `load_id, shift_date, field_id` of the loads.
        measured: result of `measured_responses` for these loads.
        deciding: response that decides if the trial may stop early; its estimate is the first.
    """
    # Two loads of different days or fields do not form a pair.
    placed = loads.join(facts.select("load_id", "shift_date", "field_id"), on="load_id", maintain_order="left")
    names = [deciding, *(n for n in measured["response"].unique(maintain_order=True) if n != deciding)]
    of_response = {n: placed.join(measured.filter(response=n), on="load_id", maintain_order="left") for n in names}
    arms = Arms(trial.values, len(trial.order) // 2)
    return with_stopping([estimate(arms, rows, n) for n, rows in of_response.items()], arms.pairs)


@dataclass(frozen=True)
class Arms:
    """Values of the arms A and B of a trial, and the number of pairs planned."""

    values: tuple[float, float]
    pairs: int


def with_stopping(estimates: list[TrialEstimate], planned: int) -> list[TrialEstimate]:
    """Return the estimates of a trial, the first with the decision on stopping early.

    Args:
        estimates: estimate of each response, the deciding one first.
        planned: number of pairs planned.
    """
    first, *others = estimates
    return [replace(first, stopping=stopping_reason(first.e_value, first.pairs, planned)), *others]


def estimate(arms: Arms, units: pl.DataFrame, response: str) -> TrialEstimate:
    """Return the difference between the arms in one response.

    Args:
        arms: values and planned pairs.
        units: loads, or days of a part trial, with `trial_block, arm, trial_value, traced_value` and `z`, null if the
            response was not measured; two loads form a pair only if they agree in `shift_date` and `field_id`, which
            days do not have.
        response: name of the response.
    """
    pairs, planned, strayed = complete_pairs(units), arms.pairs, _strayed(arms, units)
    d = pairs["difference"].to_numpy()
    e_value = float(e_process(d)[-1]) if d.size else None
    traced = _by_traced_settings(arms, pairs)
    if d.size < MIN_PAIRS:
        why_not = reason("trial_too_few_pairs", measured=d.size, planned=planned, needed=MIN_PAIRS)
        return TrialEstimate(response, d.size, None, None, None, None, None, strayed, traced, e_value, None, why_not)
    patterns = signs(d.size)
    effect, lo, hi = map(_percent, (float(d.mean()), *interval(d, patterns)))
    p = p_value(d, patterns)
    shown = _direction(response, effect) if p <= ALPHA else reason("no_difference_shown")
    ends = _percent_ends(anytime_interval(d))
    return TrialEstimate(response, d.size, effect, lo, hi, p, ends, strayed, traced, e_value, None, shown)


def _by_traced_settings(arms: Arms, pairs: pl.DataFrame) -> TracedEstimate:
    """Return the effect of the planned difference of the setting, from the traced differences of the pairs.

    The dose of a pair is its traced difference over the planned one. The estimate is the mean difference over the mean
    dose. Weights by dose would pull it towards zero, because errors of the trace would count in the weights, and depend
    on the order drawn, because a load holds mass of the one before (decision record 0036).
    """
    known = pairs.drop_nulls("traced")
    needed = max(MIN_PAIRS, math.ceil(MIN_TRACED_PAIRS * pairs.height))
    step = arms.values[1] - arms.values[0]
    doses = known["traced"].to_numpy() / step if step else np.zeros(known.height)
    share = float(doses.mean()) if known.height else None
    if share is None or known.height < needed:
        why_not = reason("trial_not_traced", traced=known.height, needed=needed)
        return TracedEstimate(known.height, share, None, None, None, why_not)
    if share < MIN_TRACED_SHARE:
        why_not = reason("trial_traced_too_little", share_pct=100 * share, needed_pct=100 * MIN_TRACED_SHARE)
        return TracedEstimate(known.height, share, None, None, None, why_not)
    d = known["difference"].to_numpy()
    ends = interval(d, signs(d.size), doses)
    if not np.isfinite(ends).all():
        return TracedEstimate(known.height, share, None, None, None, reason("trial_traced_uneven"))
    effect, lo, hi = map(_percent, (float(d.sum() / doses.sum()), *ends))
    return TracedEstimate(known.height, share, effect, lo, hi, reason("trial_traced", share_pct=100 * share))


def _direction(response: str, effect_pct: float) -> Reason:
    """Return the direction of an effect as a reason."""
    if response == DIRT:
        return reason("b_dirtier" if effect_pct > 0 else "b_cleaner")
    return reason("b_higher" if effect_pct > 0 else "b_lower")


def _percent(log_change: float) -> float:
    return 100 * float(np.expm1(log_change))


def _percent_ends(ends: tuple[float, float]) -> tuple[float, float] | None:
    return (_percent(ends[0]), _percent(ends[1])) if np.isfinite(ends).all() else None


def complete_pairs(units: pl.DataFrame) -> pl.DataFrame:
    """Return complete pairs in their order: `trial_block`, `difference` of z and `traced` of the setting, B less A."""
    key = [c for c in ("trial_block", "shift_date", "field_id") if c in units.columns]
    measured = units.drop_nulls("z")
    of_arm = {arm: measured.filter(arm=arm).select(*key, "z", "traced_value") for arm in ARMS}
    both = of_arm["A"].join(of_arm["B"], on=key, maintain_order="left")
    return both.select(
        "trial_block",
        (pl.col("z_right") - pl.col("z")).alias("difference"),
        (pl.col("traced_value_right") - pl.col("traced_value")).alias("traced"),
    )


def _strayed(arms: Arms, units: pl.DataFrame) -> int:
    """Return the number of loads, or days, run closer to the other arm's value than to their own."""
    other = pl.lit(sum(arms.values)) - pl.col("trial_value")
    away = (pl.col("traced_value") - pl.col("trial_value")).abs() > (pl.col("traced_value") - other).abs()
    return int(units.select(away.sum()).item() or 0)
