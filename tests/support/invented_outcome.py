"""Tables of the outcome of advice of an invented season (`invented_savings`), without logs and fits."""

import datetime as dt

import numpy as np
import polars as pl

from tests.support.invented_savings import invent
from transforms.contracts.result_tables import schema_of
from transforms.outcome.realised import add_contrast, advice_calibration, realised_saving, shift_units
from transforms.outcome.setting_slopes import setting_slopes
from transforms.outcome.uptake import FOLLOWED_FROM, PARTLY_FROM, REASONS
from transforms.storage.warehouse import Warehouse

SETTINGS = {"share_depth_cm": (6.0, 7.0, "cm"), "cleaner_1_speed_rpm": (60.0, 50.0, "rpm")}
"""Setting of each move -> value before, value advised, unit."""
UNKNOWN_SHARE, REVERSED_SHARE = 0.08, 0.03


def uptake_rows(moves: pl.DataFrame, seed: int = 0, fields: tuple[str, ...] = ("F001",)) -> pl.DataFrame:
    """Return `advice_uptake` of invented moves: a few are unknown, and a few made the other way.

    Args:
        moves: `machine_id, shift_date, move_number, made_share`, moves 1 and 2 of each machine and shift.
        seed: seed of the choice of moves.
        fields: fields in which the machines work in turn.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for k, r in enumerate(moves.iter_rows(named=True)):
        setting = list(SETTINGS)[r["move_number"] - 1]
        before, after, unit = SETTINGS[setting]
        share, why = r["made_share"], None
        chance = rng.random()
        if chance < UNKNOWN_SHARE:
            share, why = None, REASONS[int(rng.integers(len(REASONS)))]
        elif chance < UNKNOWN_SHARE + REVERSED_SHARE:
            share = -0.4
        day = dt.datetime.combine(r["shift_date"], dt.time(6, 10), dt.UTC)
        is_seen = share is not None and share >= PARTLY_FROM
        rows.append(
            {
                "machine_id": r["machine_id"],
                "shift_date": r["shift_date"],
                "setting": setting,
                "unit": unit,
                "move_number": r["move_number"],
                "operator_id": None,
                "field_id": fields[k // 2 % len(fields)],
                "is_withheld": r.get("is_withheld") or False,
                "issued_at": day - dt.timedelta(hours=2),
                "from_value": before,
                "to_value": after,
                "uptake_code": _code(share),
                "reason_code": why,
                "made_share": share,
                "first_at": day if is_seen else None,
                "step_share": share if is_seen else None,
                "time_share": None if share is None else 0.9 if is_seen else 0.1,
                "judged_s": 0.0 if share is None else 25_200.0,
                "fingerprint": "invented",
            }
        )
    return pl.DataFrame(rows, schema=schema_of("advice_uptake"))


def _code(share: float | None) -> str:
    if share is None:
        return "unknown"
    if share <= -PARTLY_FROM:
        return "opposite"
    return "followed" if share >= FOLLOWED_FROM else "partly" if share >= PARTLY_FROM else "not"


def fill_outcome(
    warehouse: Warehouse,
    *,
    seed: int = 6,
    is_confounded: bool = False,
    hold_back: float = 0.0,
    fields: tuple[str, ...] = ("F001",),
) -> None:
    """Write the outcome of 400 shifts of ten invented machines into a warehouse.

    Args:
        warehouse: the warehouse.
        seed: seed of the season.
        is_confounded: True for a season that saves less than promised.
        hold_back: share of machines and shifts whose moves nobody sees.
        fields: fields in which the machines work in turn.
    """
    season = invent(seed, is_confounded=is_confounded, hold_back=hold_back)
    uptake = uptake_rows(season.moves, seed, fields)
    known = uptake.drop_nulls("made_share").select("machine_id", "shift_date", "move_number", "made_share")
    moves = season.moves.drop("made_share").join(
        known, on=["machine_id", "shift_date", "move_number"], maintain_order="left"
    )
    units = add_contrast(shift_units(moves, season.loads))
    withheld = [("hold", "advice_too_few_loads", 12), ("hold", "no_change_better", 40), ("move", None, 400)]
    tables = {
        "advice_uptake": uptake,
        "realised_shift": units,
        "realised_saving": realised_saving(units),
        "advice_calibration": pl.concat([advice_calibration(units), setting_slopes(moves, units)]),
        "advice_verdict": pl.DataFrame(withheld, schema=schema_of("advice_verdict"), orient="row"),
    }
    for name, rows in tables.items():
        warehouse.replace(name, rows)
