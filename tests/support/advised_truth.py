"""Advised moves of an invented season, compared with the true effects of its settings."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.advice.cost import USUAL_TOPS_PCT, CropAndHaul, Topping, cost_per_t
from transforms.advice.moves import SMALLEST_GAIN_PER_T, USUAL_SPEED_KMH, moved_share
from transforms.arrays import to_float
from transforms.config.response_catalogue import DAMAGED, DIRT, OVER_TOPPED, ROOT_LOSS, TOPS
from transforms.config.workspace import Prices

ALIKE, MIN_ALIKE = 60, 30
"""Loads over which the truth of a move is averaged, and their minimum number."""
CHANGES = {DIRT: "dirt", ROOT_LOSS: "root_loss", TOPS: "tops", OVER_TOPPED: "over_topped", DAMAGED: "damaged"}
"""Priced response -> beginning of its columns in `advice`."""
USUAL_LOSS_T_HA, YIELD_T_HA, HAUL_KM, WIDTH_M, SUGAR_PCT = 2.4, 74.0, 30.0, 3.0, 17.6
Row = dict[str, object]


@dataclass(frozen=True)
class Contradiction:
    """A promise of an advised move that the truth denies: a sign of a response, or the gain."""

    machine_id: str
    setting: str
    promise: str


def true_changes(by_load: pl.DataFrame, row: Row, step: float) -> dict[str, float]:
    """Return the true change of each priced response by a move, on its fitted scale.

    It is the mean over the loads most like the move: their conditions are like those of the field, and their setting is
    near the middle of the move, because effects bend.

    Args:
        by_load: truth `load_effect` with `topsoil_wetness`, `clay_pct` and the `value` of the setting.
        row: row of `advice`, with the `wetness` and `clay` of the field.
        step: practical step of the setting.
    """
    middle = (to_float(row["from_value"]) + to_float(row["to_value"])) / 2
    similar = by_load.filter(
        (pl.col("setting") == row["setting"])
        & ((pl.col("topsoil_wetness") - row["wetness"]).abs() < 0.1)
        & ((pl.col("clay_pct") - row["clay"]).abs() < 8)
    )
    assert similar.height > MIN_ALIKE
    nearest = similar.sort((pl.col("value") - middle).abs()).head(ALIKE)
    steps = (to_float(row["to_value"]) - to_float(row["from_value"])) / step
    return {response: steps * to_float(nearest[response].mean()) for response in CHANGES}


def true_gain(row: Row, changes: dict[str, float], dirt_ratio: float, prices: Prices) -> float:
    """Return what a move truly gains per tonne of clean beet, from the levels that the advice expects before it.

    Args:
        row: row of `advice`.
        changes: true change of each priced response on its fitted scale.
        dirt_ratio: dirt over clean mass before the move.
        prices: prices of the season.
    """

    def level(column: str, usual: float) -> float:
        return usual if row.get(column) is None else to_float(row[column])

    loss, speed = level("root_loss_before_t_ha", USUAL_LOSS_T_HA), USUAL_SPEED_KMH
    before = {TOPS: level("tops_before_pct", USUAL_TOPS_PCT)}
    before |= {OVER_TOPPED: level("over_topped_before_pct", 0.0), DAMAGED: level("damaged_before_pct", 0.0)}
    now_kmh = to_float(row["from_value"]) if row["setting"] == "ground_speed_kmh" else speed
    moved_kmh = to_float(row["to_value"]) if row["setting"] == "ground_speed_kmh" else speed

    def cost(change: dict[str, float], kmh: float) -> float:
        pct = {r: float(moved_share(v, np.array(change[r]), is_pct=True)) for r, v in before.items()}
        at = CropAndHaul(YIELD_T_HA, HAUL_KM, WIDTH_M, SUGAR_PCT, skin_damaged_pct=pct[DAMAGED])
        ratio, lost = dirt_ratio * np.exp(change[DIRT]), loss * np.exp(change[ROOT_LOSS])
        return float(cost_per_t(ratio, lost, kmh, now_kmh, at, prices, Topping(pct[TOPS], pct[OVER_TOPPED] / 100)))

    return cost(dict.fromkeys(changes, 0.0), now_kmh) - cost(changes, moved_kmh)


def contradictions(row: Row, changes: dict[str, float], gain: float) -> dict[str, list[Contradiction]]:
    """Return the promises of a move that the truth denies: certain signs under `sign`, a certain gain under `gain`.

    Args:
        row: row of `advice`.
        changes: true change of each priced response.
        gain: true gain per tonne of clean beet.
    """
    found: dict[str, list[Contradiction]] = {"sign": [], "gain": []}
    machine, setting = str(row["machine_id"]), str(row["setting"])
    for response, name in CHANGES.items():
        ends = [row[f"{name}_{end}"] for end in ("lo95", "hi95")]
        low, high = (0.0 if v is None else to_float(v) for v in ends)
        if low * high > 0 and np.sign(changes[response]) != np.sign(low):
            found["sign"].append(Contradiction(machine, setting, name))
    if to_float(row["gain_lo95"]) > SMALLEST_GAIN_PER_T and gain <= 0:
        found["gain"].append(Contradiction(machine, setting, f"gain {gain:.3f}"))
    return found
