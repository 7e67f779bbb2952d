"""Selection of at most three moves for a machine's next shift within the range that the fleet has tried."""

import datetime as dt
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from transforms.advice.cost import CostParts, CropAndHaul, Topping, cost_parts
from transforms.advice.move_effects import MoveEffects
from transforms.advice.reliance import Reliance
from transforms.config.response_catalogue import DAMAGED, DIRT, OVER_TOPPED, ROOT_LOSS, TOPS, UNDER_TOPPED
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import AdviceRules, Prices

Array = NDArray[np.float64]
SMALLEST_GAIN_PER_T = 0.02
"""A smaller gain, in units of currency per tonne, is not worth the work of changing a setting."""
TRY_PROBABILITY = 0.6
USUAL_SPEED_KMH = 6.0


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
        topping: expected result of topping with current settings, as draws; None if it is not fitted.
        damaged_pct: expected share of roots with damaged skin with current settings: draws, shape (draws,), or one
            value; None if it is not fitted.
        ran: setting -> (low, high, loads) at which the fleet ran under such conditions, also if it hardly moved within
            a visit; levels of designed variation are inside.
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
    topping: Topping | None = None
    damaged_pct: Array | float | None = None
    ran: dict[str, tuple[float, float, int]] = field(default_factory=dict)


@dataclass(frozen=True)
class Outcome:
    """Draws of the result of some settings in a situation, each of shape (draws,).

    Attributes:
        dirt_ratio: dirt over clean mass.
        root_loss_t_ha: root loss.
        log_dirt: log change of dirt from the current settings.
        log_loss: log change of root loss from the current settings.
        cost: cost per tonne of clean beet by cause.
        topping: result of topping; None if it is not fitted.
        damaged_pct: share of roots with damaged skin; None if it is not fitted.
    """

    dirt_ratio: Array
    root_loss_t_ha: Array
    log_dirt: Array
    log_loss: Array
    cost: CostParts
    topping: Topping | None = None
    damaged_pct: Array | None = None

    @property
    def dirt_pct(self) -> float:
        """Mean dirt tare, % of the delivered weight."""
        return float((100 * self.dirt_ratio / (1 + self.dirt_ratio)).mean())

    @property
    def quality_pct(self) -> dict[str, float | None]:
        """Mean top tare (% of the delivered weight), and over-topped and damaged roots (%); None if not fitted."""
        damaged = None if self.damaged_pct is None else float(np.mean(self.damaged_pct))
        if self.topping is None:
            return {"tops": None, "over_topped": None, "damaged": damaged}
        share, tops = self.topping.over_topped_share, self.topping.measured_tops_pct
        return {
            "tops": None if tops is None else float(np.mean(tops)),
            "over_topped": None if share is None else 100 * float(np.mean(share)),
            "damaged": damaged,
        }


@dataclass(frozen=True)
class AdvisedMove:
    """Move of one setting by practical steps, with the outcomes before it and after it.

    Earlier moves of the same machine are part of both outcomes.

    Attributes:
        setting: name of the setting.
        steps: practical steps, up if positive.
        before: outcome without the move.
        after: outcome with it.
        relied: reliance on advice; None if promises came true.
    """

    setting: str
    steps: float
    before: Outcome
    after: Outcome
    relied: Reliance | None = None

    @property
    def probability(self) -> float:
        """Probability that the move saves."""
        by_fit = float((self.gain > 0).mean())
        return by_fit if self.relied is None else self.relied.probability(by_fit, self.setting)

    @property
    def gain(self) -> Array:
        """Draws of the gain per tonne of clean beet, shape (draws,)."""
        return self.before.cost.total - self.after.cost.total

    @property
    def dirt(self) -> Array:
        """Draws of the log change of dirt, shape (draws,)."""
        return self.after.log_dirt - self.before.log_dirt

    @property
    def loss(self) -> Array:
        """Draws of the log change of root loss, shape (draws,)."""
        return self.after.log_loss - self.before.log_loss


