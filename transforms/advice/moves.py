"""Selection of at most three moves for a machine's next shift within the range that the fleet has tried, or "hold"."""

import datetime as dt
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.advice.cost import CropAndHaul, cost_per_t
from transforms.advice.mean_interval import mean_interval
from transforms.advice.posterior import Slopes
from transforms.config.settings_catalogue import ROOT_LOSS, Catalogue
from transforms.config.workspace import AdviceRules, Prices
from transforms.contracts.reason import Reason, combine_reasons, reason
from transforms.contracts.result_tables import schema_of

Array = NDArray[np.float64]
SMALLEST_GAIN_PER_T = 0.02
"""A smaller gain, in units of currency per tonne, is not worth the work of changing a setting."""
TRY_PROBABILITY = 0.6
MATERIAL_PCT = 1.0
"""A larger change of dirt or loss is mentioned in the reason."""
USUAL_SPEED_KMH = 6.0
TRADE_OFF_CODES = ("dirt_for_roots", "roots_for_dirt")
"""Reasons that name the trade-off of a move: more dirt for less root loss, and the reverse."""


@dataclass(frozen=True)
class Situation:
    """A machine before its next shift.

    Attributes:
        machine_id: the machine.
        field_id: the field in which it will continue.
        shift_date: the next shift.
        settings: setting -> mean value in its last shift.
        tried: setting -> (low, high, loads) tried by the fleet under such conditions.
        wetness_class: expected wetness class.
        soil_class: soil class of the field.
        dirt_ratio: expected dirt over clean mass with current settings: draws, shape (draws,), or one value.
        root_loss_t_ha: expected root loss with current settings: draws, shape (draws,), or one value.
        at: crop and haul.
        topsoil_wetness: expected wetness, 0 to 1.
        outlook: source of the expected conditions, "forecast" or "as now".
    """

    machine_id: str
    field_id: str
    shift_date: dt.date
    settings: dict[str, float]
    tried: dict[str, tuple[float, float, int]]
    wetness_class: str
    soil_class: str
    dirt_ratio: Array | float
    root_loss_t_ha: Array | float
    at: CropAndHaul
    topsoil_wetness: float
    outlook: str


@dataclass(frozen=True)
class AdvisedMove:
    """Move of one setting by whole practical steps, with draws of its own gain and log changes of dirt and loss."""

    setting: str
    steps: int
    gain: Array
    dirt: Array
    loss: Array


def allowed_steps(name: str, situation: Situation, catalogue: Catalogue, max_steps: int) -> list[int]:
    """Return the whole steps that keep a setting within the range tried and the limits of the catalogue.

    Args:
        name: the setting.
        situation: the machine before its next shift.
        catalogue: the settings known.
        max_steps: largest number of practical steps of a move.

    Returns:
        Numbers of steps, ascending, without 0; empty if the setting was not tried or its current value is unknown.
    """
    if name not in situation.tried or name not in situation.settings:
        return []
    low, high, _ = situation.tried[name]
    setting, current = catalogue[name], situation.settings[name]
    low, high = max(low, setting.low), min(high, setting.high)
    return [k for k in range(-max_steps, max_steps + 1) if k != 0 and low <= current + k * setting.step <= high]


class _Outcome(NamedTuple):
    """Draws of cost per tonne, log change of dirt and log change of root loss, each of shape (draws,)."""

    cost: Array
    dirt: Array
    loss: Array


def _outcome(
    situation: Situation,
    steps: dict[str, float],
    dirt: Slopes,
    loss: Slopes | None,
    prices: Prices,
    catalogue: Catalogue,
) -> _Outcome:
    """Return draws of cost and log changes after moving settings."""
    d = dirt.log_change(steps)
    r = loss.log_change(steps) if loss is not None else np.zeros_like(d)
    current_kmh = situation.settings.get("ground_speed_kmh", USUAL_SPEED_KMH)
    speed = current_kmh + steps.get("ground_speed_kmh", 0.0) * catalogue["ground_speed_kmh"].step
    cost = cost_per_t(
        situation.dirt_ratio * np.exp(d), situation.root_loss_t_ha * np.exp(r), speed, current_kmh, situation.at, prices
    )
    return _Outcome(cost, d, r)


