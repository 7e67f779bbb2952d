"""Invented shifts of machines with advised moves, whose operators follow, half follow, ignore or reverse them.

The truth of a move is computed here from the level that the operator set in each phase of the shift, before noise,
sensor faults, outliers and adjustments to the conditions are added.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

FIRST_SHIFT = dt.date(2025, 10, 1)
SETTINGS = {"cleaner_1_speed_rpm": (60.0, 4.0), "share_depth_cm": (6.0, 0.5), "separator_1_height_mm": (300.0, 10.0)}
"""Setting -> usual value and practical step."""
INTENTS = ("full", "most", "half", "little", "none", "reverse")
LEVELS = {"full": 1.0, "most": 0.9, "half": 0.5, "little": 0.1, "none": 0.0, "reverse": -1.0}
HALF_MINUTES = 600
"""Five hours of lifting in a shift."""


@dataclass(frozen=True)
class InventedUptake:
    """Moves with their true code (`truth`) and true share made (`true_share`), and the bins and hours around them."""

    moves: pl.DataFrame
    bins: pl.DataFrame
    hours: pl.DataFrame


def _phases(rng: np.random.Generator, intent: str) -> np.ndarray:
    """Return the true share of the step in each half minute: the level, made at some time and perhaps given up."""
    level = LEVELS[intent] + rng.normal(0, 0.03)
    share = np.full(HALF_MINUTES, level)
    if intent in ("full", "most", "half", "reverse"):
        share[: int(HALF_MINUTES * rng.choice([0.0, 0.05, 0.4, 0.6], p=[0.5, 0.2, 0.15, 0.15]))] = 0.0
        if rng.random() < 0.1:
            share[int(HALF_MINUTES * rng.uniform(0.3, 0.9)) :] = 0.0
    return share


def true_code(share: float) -> str:
    """Return the code of an average share made, by the bounds that the methods page states."""
    names = ("opposite", "not", "partly", "followed")
    return names[sum(share >= bound for bound in (-0.25, 0.25, 0.75))]


def _readings(rng: np.random.Generator, x: np.ndarray, step: float) -> np.ndarray:
    """Return readings with noise, small adjustments, outliers, and a stretch that is flagged as a sensor fault."""
    wander = np.repeat(rng.normal(0, 0.12 * step, HALF_MINUTES // 40), 40)
    out = x + wander + rng.normal(0, 0.25 * step, HALF_MINUTES)
    odd = rng.random(HALF_MINUTES) < 0.02
    out[odd] += rng.choice([-6.0, 6.0], odd.sum()) * step
    if rng.random() < 0.2:
        begins = int(rng.integers(0, HALF_MINUTES - 200))
        out[begins : begins + int(rng.integers(40, 200))] = np.nan
    return out


def invent(seed: int, machines: int = 6, shifts: int = 8) -> InventedUptake:
    """Return a season of invented moves, one or two steps each, at most three for a machine and shift."""
    rng = np.random.default_rng(seed)
    moves, bins = [], []
    for m in range(machines):
        for d in range(shifts):
            shift = FIRST_SHIFT + dt.timedelta(days=d)
            begins = dt.datetime.combine(shift, dt.time(6), dt.UTC)
            columns: dict[str, object] = {}
            worked_field = f"F{m}" if rng.random() < 0.95 else "another"
            for number, (name, (usual, step)) in enumerate(SETTINGS.items(), start=1):
                start, change = usual + rng.normal(0, 2) * step, step * rng.choice([-2, -1, 1, 2])
                # The advice knows the mean of the last shift, the machine starts with its last level.
                known = start + rng.normal(0, 0.15) * step
                share = _phases(rng, str(rng.choice(INTENTS, p=[0.35, 0.1, 0.15, 0.05, 0.25, 0.1])))
                columns[name] = _readings(rng, np.where(share == 0.0, start, known + share * change), step)
                moves.append(
                    {
                        "machine_id": f"M{m}",
                        "shift_date": shift,
                        "setting": name,
                        "unit": name[-3:],
                        "move_number": number,
                        "operator_id": None,
                        "field_id": f"F{m}",
                        "issued_at": begins,
                        "from_value": known,
                        "to_value": known + change,
                        "wetness_class": "moist",
                        "fingerprint": "",
                        "is_withheld": False,
                        "true_share": float(np.clip(share, -1, 1).mean()) if worked_field == f"F{m}" else None,
                    }
                )
            times = [begins + dt.timedelta(seconds=30 * k) for k in range(HALF_MINUTES)]
            bins.append(
                pl.DataFrame(
                    {
                        "machine_id": f"M{m}",
                        "shift_date": shift,
                        "bin_at": times,
                        "field_id": worked_field,
                        "work_s": 30.0,
                    }
                    | columns
                )
            )
    table = pl.DataFrame(moves, schema_overrides={"operator_id": pl.String, "true_share": pl.Float64}).with_columns(
        pl.col("true_share").map_elements(true_code, return_dtype=pl.String).fill_null("unknown").alias("truth")
    )
    lifted = pl.concat(bins).with_columns(pl.col(n).fill_nan(None) for n in SETTINGS)
    wet = lifted.select("field_id", pl.col("bin_at").dt.truncate("1h").alias("hour_at")).unique(maintain_order=True)
    return InventedUptake(table, lifted, wet.with_columns(pl.lit(0.5).alias("topsoil_wetness")))
