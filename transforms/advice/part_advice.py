"""Advice on fitted parts for the days ahead: which to fit from which day on, what it gains, and the trial it needs.

Parts are compared between days of the same machines (`model/fitted_parts.py`), so their effect is never as sure as that
of a setting. A change is advised only if machines that changed compare the parts in the wetness class of each day, and
not on wet days against dry ones. Else a change that may pay is shown with the trial that would settle it.
"""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy.stats import t

from transforms.advice.cost import cost_parts
from transforms.advice.mean_interval import mean_interval
from transforms.advice.moves import TRY_PROBABILITY, USUAL_SPEED_KMH, Situation, moved_share
from transforms.advice.outlook import FORECAST, WEATHER, Outlook
from transforms.advice.part_evidence import (
    Change,
    FleetParts,
    Row,
    degrees_of_freedom,
    is_by_lot,
    possible_changes,
)
from transforms.advice.shrinkage import DRAWS
from transforms.arrays import Array
from transforms.config.response_catalogue import DAMAGED, DIRT, ROOT_LOSS
from transforms.config.workspace import AdviceRules, Prices
from transforms.contracts.classes import classes_at
from transforms.contracts.reason import Reason, reason
from transforms.contracts.result_tables import schema_of
from transforms.model.fit_result import ResponseFit
from transforms.model.fitted_parts import MIN_MACHINES
from transforms.model.prediction import PredictionPoint, expected_scale

PART_ADVICE_SCHEMA = schema_of("part_advice")
ADVISED, TRIAL = "fit", "trial"
"""Verdicts: fit the part, or settle by a trial if it pays."""


@dataclass(frozen=True)
class PartTrialSize:
    """Size of the trial that settles a comparison; pairs and cost are None if more than 200 pairs are needed.

    Attributes:
        detect_pct: change of dirt that it detects, percent.
        pairs: pairs of machine-days, one day with each part.
        cost: expected cost of the changes in the workshop, in the season's currency.
    """

    detect_pct: float
    pairs: int | None
    cost: float | None


@dataclass(frozen=True)
class PartRules:
    """Prices, limits and trials of the advice on parts.

    Attributes:
        prices: prices of the season; `parts_change` is the cost of a change in the workshop.
        advice: limits on advice.
        trial_size: function that returns the size of a trial for an estimated change of dirt, percent.
        seed: seed of the random draws.
    """

    prices: Prices
    advice: AdviceRules
    trial_size: Callable[[float], PartTrialSize]
    seed: int

    def objection(self, rows: list[Row], p_better: float, *, is_loss_known: bool) -> Reason | None:
        """Return the reason for a trial instead of advice; None if the change is advised.

        Args:
            rows: rows of `part_effect` on dirt in the classes of the days ahead.
            p_better: probability that the change pays.
            is_loss_known: True if the parts' root loss is compared too.
        """
        wet = [abs(r["wetness_gap"]) for r in rows if r["reason_code"] == "part_confounded_wetness"]
        if wet:
            return reason("part_wet_weather", gap=max(wet))
        if not is_loss_known:
            return reason("part_loss_unknown")
        is_clear = all((r["lo95"] > 0 or r["hi95"] < 0) and r["n"] >= self.advice.min_loads for r in rows)
        return None if is_clear and p_better >= self.advice.probability else reason("part_unsure")


@dataclass(frozen=True)
class PartDay:
    """One day ahead of a machine: its date, wetness class and factor of the dirt ratio compared with the next shift."""

    date: dt.date
    wetness_class: str
    dirt_factor: float


