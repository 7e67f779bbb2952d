"""Design of a variation plan: the settings of each machine that are worth varying, and the order of their levels."""

import datetime as dt
import hashlib
from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.arrays import narrow, to_float
from transforms.config.response_catalogue import DIRT
from transforms.contracts.reason import Reason, reason
from transforms.errors import WorkspaceError
from transforms.trial.size import TrialNoise, loads_per_day
from transforms.trial.value import PairDesign, SeasonScale, StepBelief, Worth, worth_of
from transforms.variation.options import POSSIBLE
from transforms.variation.plan import LOADS_PER_PAIR, MachinePlan, VariationPlan, VariedSetting

MAX_SETTINGS = 2
"""Settings varied on one machine in a shift: an operator follows two without thinking (common practice, no source)."""
SMALLEST_NET = 5.0
"""Smallest worth less cost of varying a setting in a shift, in the season's currency: less does not repay the
operator's attention (common practice, no source)."""
MAX_PAIRS = 6
"""Pairs of a machine and shift: an operator changes settings for twelve loads (common practice, no source)."""
BELIEF = ("gain_per_t", "learnable_sd_per_t", "per_log", "loss_per_t")


@dataclass(frozen=True)
class SeasonFacts:
    """Loads and fits of the season, on which the worth of a plan rests.

    Attributes:
        loads: `load_fact`.
        noise: response -> noise of its pairs.
        scale: tonnes left by wetness class, and uptake.
    """

    loads: pl.DataFrame
    noise: dict[str, TrialNoise]
    scale: SeasonScale

    def load_t(self, machine_id: str) -> float:
        """Return the mean soil-free mass of a load of a machine, t."""
        own = self.loads.filter(pl.col("machine_id") == machine_id)
        dirt = to_float(self.loads[DIRT].mean() or 0.0)
        return to_float((own["delivered_t"] * (1 - own[DIRT].fill_null(dirt) / 100)).mean() or 0.0)


@dataclass(frozen=True)
class LeftOut:
    """A setting that is not varied on a machine, or a machine without a plan, with the reason."""

    machine_id: str
    setting: str | None
    why: Reason


@dataclass(frozen=True)
class Designed:
    """A plan and all that it leaves out.

    Attributes:
        plan: the plan; None if nothing is worth varying.
        left_out: settings and machines that are not varied.
    """

    plan: VariationPlan | None
    left_out: tuple[LeftOut, ...]


def option_worth(option: dict[str, object], pairs: int, facts: SeasonFacts) -> Worth:
    """Return the worth and cost of varying a setting on a machine in a number of pairs.

    Args:
        option: a row of `variation_option` with levels.
        pairs: number of pairs.
        facts: loads and fits of the season.

    Returns:
        Value over the tonnes left in the option's class of wetness, and cost, in the season's currency.
    """
    steps = (to_float(option["high_value"]) - to_float(option["low_value"])) / to_float(option["step"])
    machine, noise = str(option["machine_id"]), facts.noise[str(option["response"])]
    design = PairDesign(pairs, steps, noise.pair_sd(facts.loads), facts.load_t(machine))
    belief = StepBelief(*(to_float(option[name]) for name in BELIEF))
    return worth_of(belief, design, facts.scale.tonnes.get(str(option["wetness_class"]), 0.0), facts.scale.uptake)


def draw_loads(
    settings: tuple[VariedSetting, ...], pairs: int, rng: np.random.Generator
) -> tuple[tuple[float, ...], ...]:
    """Return the values of each load: one load of a pair at each level, the first by lot for each setting alone.

    Args:
        settings: the settings varied.
        pairs: number of pairs.
        rng: random generator.

    Returns:
        Values by load and setting, in the units of the settings: 2 x pairs loads.
    """
    starts_low = rng.integers(0, 2, (pairs, len(settings))).astype(bool)
    loads: list[tuple[float, ...]] = []
    for row in starts_low:
        both = [
            (s.low_value, s.high_value) if is_low else (s.high_value, s.low_value)
            for s, is_low in zip(settings, row, strict=True)
        ]
        loads += list(zip(*both, strict=True))
    return tuple(loads)


def _chosen(options: pl.DataFrame, pairs: int, facts: SeasonFacts) -> tuple[tuple[VariedSetting, ...], list[LeftOut]]:
    """Return the settings of one machine with the largest net worth, and those left out."""
    worths, left_out = [], []
    for r in options.iter_rows(named=True):
        if r["reason_code"] != POSSIBLE.code:
            left_out.append(LeftOut(r["machine_id"], r["setting"], Reason(r["reason_code"], r["reason_args"])))
        elif (worth := option_worth(r, pairs, facts)).net < SMALLEST_NET:
            left_out.append(LeftOut(r["machine_id"], r["setting"], reason("vary_no_value")))
        else:
            worths.append((worth, r))
    worths.sort(key=lambda item: -item[0].net)
    left_out += [LeftOut(r["machine_id"], r["setting"], reason("vary_less_value")) for _, r in worths[MAX_SETTINGS:]]
    chosen = tuple(
        VariedSetting(
            r["setting"], r["base_value"], r["low_value"], r["high_value"], round(w.value, 2), round(w.cost, 2)
        )
        for w, r in worths[:MAX_SETTINGS]
    )
    return chosen, left_out


def design_plan(options: pl.DataFrame, facts: SeasonFacts, taken: list[str], where: str) -> Designed:
    """Return the plan of the coming shift.

    Args:
        options: `variation_option`, or its rows of some machines.
        facts: loads and fits of the season.
        taken: names of existing plans.
        where: the workspace, for messages.

    Returns:
        The plan of all machines that have something worth varying, and what is left out with reasons.

    Raises:
        WorkspaceError: there are no options.
    """
    if not options.height:
        raise WorkspaceError(
            "there is no advice for a coming shift", where=where, remedy="run 'taretrace post-shift' on it first"
        )
    day = narrow(options["shift_date"].max(), dt.date)
    name = next(n for i in range(1, 10_000) if (n := f"V{i:03d}") not in taken)
    seed = int(hashlib.sha256(f"{name}|{day}".encode()).hexdigest()[:8], 16)
    rng = np.random.default_rng(seed)
    machines: list[MachinePlan] = []
    left_out: list[LeftOut] = []
    first_pair = 1
    for (machine_id,), rows in options.group_by("machine_id", maintain_order=True):
        pairs = min(int(loads_per_day(facts.loads, str(machine_id)) // LOADS_PER_PAIR), MAX_PAIRS)
        if not pairs:
            left_out.append(LeftOut(str(machine_id), None, reason("vary_too_few_loads")))
            continue
        settings, others = _chosen(rows, pairs, facts)
        left_out += others
        if settings:
            loads = draw_loads(settings, pairs, rng)
            machines.append(MachinePlan(str(machine_id), rows["field_id"][0], first_pair, settings, loads))
            first_pair += pairs
    plan = VariationPlan(name, day, seed, tuple(machines)) if machines else None
    return Designed(plan, tuple(left_out))
