"""Answers to what-if questions: dirt, losses, topping, damage and cost under given conditions, settings and parts."""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from transforms.advice.cost import CAUSES, CropAndHaul, cost_parts
from transforms.advice.mean_interval import MeanInterval, mean_interval
from transforms.advice.moves import USUAL_SPEED_KMH
from transforms.advice.pair_effects import PairEffect
from transforms.advice.situations import UNKNOWN_LOSS_T_HA
from transforms.advice.topping import TOPPING, topping_from_scale
from transforms.advice.what_if_parts import chosen_parts, part_draws, untried_parts
from transforms.advice.what_if_table import unpack_draws
from transforms.config.response_catalogue import DAMAGED, DIRT, ROOT_LOSS
from transforms.config.workspace import Prices
from transforms.contracts.classes import classes_at
from transforms.contracts.reason import Reason, reason
from transforms.errors import WorkspaceError
from transforms.model.response_scale import value_from_scale

Array = NDArray[np.float64]


@dataclass(frozen=True)
class WhatIfQuery:
    """Conditions of a question, settings by name, and fitted parts by place; what is not given is as usual."""

    topsoil_wetness: float
    clay_pct: float
    air_temp_c: float
    yield_t_ha: float
    settings: dict[str, float]
    parts: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Answer:
    """Expected values, each as mean and 95 % interval, and reasons to distrust them.

    Attributes:
        dirt_pct: dirt tare.
        root_loss_t_ha: root loss; None if it is not fitted.
        top_tare_pct: top tare; None if it is not fitted, also if the cost uses counted stalks.
        over_topped_pct: share of roots topped too deep; None if it is not fitted.
        damaged_pct: roots with damaged skin; None if they are not fitted.
        cost_per_t: cost per tonne of clean beet.
        saved_per_t: saving compared with the usual settings and parts.
        parts: mean cost by cause.
        untried: reasons why the question is outside the observed range; empty if it is inside.
        n: loads of the fleet in such conditions.
    """

    dirt_pct: MeanInterval
    root_loss_t_ha: MeanInterval | None
    top_tare_pct: MeanInterval | None
    over_topped_pct: MeanInterval | None
    damaged_pct: MeanInterval | None
    cost_per_t: MeanInterval
    saved_per_t: MeanInterval
    parts: dict[str, float]
    untried: tuple[Reason, ...]
    n: int


@dataclass(frozen=True)
class UntriedSetting:
    """Setting with a value that the fleet has not tried.

    Attributes:
        setting: its name.
        low: lowest value tried in such conditions, in the stored unit; None if it was not tried at all.
        high: highest value tried.
    """

    setting: str
    low: float | None
    high: float | None


@dataclass(frozen=True)
class UnseenCondition:
    """Condition in which nearly no load of the season was lifted.

    Attributes:
        condition: its name.
        low: lower end of the range seen, in the stored unit.
        high: upper end of the range seen.
    """

    condition: str
    low: float
    high: float


def _corners(table: dict[str, Any], q: WhatIfQuery) -> list[tuple[int, float]]:
    """Return the nodes around a point of wetness and clay with their weights; points beyond the grid use its edge."""
    sides = []
    for grid, value in ((table["wetness"], q.topsoil_wetness), (table["clay"], q.clay_pct)):
        i, t = _position(grid, value)
        sides.append(((i, 1 - t), (i + 1, t)))
    width = len(table["clay"])
    return [(i * width + j, a * b) for i, a in sides[0] for j, b in sides[1] if a * b > 0]


def _position(grid: list[float], value: float) -> tuple[int, float]:
    """Return the node at or below a value and the fraction of the distance to the next; 0 if the nodes coincide."""
    v = float(np.clip(value, grid[0], grid[-1]))
    i = int(np.clip(np.searchsorted(grid, v, side="right") - 1, 0, len(grid) - 2))
    width = grid[i + 1] - grid[i]
    return i, (v - grid[i]) / width if width > 0 else 0.0


def _between(grid: list[float], draws: Array, value: float) -> Array:
    """Return draws interpolated at a value, shape (draws,)."""
    i, t = _position(grid, value)
    return np.asarray((1 - t) * draws[:, i] + t * draws[:, i + 1])


def _z(table: dict[str, Any], response: str, q: WhatIfQuery) -> Array:
    """Return draws of z of a response, shape (draws,)."""
    tabulated, corners = table["responses"][response], _corners(table, q)
    z = (
        tabulated["z"]
        + unpack_draws(tabulated["visit"])
        + sum(w * unpack_draws(tabulated["base"])[:, i] for i, w in corners)
    )
    conditions = {"air_temp_c": q.air_temp_c, "yield_t_ha": q.yield_t_ha}
    for n, draws in tabulated["sides"].items():
        z = z + _between(table["sides"][n], unpack_draws(draws), conditions[n])
    multipliers = [
        (np.clip(conditions[n], low, high) - np.clip(table["at"][n], low, high)) / scale
        for n, (scale, low, high) in table["plain_by"].items()
    ]
    for n, draws in tabulated["step"].items():
        s, usual = table["settings"][n], table["usual"][n]
        value = q.settings.get(n, usual)
        slope = sum(w * unpack_draws(draws)[:, i] for i, w in corners) + unpack_draws(tabulated["by"][n]) @ np.array(
            multipliers
        )
        z = z + (value - usual) / s["step"] * slope
        if n in tabulated["bend"]:
            z = z + _between(table["values"][n], unpack_draws(tabulated["bend"][n]), value)
    for pair in tabulated["pairs"]:
        effect = PairEffect(
            tuple(pair["settings"]), tuple(pair["middle"]), tuple(pair["step"]), unpack_draws(pair["draws"])[:, 0]
        )
        z = z + effect.change(table["usual"], {**table["usual"], **q.settings})[:, 0]
    wetness_class = classes_at(q.topsoil_wetness, q.clay_pct)[0]
    return np.asarray(z + part_draws(table, response, wetness_class, q.parts))