def days_of(situation: Situation, place: PredictionPoint, outlooks: list[Outlook], dirt: ResponseFit) -> list[PartDay]:
    """Return the days ahead with a forecast for the machine's field, with their wetness class and dirt.

    Args:
        situation: the machine before its next shift.
        place: conditions of the next shift.
        outlooks: outlooks of the next shift and the following ones.
        dirt: fit of dirt.
    """
    days, level = [], expected_scale(dirt, place, situation.field_id, situation.settings)
    for k, outlook in enumerate(outlooks):
        ahead = outlook.field_conditions(situation.field_id)
        if ahead["outlook"] != FORECAST:
            break
        conditions = {**place.conditions, **{n: float(ahead[n]) for n in WEATHER}}
        conditions["campaign_day"] += k
        z = expected_scale(dirt, replace(place, conditions=conditions), situation.field_id, situation.settings)
        wetness_class = classes_at(conditions["topsoil_wetness"], conditions["clay_pct"])[0]
        days.append(PartDay(situation.shift_date + dt.timedelta(days=k), wetness_class, float(np.exp(z - level))))
    return days


def _draws(
    change: Change, fleet: FleetParts, response: str, wetness_class: str, rng: np.random.Generator
) -> Array | None:
    """Return draws of the log change of a response on days of a class, shape (draws,); None if it is not estimated.

    Only dirt needs a comparison in the class itself: losses and damage are measured too seldom.
    """
    parts = (change.now, change.part)
    row = fleet.comparison(response, change.place, parts, wetness_class)
    if row is None and response != DIRT:
        row = fleet.comparison(response, change.place, parts, None)
    if row is None:
        return None
    estimate, error = change.log_change(row)
    return estimate + error * rng.standard_t(degrees_of_freedom(row), DRAWS)


@dataclass(frozen=True)
class _Gain:
    """Draws of the gain on a day, shape (draws,), per tonne; `is_loss_known` is False if root loss is not compared."""

    per_t: Array
    is_loss_known: bool


def _gains(
    change: Change, situation: Situation, days: list[PartDay], fleet: FleetParts, rules: PartRules
) -> list[_Gain] | None:
    """Return the gain of a change on each day; None if the parts were not compared in the class of a day."""
    by_class: dict[str, dict[str, Array | None]] = {}
    for day in days:
        if day.wetness_class not in by_class:
            rng = np.random.default_rng(rules.seed)
            of_class = {r: _draws(change, fleet, r, day.wetness_class, rng) for r in (DIRT, ROOT_LOSS, DAMAGED)}
            by_class[day.wetness_class] = of_class
    if any(of_class[DIRT] is None for of_class in by_class.values()):
        return None
    return [_gain(situation, day, by_class[day.wetness_class], rules.prices) for day in days]


def _gain(situation: Situation, day: PartDay, drawn: dict[str, Array | None], prices: Prices) -> _Gain:
    """Return the gain of a change on one day, of soil, roots and pile at the machine's present speed."""
    speed = situation.settings.get("ground_speed_kmh", USUAL_SPEED_KMH)
    zero = np.zeros(DRAWS)
    known = {r: zero if d is None else d for r, d in drawn.items()}
    ratio, lost = situation.dirt_ratio * day.dirt_factor, situation.root_loss_t_ha
    at = after = situation.at
    if situation.damaged_pct is not None:
        at = replace(at, skin_damaged_pct=situation.damaged_pct)
        after = replace(at, skin_damaged_pct=moved_share(situation.damaged_pct, known[DAMAGED], is_pct=True))
    before = cost_parts(ratio, lost, speed, speed, at, prices).total
    moved = cost_parts(ratio * np.exp(known[DIRT]), lost * np.exp(known[ROOT_LOSS]), speed, speed, after, prices).total
    return _Gain(np.asarray(before - moved), drawn[ROOT_LOSS] is not None)


