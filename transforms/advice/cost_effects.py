"""Effect of one step of each setting on the cost per tonne, priced from the table of effects."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl

from transforms.advice.cost import CropAndHaul, cost_per_t
from transforms.advice.moves import USUAL_SPEED_KMH
from transforms.advice.situations import UNKNOWN_LOSS_T_HA, USUAL_WIDTH_M
from transforms.advice.topping import TOPPING, topping_from_scale
from transforms.advice.what_if import WhatIfQuery, answer_query
from transforms.config.response_catalogue import DAMAGED, DIRT, OVER_TOPPED, ROOT_LOSS, TOPS
from transforms.config.workspace import Prices
from transforms.model.response_scale import ratio_scale, value_from_scale

CONDITIONS = ("topsoil_wetness", "clay_pct", "air_temp_c", "yield_t_ha")
SPEED = "ground_speed_kmh"
USUAL_YIELD_T_HA = 75.0
"""Yield if none is known (common practice, no source)."""


@dataclass(frozen=True)
class CostLevels:
    """Levels from which the cost of a step is computed.

    Attributes:
        of: response that has a price -> its level in its unit; measured responses only, dirt among them.
        speed_kmh: ground speed.
        at: crop and haul.
    """

    of: dict[str, float]
    speed_kmh: float
    at: CropAndHaul

    def cost(self, change: Mapping[str, float], steps: int, prices: Prices, step_kmh: float = 0.0) -> float:
        """Return the cost after a move of one setting, in the season's currency per t of clean beet.

        Args:
            change: response -> its change by one step up, as a fraction; others do not change.
            steps: number of steps, negative down.
            prices: prices of soil, roots, sugar, hours and tops.
            step_kmh: change of the ground speed by one step up.
        """
        ratio = self.of[DIRT] / (100 - self.of[DIRT]) * (1 + change.get(DIRT, 0.0)) ** steps
        lost = self.of.get(ROOT_LOSS, UNKNOWN_LOSS_T_HA) * (1 + change.get(ROOT_LOSS, 0.0)) ** steps
        shares = {r: ratio_scale(np.asarray(self.of[r])) for r in (*TOPPING, DAMAGED) if r in self.of}
        moved = {r: z + steps * np.log1p(change.get(r, 0.0)) for r, z in shares.items()}
        at, speed = self.at, self.speed_kmh + steps * step_kmh
        if DAMAGED in moved:
            at = replace(at, skin_damaged_pct=value_from_scale(DAMAGED, moved[DAMAGED]))
        return float(
            cost_per_t(
                ratio, lost, speed, self.speed_kmh, at, prices, topping_from_scale(moved, prices.stalks_tops_pct)
            )
        )


def season_levels(total: Mapping[str, Any], usual: Mapping[str, float], prices: Prices) -> CostLevels:
    """Return the season's means as levels.

    Args:
        total: the row of the query `season_total`.
        usual: setting -> usual value.
        prices: the usual road distance.
    """
    measured = {DIRT: total["dirt_pct"], **{r: total.get(r) for r in (ROOT_LOSS, *TOPPING, DAMAGED)}}
    crop = CropAndHaul(total["yield_t_ha"] or USUAL_YIELD_T_HA, prices.haul_km, USUAL_WIDTH_M, total["sugar_pct"])
    of = {r: level for r, level in measured.items() if level is not None}
    return CostLevels(of, usual.get(SPEED, USUAL_SPEED_KMH), crop)


def usual_levels(table: dict[str, Any]) -> CostLevels:
    """Return the levels expected at the season's median conditions with usual settings.

    Args:
        table: result of `tabulate` (`what_if_table.py`).
    """
    at = {n: table["at"][n] for n in CONDITIONS}
    usual = answer_query(table, WhatIfQuery(**at, settings={}))
    answers = {
        DIRT: usual.dirt_pct,
        ROOT_LOSS: usual.root_loss_t_ha,
        TOPS: usual.top_tare_pct,
        OVER_TOPPED: usual.over_topped_pct,
        DAMAGED: usual.damaged_pct,
    }
    return CostLevels(
        {r: v.mean for r, v in answers.items() if v is not None},
        table["usual"].get(SPEED, USUAL_SPEED_KMH),
        CropAndHaul(at["yield_t_ha"], **table["crop"]),
    )


def cost_effects(effects: pl.DataFrame, table: dict[str, Any]) -> dict[str, float]:
    """Return the effect of each setting on the cost: the larger change of cost by one step up or down.

    Conditions are the season's medians; the other settings have their usual values. An effect on a response that is
    not estimated is zero.

    Args:
        effects: rows of `effect`; those of all classes together are used.
        table: result of `tabulate` (`what_if_table.py`).

    Returns:
        Setting -> absolute change in the season's currency per t of clean beet, in descending order.
    """
    whole = effects.filter(pl.col("wetness_class").is_null() & pl.col("soil_class").is_null())
    change: dict[str, dict[str, float]] = {}
    for r in whole.iter_rows(named=True):
        change.setdefault(r["setting"], {})[r["response"]] = (r["change_pct"] or 0.0) / 100
    levels = usual_levels(table)
    prices = Prices(**table["prices"])

    def cost(name: str, steps: int) -> float:
        step_kmh = table["settings"][name]["step"] if name == SPEED else 0.0
        return levels.cost(change.get(name, {}), steps, prices, step_kmh)

    found = {n: max(abs(cost(n, k) - cost(n, 0)) for k in (-1, 1)) for n in table["settings"]}
    return dict(sorted(found.items(), key=lambda item: -item[1]))
