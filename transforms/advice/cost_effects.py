"""Effect of one step of each setting on the cost per tonne, priced from the table of effects."""

from dataclasses import replace
from typing import Any

import polars as pl

from transforms.advice.cost import CropAndHaul, cost_per_t
from transforms.advice.moves import USUAL_SPEED_KMH
from transforms.advice.situations import UNKNOWN_LOSS_T_HA
from transforms.advice.what_if import WhatIfQuery, answer_query
from transforms.config.response_catalogue import DAMAGED, DIRT, ROOT_LOSS
from transforms.config.workspace import Prices

CONDITIONS = ("topsoil_wetness", "clay_pct", "air_temp_c", "yield_t_ha")


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
    change = {(r["response"], r["setting"]): (r["change_pct"] or 0.0) / 100 for r in whole.iter_rows(named=True)}
    at = {n: table["at"][n] for n in CONDITIONS}
    usual = answer_query(table, WhatIfQuery(**at, settings={}))
    ratio = usual.dirt_pct.mean / (100 - usual.dirt_pct.mean)
    lost = UNKNOWN_LOSS_T_HA if usual.root_loss_t_ha is None else usual.root_loss_t_ha.mean
    speed = table["usual"].get("ground_speed_kmh", USUAL_SPEED_KMH)
    crop, prices = CropAndHaul(at["yield_t_ha"], **table["crop"]), Prices(**table["prices"])
    damaged = 0.0 if usual.damaged_pct is None else usual.damaged_pct.mean / 100

    def cost(name: str, steps: int) -> float:
        moved_speed = speed + steps * table["settings"][name]["step"] if name == "ground_speed_kmh" else speed
        dirt, loss, skin = (1 + change.get((response, name), 0.0) for response in (DIRT, ROOT_LOSS, DAMAGED))
        odds = damaged / (1 - damaged) * skin**steps
        moved = replace(crop, skin_damaged_pct=100 * odds / (1 + odds))
        return float(cost_per_t(ratio * dirt**steps, lost * loss**steps, moved_speed, speed, moved, prices))

    found = {n: max(abs(cost(n, k) - cost(n, 0)) for k in (-1, 1)) for n in table["settings"]}
    return dict(sorted(found.items(), key=lambda item: -item[1]))