def untried_settings(table: dict[str, Any], q: WhatIfQuery) -> tuple[UntriedSetting, ...]:
    """Return the settings of a question with values that the fleet has not tried in its class of conditions.

    Args:
        table: result of `tabulate`.
        q: the question.

    Returns:
        The settings with the range tried; none if the class has too few loads for any range.
    """
    wet, soil = classes_at(q.topsoil_wetness, q.clay_pct)
    tried = table["tried"][f"{wet}|{soil}"]["settings"]
    out = []
    for n, value in q.settings.items() if tried else ():
        low, high = tried.get(n, (np.inf, -np.inf))
        if low > high:
            out.append(UntriedSetting(n, None, None))
        elif not low - 1e-9 <= value <= high + 1e-9:
            out.append(UntriedSetting(n, low, high))
    return tuple(out)


def unseen_conditions(table: dict[str, Any], q: WhatIfQuery) -> tuple[UnseenCondition, ...]:
    """Return the conditions of a question in which nearly no load of the season was lifted.

    Args:
        table: result of `tabulate`.
        q: the question.

    Returns:
        The conditions, each with the range of the middle 96 % of the loads; beyond it, the table has its last value.
    """
    asked = {"air_temp_c": q.air_temp_c, "yield_t_ha": q.yield_t_ha}
    return tuple(
        UnseenCondition(n, grid[0], grid[-1])
        for n, grid in table["sides"].items()
        if not grid[0] - 1e-9 <= asked[n] <= grid[-1] + 1e-9
    )


def _untried(table: dict[str, Any], q: WhatIfQuery) -> tuple[tuple[Reason, ...], int]:
    """Return the reasons why a question is outside the observed range, and the loads of the fleet in its class."""
    wet, soil = classes_at(q.topsoil_wetness, q.clay_pct)
    cell = table["tried"][f"{wet}|{soil}"]
    unseen = tuple(
        reason("condition_seen_only", condition=u.condition, low=u.low, high=u.high)
        for u in unseen_conditions(table, q)
    )
    if not cell["settings"]:
        few = reason("fleet_has_few_loads", n=cell["n"], soil_class=soil, wetness_class=wet)
        return (few, *untried_parts(table, q.parts), *unseen), cell["n"]
    found = [
        reason("setting_not_tried", setting=u.setting)
        if u.low is None
        else reason("setting_tried_only", setting=u.setting, low=u.low, high=u.high)
        for u in untried_settings(table, q)
    ]
    return (*found, *untried_parts(table, q.parts), *unseen), cell["n"]


def _pct(share: Array | float) -> MeanInterval:
    return mean_interval(100 * np.asarray(share))


def answer_query(table: dict[str, Any], q: WhatIfQuery) -> Answer:
    """Return the expected values for a question.

    Args:
        table: result of `tabulate`.
        q: the question.

    Raises:
        WorkspaceError: a setting is not in the fit, or a part is not a choice there.
    """
    unknown = [n for n in q.settings if n not in table["settings"]]
    if unknown:
        raise WorkspaceError(
            "'{name}' is not in the fit",
            where="--set",
            remedy="use one of {names}",
            name=unknown[0],
            names=", ".join(table["settings"]),
        )
    prices, crop = Prices(**table["prices"]), CropAndHaul(q.yield_t_ha, **table["crop"])
    usual_kmh = table["usual"].get("ground_speed_kmh", USUAL_SPEED_KMH)
    costs, ratio, lost, topping, damaged = [], np.zeros(0), None, None, None
    asked = replace(q, parts=chosen_parts(table, q.parts, classes_at(q.topsoil_wetness, q.clay_pct)[0]))
    for at in (replace(q, settings={}, parts={}), asked):
        ratio = np.exp(_z(table, DIRT, at))
        if DAMAGED in table["responses"]:
            damaged = value_from_scale(DAMAGED, _z(table, DAMAGED, at))
            crop = replace(crop, skin_damaged_pct=damaged)
        lost = None
        if ROOT_LOSS in table["responses"]:
            lost = np.maximum(np.exp(_z(table, ROOT_LOSS, at)) - table["small_loss"], 0.0)
        speed = at.settings.get("ground_speed_kmh", usual_kmh)
        levels = {r: _z(table, r, at) for r in TOPPING if r in table["responses"]}
        topping = topping_from_scale(levels, prices.stalks_tops_pct)
        left = UNKNOWN_LOSS_T_HA if lost is None else lost
        costs.append(cost_parts(ratio, left, speed, usual_kmh, crop, prices, topping))
    untried, n = _untried(table, asked)
    after, tops = costs[1], None if topping is None else topping.measured_tops_pct
    return Answer(
        mean_interval(100 * ratio / (1 + ratio)),
        None if lost is None else mean_interval(lost),
        None if tops is None else mean_interval(np.asarray(tops)),
        None if topping is None or topping.over_topped_share is None else _pct(topping.over_topped_share),
        None if damaged is None else mean_interval(damaged),
        mean_interval(after.total),
        mean_interval(costs[0].total - after.total),
        {k: float(np.mean(getattr(after, k))) for k in CAUSES},
        untried,
        n,
    )