def advise_parts(fleet: FleetParts, machines: list[tuple[Situation, list[PartDay]]], rules: PartRules) -> pl.DataFrame:
    """Return `part_advice`: at most one change per machine and place, from the day ahead on which it gains most.

    Args:
        fleet: parts of the fleet and the evidence on them.
        machines: machine before its next shift, and its days ahead with a forecast.
        rules: prices, limits and trials.

    Returns:
        One row per change with the verdict "fit" or "trial"; none where no change is likely to pay.
    """
    rows: list[Row] = []
    for situation, days in machines:
        best: dict[str, Row] = {}
        for change in possible_changes(fleet, situation.machine_id, situation.shift_date):
            start = _best_start(change, situation, days, fleet, rules)
            row = None if start is None else _advised(change, situation, fleet, start, rules)
            if row is not None and (change.place not in best or row["gain"] > best[change.place]["gain"]):
                best[change.place] = row
        rows += best.values()
    return pl.DataFrame(rows, schema=PART_ADVICE_SCHEMA)


@dataclass(frozen=True)
class _Start:
    """A first day, the days that follow it, and draws of the gain of all of them without the workshop, per tonne."""

    days: list[PartDay]
    per_t: Array
    is_loss_known: bool


def _best_start(
    change: Change, situation: Situation, days: list[PartDay], fleet: FleetParts, rules: PartRules
) -> _Start | None:
    """Return the first day from which a change gains most up to the last day with a forecast; None if none gains."""
    starts = []
    for k in range(len(days)):
        gains = _gains(change, situation, days[k:], fleet, rules)
        if gains is not None:
            total = np.sum([g.per_t for g in gains], axis=0)
            starts.append(_Start(days[k:], total, all(g.is_loss_known for g in gains)))
    best = max(starts, key=lambda s: float(s.per_t.mean()), default=None)
    return best if best is not None and best.per_t.mean() > 0 else None


def _advised(change: Change, situation: Situation, fleet: FleetParts, start: _Start, rules: PartRules) -> Row | None:
    """Return the row of a change; None if it is not likely to pay for the workshop."""
    tonnes, cost = fleet.clean_t.get(situation.machine_id, 0.0), rules.prices.parts_change
    net = start.per_t * tonnes - cost
    p_better, first = float((net > 0).mean()), start.days[0]
    classes = dict.fromkeys(day.wetness_class for day in start.days)
    found = [fleet.comparison(DIRT, change.place, (change.now, change.part), c) for c in classes]
    rows = [r for r in found if r is not None and (is_by_lot(r) or r["machines"] >= MIN_MACHINES)]
    if p_better < TRY_PROBABILITY or net.mean() <= 0 or len(rows) < len(classes):
        return None
    estimate, error = change.log_change(rows[0])
    half = float(t.ppf(0.975, degrees_of_freedom(rows[0]))) * error
    against = rules.objection(rows, p_better, is_loss_known=start.is_loss_known)
    gain, size = mean_interval(net), rules.trial_size(100 * float(np.expm1(estimate)))
    return {
        "machine_id": situation.machine_id,
        "field_id": situation.field_id,
        "place": change.place,
        "part_now": change.now,
        "part": change.part,
        "from_date": first.date,
        "to_date": start.days[-1].date,
        "wetness_class": first.wetness_class,
        "change_pct": 100 * float(np.expm1(estimate)),
        "lo95": 100 * float(np.expm1(estimate - half)),
        "hi95": 100 * float(np.expm1(estimate + half)),
        "machines": rows[0]["machines"],
        "n": rows[0]["n"],
        "clean_t": tonnes * len(start.days),
        "workshop_cost": cost,
        "gain": gain.mean,
        "gain_lo95": gain.lo95,
        "gain_hi95": gain.hi95,
        "probability_better": p_better,
        "trial_pairs": size.pairs,
        "trial_detect_pct": size.detect_pct,
        "trial_cost": size.cost,
        "verdict": ADVISED if against is None else TRIAL,
        **(against or _evidence(rows)).columns,
    }


def _evidence(rows: list[Row]) -> Reason:
    """Return what an advised change rests on: pairs of days by lot, or days as they came, in any of its classes."""
    as_they_came = [r for r in rows if not is_by_lot(r)]
    if as_they_came:
        return reason("part_between_visits", machines=as_they_came[0]["machines"])
    return reason("part_by_lot", pairs=min(r["pairs"] for r in rows))
