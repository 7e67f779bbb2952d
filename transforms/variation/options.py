"""Options of designed variation: safe levels of each setting of a machine, and the belief about its step.

The saving of a step is computed from the posterior draws of advice, with the machine's other advised moves made.
"""

from dataclasses import dataclass, field

import numpy as np
import polars as pl

from transforms.advice.move_effects import MoveEffects
from transforms.advice.moves import Situation, predict_outcome
from transforms.arrays import Array
from transforms.config.response_catalogue import DIRT, TOPS
from transforms.config.settings_catalogue import Setting
from transforms.config.workspace import Season
from transforms.contracts.reason import Reason, reason
from transforms.contracts.result_tables import schema_of
from transforms.trial.value import StepBelief
from transforms.variation.levels import Levels, MoveAdvised, practical_grid, safe_levels

MEASURED = (DIRT, TOPS)
"""Responses that every sampled load measures."""
OPTION_SCHEMA = schema_of("variation_option")
POSSIBLE = reason("vary_possible")
"""Reason of a setting that may be varied."""


@dataclass(frozen=True)
class _Curve:
    """Draws along one setting, interpolated between whole steps from the present value by parabolas.

    Attributes:
        setting: the setting.
        steps: settings moved by advice -> steps of their moves.
        situation: the machine before its next shift.
        effects: draws of the effects of moves.
        season: prices, settings and the largest move.
        known: whole steps -> draws, filled as they are needed.
    """

    setting: Setting
    steps: dict[str, float]
    situation: Situation
    effects: MoveEffects
    season: Season
    known: dict[int, dict[str, Array]] = field(default_factory=dict)

    def _at_whole(self, k: int) -> dict[str, Array]:
        """Return draws of the cost per tonne and of the change of each measured response after k whole steps."""
        if k not in self.known:
            steps = {**self.steps, self.setting.name: float(k)}
            outcome = predict_outcome(self.situation, steps, self.effects, self.season.prices, self.season.catalogue)
            changes = {r: self.effects.change(r, steps) for r in MEASURED if self.effects.contains(r)}
            self.known[k] = {"cost": outcome.cost.total, **changes}
        return self.known[k]

    def at(self, value: float) -> dict[str, Array]:
        """Return draws of the cost per tonne and of the change of each measured response at a value of the setting."""
        x = (value - self.situation.settings[self.setting.name]) / self.setting.step
        reach = self.season.advice.max_steps
        middle = int(np.clip(round(x), 1 - reach, reach - 1)) if reach > 1 else 0
        nodes = (middle - 1, middle, middle + 1)
        weights = [np.prod([(x - other) / (k - other) for other in nodes if other != k]) for k in nodes]
        whole = [self._at_whole(k) for k in nodes]
        return {n: np.asarray(sum(w * draws[n] for w, draws in zip(weights, whole, strict=True))) for n in whole[0]}


def _belief(curve: _Curve, base: float, levels: Levels, tried: tuple[float, float]) -> tuple[StepBelief, str] | None:
    """Return the belief about a step from the base in the better direction, and the response that loads measure.

    None if no response that loads measure changes with the setting.
    """
    step, start = curve.setting.step, curve.at(base)
    ends = [v for v in (base - step, base + step) if tried[0] <= v <= tried[1]] or [levels.low, levels.high]
    moved = max((curve.at(v) for v in ends), key=lambda draws: float((start["cost"] - draws["cost"]).mean()))
    gain = start["cost"] - moved["cost"]
    learnable: dict[str, tuple[float, float]] = {}
    for name in (r for r in MEASURED if r in moved):
        change = moved[name] - start[name]
        variance = float(change.var())
        if variance > 0:
            per_log = float(np.mean((gain - gain.mean()) * (change - change.mean()))) / variance
            learnable[name] = (abs(per_log) * float(np.sqrt(variance)), per_log)
    if not learnable:
        return None
    response = max(learnable, key=lambda r: learnable[r][0])
    varied = (curve.at(levels.low)["cost"] + curve.at(levels.high)["cost"]) / 2
    loss = float((varied - start["cost"]).mean())
    return StepBelief(float(gain.mean()), *learnable[response], loss), response


def _levels(name: str, situation: Situation, move: MoveAdvised | None, season: Season) -> Levels | Reason:
    """Return the safe levels of a setting, or the reason why it is not varied."""
    if name not in situation.tried:
        return reason("vary_not_tried")
    setting = season.catalogue[name]
    base = situation.settings[name] if move is None else move.to_value
    return safe_levels(setting, base, situation.tried[name][:2], move, practical_grid(setting, season.units))


def _columns(name: str, why: Reason, season: Season) -> dict[str, object]:
    setting = season.catalogue[name]
    return {"setting": name, "unit": setting.unit, "step": setting.step, **why.columns}


def _option(
    name: str, situation: Situation, effects: MoveEffects, moves: dict[str, MoveAdvised], season: Season
) -> dict[str, object]:
    """Return the columns of one setting: its levels and belief, or the reason why it is not varied."""
    catalogue, move = season.catalogue, moves.get(name)
    setting = catalogue[name]
    if name not in effects.settings or not effects.can_weigh(setting):
        return _columns(name, reason("vary_cost_unknown"), season)
    levels = _levels(name, situation, move, season)
    if isinstance(levels, Reason):
        return _columns(name, levels, season)
    base, tried = (situation.settings[name] if move is None else move.to_value), situation.tried[name][:2]
    others = {n: (m.to_value - m.from_value) / catalogue[n].step for n, m in moves.items() if n != name}
    found = _belief(_Curve(setting, others, situation, effects, season), base, levels, tried)
    if found is None:
        return _columns(name, reason("vary_not_measured"), season)
    belief, response = found
    return {
        **_columns(name, POSSIBLE, season),
        "base_value": levels.base,
        "low_value": levels.low,
        "high_value": levels.high,
        "tried_lo": tried[0],
        "tried_hi": tried[1],
        "response": response,
        **belief.__dict__,
    }


def advised_moves(advice: pl.DataFrame) -> dict[str, MoveAdvised]:
    """Return setting -> advised move of one machine.

    Args:
        advice: `advice` of the machine.
    """
    rows = advice.filter(pl.col("verdict") == "move").iter_rows(named=True)
    return {
        r["setting"]: MoveAdvised(r["from_value"], r["to_value"], r["gain_per_t"], r["gain_lo95"], r["gain_hi95"])
        for r in rows
    }


def variation_options(situation: Situation, effects: MoveEffects, advice: pl.DataFrame, season: Season) -> pl.DataFrame:
    """Return the rows of `variation_option` of one machine: one per numeric setting with a known present value.

    Args:
        situation: the machine before its next shift.
        effects: draws of the effects of moves.
        advice: `advice` of the machine.
        season: settings, prices and limits of moves.

    Returns:
        Levels in the unit of the setting and the belief about its step in money per tonne, or the reason why it is not
        varied.
    """
    head = {
        "machine_id": situation.machine_id,
        "field_id": situation.field_id,
        "shift_date": situation.shift_date,
        "wetness_class": situation.wetness_class,
        "soil_class": situation.soil_class,
    }
    moves = advised_moves(advice)
    names = [n for n, s in season.catalogue.items() if s.nature == "numeric" and n in situation.settings]
    rows = [{**head, **_option(n, situation, effects, moves, season)} for n in names]
    return pl.DataFrame(rows, schema=OPTION_SCHEMA)
