"""Rows of `advice`: the moves of a machine with their effects, gains and reasons, or the verdict "try" or "hold"."""

import numpy as np
import polars as pl

from transforms.advice.cost import CAUSES
from transforms.advice.mean_interval import mean_interval
from transforms.advice.move_effects import MoveEffects
from transforms.advice.moves import AdvisedMove, Outcome, Situation, choose_moves, predict_outcome
from transforms.advice.reliance import Reliance
from transforms.arrays import Array
from transforms.config.response_catalogue import ROOT_LOSS
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import AdviceRules, Prices
from transforms.contracts.reason import Reason, combine_reasons, reason
from transforms.contracts.result_tables import schema_of

MATERIAL_PCT = 1.0
"""A larger change of dirt or loss is mentioned in the reason."""
MATERIAL_POINTS = 1.0
"""A larger rise of the share of damaged roots, in percentage points, is mentioned in the reason."""
TRADE_OFF_CODES = ("dirt_for_roots", "roots_for_dirt", "damages_more")
"""Reasons that name the trade-off of a move: more dirt for less root loss, the reverse, and more damaged roots."""
ADVICE_SCHEMA = schema_of("advice")


def _move_reason(move: AdvisedMove, situation: Situation, n: int) -> Reason:
    """Return the conditions, the number of loads, the trade-off and the reliability of a move."""
    wet, soil = situation.wetness_class, situation.soil_class
    parts = [reason("move_in_conditions", wetness_class=wet, soil_class=soil, n=n)]
    if move.relied is not None:
        parts.append(reason("promises_too_high"))
    dirt, loss = 100 * float(np.expm1(move.dirt.mean())), 100 * float(np.expm1(move.loss.mean()))
    # A move of the topper may raise dirt and leave the roots: what it saves is shown in its figures.
    if dirt > MATERIAL_PCT and loss < 0:
        parts.append(reason("dirt_for_roots"))
    if loss > MATERIAL_PCT and dirt < 0:
        parts.append(reason("roots_for_dirt"))
    damaged = [outcome.quality_pct["damaged"] or 0.0 for outcome in (move.before, move.after)]
    if damaged[1] - damaged[0] > MATERIAL_POINTS:
        parts.append(reason("damages_more"))
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


def _gain_parts(move: AdvisedMove) -> dict[str, float]:
    """Return the mean gain of a move by cause; each part is proportional to the prices of its cause."""
    before, after = move.before.cost, move.after.cost
    return {f"gain_{c}_per_t": float(np.mean(getattr(before, c) - getattr(after, c))) for c in CAUSES}


def _levels(before: Outcome, after: Outcome, *, is_loss_known: bool) -> dict[str, float | None]:
    """Return mean dirt, root loss, topping and damage before and after a move; all but dirt only if fitted."""
    return {
        **{
            f"{name}_{side}_pct": value
            for side, o in (("before", before), ("after", after))
            for name, value in o.quality_pct.items()
        },
        "dirt_before_pct": before.dirt_pct,
        "dirt_after_pct": after.dirt_pct,
        "root_loss_before_t_ha": float(before.root_loss_t_ha.mean()) if is_loss_known else None,
        "root_loss_after_t_ha": float(after.root_loss_t_ha.mean()) if is_loss_known else None,
    }


def _quality_levels(outcome: Outcome) -> dict[str, Array | float]:
    """Return draws of top tare, of over-topped and of damaged roots, those that are fitted."""
    topping, damaged = outcome.topping, outcome.damaged_pct
    levels = {} if topping is None else {"tops": topping.measured_tops_pct, "over_topped": topping.over_topped_share}
    return {name: level for name, level in {**levels, "damaged": damaged}.items() if level is not None}


def _quality_changes(move: AdvisedMove) -> dict[str, float]:
    """Return the relative change of top tare, of over-topped and of damaged roots with its interval, %, if affected."""
    before, after = _quality_levels(move.before), _quality_levels(move.after)
    columns: dict[str, float] = {}
    for name in before.keys() & after.keys():
        change = 100 * (np.asarray(after[name]) / np.asarray(before[name]) - 1)
        if change.any():
            ends = (f"{name}_change_pct", f"{name}_lo95", f"{name}_hi95")
            columns |= dict(zip(ends, mean_interval(change), strict=True))
    return columns


def _move_row(
    move: AdvisedMove, situation: Situation, catalogue: Catalogue, verdict: str, *, is_loss_known: bool
) -> dict[str, object]:
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
        **_quality_changes(move),
        "gain_per_t": gain,
        "gain_lo95": gain_lo,
        "gain_hi95": gain_hi,
        **_gain_parts(move),
        **_levels(move.before, move.after, is_loss_known=is_loss_known),
        "probability_better": move.probability,
        "n": n,
    }


def advise_machine(
    situation: Situation,
    effects: MoveEffects,
    catalogue: Catalogue,
    prices: Prices,
    rules: AdviceRules,
    relied: Reliance | None = None,
) -> pl.DataFrame:
    """Return the `advice` rows of one machine: its moves, or one row with the verdict "try" or "hold".

    Args:
        situation: the machine before its next shift.
        effects: draws of the effects of moves.
        catalogue: the settings known.
        prices: prices of soil, roots, sugar, hours and tops, in the season's currency.
        rules: limits on number, size and probability of moves.
        relied: reliance on advice; None if promises came true.
    """
    moves, worth_trying = choose_moves(situation, effects, catalogue, prices, rules, relied)
    current = predict_outcome(situation, {}, effects, prices, catalogue)
    cost = dict(zip(("cost_per_t", "cost_lo95", "cost_hi95"), mean_interval(current.cost.total), strict=True))
    total = mean_interval(sum((m.gain for m in moves), np.zeros(1)))
    total_columns = dict(zip(("total_gain_per_t", "total_lo95", "total_hi95"), total, strict=True))
    known = effects.contains(ROOT_LOSS)
    rows = [
        {**_move_row(m, situation, catalogue, "move", is_loss_known=known), **total_columns, "move_number": k}
        for k, m in enumerate(moves, start=1)
    ]
    if not rows and worth_trying is not None:
        rows = [_move_row(worth_trying, situation, catalogue, "try", is_loss_known=known)]
    if not rows:
        why = reason("no_change_better")
        if not situation.tried:
            wet, soil = situation.wetness_class, situation.soil_class
            why = reason("advice_too_few_loads", wetness_class=wet, soil_class=soil)
        rows = [{**_row(situation, "hold", why), **_levels(current, current, is_loss_known=known)}]
    return pl.DataFrame([{**row, **cost} for row in rows], schema=ADVICE_SCHEMA)