def choose_moves(
    situation: Situation, dirt: Slopes, loss: Slopes | None, catalogue: Catalogue, prices: Prices, rules: AdviceRules
) -> tuple[list[AdvisedMove], AdvisedMove | None]:
    """Select moves one by one, each the best given the earlier ones, and the best move that is worth a trial.

    A setting that may affect root loss is moved only if the audits allow its effect to be estimated.

    Args:
        situation: the machine before its next shift.
        dirt: draws of the effects on dirt, log scale.
        loss: draws of the effects on root loss, log scale; None if it is not fitted.
        catalogue: the settings known.
        prices: prices of soil, roots, sugar and hours, in the season's currency.
        rules: limits on number, size and probability of moves.

    Returns:
        Moves with P(better) of at least the rule's probability, and the best move with P(better) between 0.6 and that,
        or None.
    """
    chosen: dict[str, float] = {}
    moves: list[AdvisedMove] = []
    worth_trying: AdvisedMove | None = None
    estimable = loss.settings if loss is not None else []
    names = [n for n in dirt.settings if ROOT_LOSS not in catalogue[n].responses or n in estimable]
    while len(moves) < rules.max_moves:
        before, d0, r0 = _outcome(situation, chosen, dirt, loss, prices, catalogue)
        best: AdvisedMove | None = None
        for name in (n for n in names if n not in chosen):
            for k in allowed_steps(name, situation, catalogue, rules.max_steps):
                after, d1, r1 = _outcome(situation, {**chosen, name: k}, dirt, loss, prices, catalogue)
                move = AdvisedMove(name, k, before - after, d1 - d0, r1 - r0)
                mean, p_better = float(move.gain.mean()), float((move.gain > 0).mean())
                if mean < SMALLEST_GAIN_PER_T:
                    continue
                if p_better >= rules.probability and (best is None or mean > best.gain.mean()):
                    best = move
                elif TRY_PROBABILITY <= p_better < rules.probability and (
                    worth_trying is None or mean > worth_trying.gain.mean()
                ):
                    worth_trying = move
        if best is None:
            break
        moves.append(best)
        chosen[best.setting] = best.steps
    return moves, worth_trying


def _move_reason(move: AdvisedMove, situation: Situation, n: int) -> Reason:
    """Return the conditions, the number of loads and the trade-off of a move."""
    wet, soil = situation.wetness_class, situation.soil_class
    parts = [reason("move_in_conditions", wetness_class=wet, soil_class=soil, n=n)]
    dirt, loss = 100 * float(np.expm1(move.dirt.mean())), 100 * float(np.expm1(move.loss.mean()))
    if dirt > MATERIAL_PCT:
        parts.append(reason("dirt_for_roots"))
    if loss > MATERIAL_PCT:
        parts.append(reason("roots_for_dirt"))
    return combine_reasons(parts)


def _row(situation: Situation, verdict: str, why: Reason) -> dict[str, object]:
    """Return the columns that all `advice` rows have."""
    return {
        "machine_id": situation.machine_id,
        "field_id": situation.field_id,
        "shift_date": situation.shift_date,
        "verdict": verdict,
        "wetness_class": situation.wetness_class,
        "soil_class": situation.soil_class,
        "topsoil_wetness": situation.topsoil_wetness,
        "outlook": situation.outlook,
        **why.columns,
    }


def _move_row(move: AdvisedMove, situation: Situation, catalogue: Catalogue, verdict: str) -> dict[str, object]:
    """Return the `advice` row of a move."""
    setting, current = catalogue[move.setting], situation.settings[move.setting]
    n = situation.tried[move.setting][2]
    gain, gain_lo, gain_hi = mean_interval(move.gain)
    dirt = [100 * float(np.expm1(v)) for v in mean_interval(move.dirt)]
    loss = [100 * float(np.expm1(v)) for v in mean_interval(move.loss)]
    return {
        **_row(situation, verdict, _move_reason(move, situation, n)),
        "setting": move.setting,
        "from_value": current,
        "to_value": current + move.steps * setting.step,
        "unit": setting.unit,
        "dirt_change_pct": dirt[0],
        "dirt_lo95": dirt[1],
        "dirt_hi95": dirt[2],
        "root_loss_change_pct": loss[0],
        "root_loss_lo95": loss[1],
        "root_loss_hi95": loss[2],
        "gain_per_t": gain,
        "gain_lo95": gain_lo,
        "gain_hi95": gain_hi,
        "probability_better": float((move.gain > 0).mean()),
        "n": n,
    }


ADVICE_SCHEMA = schema_of("advice")


def advise_machine(
    situation: Situation, dirt: Slopes, loss: Slopes | None, catalogue: Catalogue, prices: Prices, rules: AdviceRules
) -> pl.DataFrame:
    """Return the `advice` rows of one machine: its moves, or one row with the verdict "try" or "hold".

    Args:
        situation: the machine before its next shift.
        dirt: draws of the effects on dirt, log scale.
        loss: draws of the effects on root loss, log scale; None if it is not fitted.
        catalogue: the settings known.
        prices: prices of soil, roots, sugar and hours, in the season's currency.
        rules: limits on number, size and probability of moves.
    """
    moves, worth_trying = choose_moves(situation, dirt, loss, catalogue, prices, rules)
    current_cost = np.atleast_1d(_outcome(situation, {}, dirt, loss, prices, catalogue).cost)
    cost = dict(zip(("cost_per_t", "cost_lo95", "cost_hi95"), mean_interval(current_cost), strict=True))
    total = mean_interval(sum((m.gain for m in moves), np.zeros(1)))
    total_columns = dict(zip(("total_gain_per_t", "total_lo95", "total_hi95"), total, strict=True))
    rows = [{**_move_row(m, situation, catalogue, "move"), **total_columns} for m in moves]
    if not rows and worth_trying is not None:
        rows = [_move_row(worth_trying, situation, catalogue, "try")]
    if not rows:
        why = reason("no_change_better")
        if not situation.tried:
            wet, soil = situation.wetness_class, situation.soil_class
            why = reason("advice_too_few_loads", wetness_class=wet, soil_class=soil)
        rows = [_row(situation, "hold", why)]
    return pl.DataFrame([{**row, **cost} for row in rows], schema=ADVICE_SCHEMA)