def allowed_steps(name: str, situation: Situation, catalogue: Catalogue, max_steps: int) -> list[float]:
    """Return the steps that keep a setting within the range tried and the limits of the catalogue.

    A number moves by whole steps; a flag is set to the state in which it was for less of the last shift.

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
    if setting.is_flag:
        other = setting.low if current - setting.low > setting.high - current else setting.high
        return [(other - current) / setting.step] if low <= other <= high else []
    return [float(k) for k in range(-max_steps, max_steps + 1) if k != 0 and low <= current + k * setting.step <= high]


def moved_share(level: Array | float, change: Array, *, is_pct: bool) -> Array:
    """Return a share after a change of its log ratio.

    Args:
        level: share before the change, one value or shape (draws,).
        change: change of its log ratio, shape (draws,).
        is_pct: the share is in percent, not a fraction.

    Returns:
        The share in the unit of `level`, shape (draws,).
    """
    whole = 100.0 if is_pct else 1.0
    odds = np.asarray(level) / (whole - np.asarray(level)) * np.exp(change)
    return np.asarray(whole * odds / (1 + odds))


def _topping_after(topping: Topping | None, steps: dict[str, float], effects: MoveEffects) -> Topping | None:
    """Return the result of topping after a move."""
    if topping is None:
        return None
    over, per_root = topping.over_topped_share, topping.stalks_tops_pct
    if over is not None:
        over = moved_share(over, effects.change(OVER_TOPPED, steps), is_pct=False)
    if not per_root:
        return replace(
            topping,
            tops_pct=moved_share(topping.tops_pct, effects.change(TOPS, steps), is_pct=True),
            over_topped_share=over,
        )
    stalks = moved_share(np.asarray(topping.tops_pct) / per_root, effects.change(UNDER_TOPPED, steps), is_pct=False)
    return Topping(per_root * stalks, over, per_root)


def predict_outcome(
    situation: Situation, steps: dict[str, float], effects: MoveEffects, prices: Prices, catalogue: Catalogue
) -> Outcome:
    """Return the outcome of moving settings by the given steps.

    Args:
        situation: the machine before its next shift.
        steps: setting -> steps moved, up if positive.
        effects: draws of the effects of moves.
        prices: prices of soil, roots, sugar, hours and tops.
        catalogue: the settings known.

    Returns:
        Draws of dirt, losses and cost after the moves, each of shape (draws,).
    """
    d, r = effects.change(DIRT, steps), effects.change(ROOT_LOSS, steps)
    current_kmh = situation.settings.get("ground_speed_kmh", USUAL_SPEED_KMH)
    speed = current_kmh + steps.get("ground_speed_kmh", 0.0) * catalogue["ground_speed_kmh"].step
    ratio, lost = situation.dirt_ratio * np.exp(d), situation.root_loss_t_ha * np.exp(r)
    topping = _topping_after(situation.topping, steps, effects)
    at, damaged = situation.at, None
    if situation.damaged_pct is not None:
        damaged = moved_share(situation.damaged_pct, effects.change(DAMAGED, steps), is_pct=True)
        at = replace(at, skin_damaged_pct=damaged)
    cost = cost_parts(ratio, lost, speed, current_kmh, at, prices, topping)
    return Outcome(ratio, lost, d, r, cost, topping, damaged)


def choose_moves(
    situation: Situation,
    effects: MoveEffects,
    catalogue: Catalogue,
    prices: Prices,
    rules: AdviceRules,
    relied: Reliance | None = None,
) -> tuple[list[AdvisedMove], AdvisedMove | None]:
    """Select moves one by one, each the best given the earlier ones, and the best move that is worth a trial.

    A setting is moved only if what the move may cost is estimated.

    Args:
        situation: the machine before its next shift.
        effects: draws of the effects of moves.
        catalogue: the settings known.
        prices: prices of soil, roots, sugar, hours and tops, in the season's currency.
        rules: limits on number, size and probability of moves.
        relied: reliance on advice; None if promises came true.

    Returns:
        Moves with P(better) of at least the rule's probability, and the best move with P(better) between 0.6 and that,
        or None.
    """
    chosen: dict[str, float] = {}
    moves: list[AdvisedMove] = []
    worth_trying: AdvisedMove | None = None
    names = [n for n in effects.settings if effects.can_weigh(catalogue[n])]
    while len(moves) < rules.max_moves:
        before = predict_outcome(situation, chosen, effects, prices, catalogue)
        best: AdvisedMove | None = None
        for name in (n for n in names if n not in chosen):
            for k in allowed_steps(name, situation, catalogue, rules.max_steps):
                after = predict_outcome(situation, {**chosen, name: k}, effects, prices, catalogue)
                move = AdvisedMove(name, k, before, after, relied)
                mean, p_better = float(move.gain.mean()), move.probability
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
