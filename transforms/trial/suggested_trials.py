"""Open questions on the settings' effects on dirt, and the split-run trials that would answer them."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.advice.cost_effects import CostLevels
from transforms.advice.shrinkage import USUAL_SD
from transforms.arrays import to_float
from transforms.config.response_catalogue import DIRT
from transforms.config.workspace import Prices
from transforms.contracts.reason import Reason, reason
from transforms.contracts.result_tables import schema_of
from transforms.trial.design import USUAL_DETECT_PCT
from transforms.trial.size import TrialNoise, TrialSize, trial_size
from transforms.trial.value import PairDesign, SeasonScale, StepBelief, worth_of

SMALLEST_DETECT_PCT = 3.0
WIDE_PCT = 6.0
"""A wider interval that contains zero leaves open if the setting matters."""
CONFOUNDED, WIDE, UNTRIED = reason("open_confounded"), reason("open_wide_interval"), reason("open_not_tried")
"""Reasons why an effect is an open question, the most urgent first."""
CONFOUNDED_EFFECT = "effect_confounded"
UNTRIED_SD = USUAL_SD / 2
"""Standard deviation of the log change by a step that was not tried: effects are seldom larger than twice this
(assumption). A confounded estimate may be off by as much, which its interval does not show."""
SMALL_LOG = 1e-3
NORMAL_95 = 1.959964
SPEED = "ground_speed_kmh"
WANTED_SCHEMA = schema_of("trial_wanted")


@dataclass(frozen=True)
class TrialPrices:
    """Prices and sizes that turn the answer of a trial into money.

    Attributes:
        levels: the season's levels, from which the cost of a step is computed.
        prices: prices of soil, roots, sugar, hours and tops.
        scale: tonnes left by wetness class, and uptake.
        load_t: mean soil-free mass of a load, t.
    """

    levels: CostLevels
    prices: Prices
    scale: SeasonScale
    load_t: float

    @property
    def per_log(self) -> float:
        """Change of the saving per tonne with the log change of dirt."""
        dirtier = self.levels.cost({DIRT: float(np.expm1(SMALL_LOG))}, 1, self.prices)
        return (self.levels.cost({}, 0, self.prices) - dirtier) / SMALL_LOG


def _why(r: dict[str, object]) -> Reason | None:
    """Return the reason why an effect is an open question; None if it is not."""
    if r["change_pct"] is None:
        return UNTRIED
    if r["reason_code"] == CONFOUNDED_EFFECT:
        return CONFOUNDED
    low, high = to_float(r["lo95"]), to_float(r["hi95"])
    return WIDE if low < 0 < high and high - low > WIDE_PCT else None


def _machine_with_most_loads(facts: pl.DataFrame) -> dict[str, str]:
    """Return, by wetness class, the machine that lifted the most loads in it."""
    busiest = (
        facts.drop_nulls(["machine_id", "wetness_class"])
        .group_by("wetness_class", "machine_id", maintain_order=True)
        .agg(pl.len().alias("loads"))
        .sort("loads", "machine_id", descending=[True, False])
        .unique("wetness_class", keep="first", maintain_order=True)
    )
    return {r["wetness_class"]: r["machine_id"] for r in busiest.iter_rows(named=True)}


def _belief(row: dict[str, object], changes: dict[str, float], money: TrialPrices) -> StepBelief:
    """Return the belief about the saving of one step under the season's conditions.

    Args:
        row: the effect on dirt, a row of `effect`.
        changes: response -> its change by one step up in this wetness class, as a fraction.
        money: prices and sizes.
    """
    step_kmh = to_float(row["step"]) if row["setting"] == SPEED else 0.0

    def cost(steps: int) -> float:
        return money.levels.cost(changes, steps, money.prices, step_kmh)

    up, down = (cost(0) - cost(k) for k in (1, -1))
    per_log = money.per_log
    low, high = row["lo95"], row["hi95"]
    is_tried = row["change_pct"] is not None and low is not None and high is not None
    ends = [np.log1p(to_float(v) / 100) for v in (low, high)] if is_tried else []
    sd = float(ends[1] - ends[0]) / (2 * NORMAL_95) if ends else UNTRIED_SD
    if is_tried and row["reason_code"] == CONFOUNDED_EFFECT:
        sd = float(np.hypot(sd, UNTRIED_SD))
    return StepBelief(max(up, down), abs(per_log) * sd, per_log, -(up + down) / 2)


def _worth(belief: StepBelief, size: TrialSize, pair_sd: float, wetness: str, money: TrialPrices) -> float | None:
    """Return the worth of a trial less its cost; None if it takes too many pairs or no such tonnes were lifted."""
    if size.pairs is None or wetness not in money.scale.tonnes:
        return None
    # The values of a trial are one step apart.
    design = PairDesign(size.pairs, 1.0, pair_sd, money.load_t)
    return worth_of(belief, design, money.scale.tonnes[wetness], money.scale.uptake).net


def suggest_trials(
    effects: pl.DataFrame,
    facts: pl.DataFrame,
    noise: TrialNoise,
    power: float,
    money: TrialPrices,
) -> pl.DataFrame:
    """Return a row for each setting and wetness class whose effect on dirt is an open question, with its trial.

    A trial is designed to detect the larger end of the current interval, rounded to whole percent as in the
    `trial plan` command on the page, or a change of 5 % if there is no interval yet. Trials are in order of worth:
    the value of the answer for the season less the cost of the trial. Those of equal or unknown worth are in order of
    urgency and width of the interval.

    Args:
        effects: `effect`.
        facts: `machine_id, shift_date, wetness_class, sample_kg` of all loads of the season.
        noise: residual standard deviation within visits and error of the laboratory.
        power: probability of detecting a change.
        money: prices and sizes.
    """
    machine_in = _machine_with_most_loads(facts)
    by_wetness = effects.filter(pl.col("soil_class").is_null() & pl.col("wetness_class").is_not_null())
    changes: dict[tuple[str, str], dict[str, float]] = {}
    for r in by_wetness.drop_nulls("change_pct").iter_rows(named=True):
        changes.setdefault((r["setting"], r["wetness_class"]), {})[r["response"]] = r["change_pct"] / 100
    open_effects = by_wetness.filter(pl.col("response") == DIRT).sort("setting", "wetness_class")
    pair_sd = noise.pair_sd(facts)
    rows = []
    for r in open_effects.iter_rows(named=True):
        why, wetness = _why(r), r["wetness_class"]
        if why is None or wetness not in machine_in:
            continue
        ends = [abs(v) for v in (r["lo95"], r["hi95"]) if v is not None]
        detect = float(round(max(*ends, SMALLEST_DETECT_PCT))) if ends else USUAL_DETECT_PCT
        machine = machine_in[wetness]
        size = trial_size(facts, machine, detect, noise, power)
        belief = _belief(r, changes.get((r["setting"], wetness), {}), money)
        rows.append(
            {
                **{k: r[k] for k in WANTED_SCHEMA if k in r},
                **why.columns,
                "machine_id": machine,
                "pairs": size.pairs,
                "detect_pct": detect,
                "machine_days": None if size.days is None else float(size.days),
                "worth": _worth(belief, size, pair_sd, wetness, money),
            }
        )
    return by_worth(pl.DataFrame(rows, schema=WANTED_SCHEMA))


def by_worth(suggested: pl.DataFrame) -> pl.DataFrame:
    """Return suggested trials in order of worth, then of urgency and width of the interval.

    Args:
        suggested: rows of `trial_wanted`.
    """
    places = {why.code: place for place, why in enumerate((CONFOUNDED, WIDE, UNTRIED))}
    order = pl.col("reason_code").replace_strict(places, default=0, return_dtype=pl.Int8)
    width = (pl.col("hi95") - pl.col("lo95")).fill_null(0.0)
    return suggested.sort(-pl.col("worth"), order, -width, "setting", "wetness_class", nulls_last=True)
