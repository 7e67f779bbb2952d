"""Realised saving: what was predicted before each shift against what was measured in it.

A unit is a machine in a shift for which moves were advised. Saved is the cost of soil per tonne of clean beet that was
predicted without a move, less the measured one; promised is the predicted saving of the share of the moves that was
made. Only soil is compared, because every load measures it, while root loss is dug up on few plots.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
import polars as pl

from transforms.contracts.result_tables import schema_of
from transforms.outcome.doubly_robust import (
    Estimate,
    Units,
    contributions,
    effect_on_treated,
    effect_on_untreated,
    jackknife,
    regression_contrast,
)

MADE_FROM = 0.5
"""Mean share of the moves of a unit from which they count as made: half way between none and all."""
MIN_UNITS = 20
"""Least units on either side of a contrast (common practice, no source)."""
MIN_MACHINES = 5
"""Least machines of a contrast: an interval of four degrees of freedom says little (common practice, no source)."""
UNRELIABLE_BELOW = 0.5
"""If the interval of the calibration slope lies below this, advice promises more than twice what it saves."""
CONTRASTS = {"promised_per_t": "contrast_promised_per_t", "saved_per_t": "contrast_saved_per_t"}
"""Column of a unit -> column of its part in the contrast."""
COVARIATES = ("full_promise_per_t", "predicted_dirt_ratio", "topsoil_wetness", "earlier_saved_per_t")


def shift_units(moves: pl.DataFrame, loads: pl.DataFrame) -> pl.DataFrame:
    """Return the moves of a machine and shift with the soil predicted before and measured in it.

    These are the rows of `realised_shift` without the columns that `add_contrast` adds.

    Args:
        moves: moves whose uptake is known: `machine_id, shift_date, move_number, made_share, dirt_before_pct,
            dirt_after_pct, dirt_lo95, dirt_hi95, topsoil_wetness, is_withheld`.
        loads: measured loads of these machines and shifts in the advised field: `machine_id, shift_date,
            dirt_tare_pct, clean_t, soil_cost_per_t`.

    Returns:
        One row per machine and shift: counts of moves, mean share made, promise in money per tonne, predicted and
        measured dirt over clean beet, clean beet, t, and number of loads.
    """
    key, ratio = ["machine_id", "shift_date"], pl.col("dirt_tare_pct") / (100 - pl.col("dirt_tare_pct"))
    measured = (
        loads.drop_nulls(["dirt_tare_pct", "clean_t", "soil_cost_per_t"])
        .group_by(key, maintain_order=True)
        .agg(
            ((ratio * pl.col("clean_t")).sum() / pl.col("clean_t").sum()).alias("dirt_ratio"),
            pl.col("clean_t").sum(),
            pl.col("soil_cost_per_t").mean(),
            pl.len().cast(pl.Int64).alias("loads"),
        )
    )
    before, after = (pl.col(c) / (100 - pl.col(c)) for c in ("dirt_before_pct", "dirt_after_pct"))
    made = pl.col("made_share").clip(-1, 1)
    cost = pl.col("soil_cost_per_t")
    sd = before * (pl.col("dirt_hi95") - pl.col("dirt_lo95")) / 100 / (2 * 1.96)
    rows = (
        moves.join(measured, on=key, maintain_order="left")
        .sort(*key, "move_number")
        .group_by(key, maintain_order=True)
        .agg(
            pl.len().cast(pl.Int64).alias("moves"),
            (pl.col("made_share") >= MADE_FROM).sum().cast(pl.Int64).alias("moves_made"),
            made.mean().alias("made_share"),
            ((before - after) * cost).sum().alias("full_promise_per_t"),
            ((before - after) * cost * made).sum().alias("promised_per_t"),
            (sd * cost * made).sum().abs().alias("promised_sd_per_t"),
            before.first().alias("predicted_dirt_ratio"),
            pl.col("topsoil_wetness", "is_withheld").first(),
            pl.col("dirt_ratio", "clean_t", "soil_cost_per_t", "loads").first(),
        )
        .with_columns(((pl.col("predicted_dirt_ratio") - pl.col("dirt_ratio")) * cost).alias("saved_per_t"))
    )
    is_made = pl.col("made_share") >= MADE_FROM
    without = pl.when(is_made).then(0.0).otherwise(pl.col("saved_per_t"))
    earlier, count = (
        (c.cum_sum() - c).over("machine_id", order_by="shift_date") for c in (without, (~is_made).cast(pl.Float64))
    )
    return rows.with_columns(
        (earlier / (count + 1)).alias("earlier_saved_per_t"),
        is_made.alias("is_made"),
    ).select(schema_of("realised_shift", without=tuple(CONTRASTS.values())).names())


def add_contrast(units: pl.DataFrame) -> pl.DataFrame:
    """Return `realised_shift`: units with their part in the promised and in the realised saving of `realised_saving`.

    The mean of the parts over all units that made their moves, weighted with clean beet, is the saving of the season,
    so that means over weeks or machines agree with it. Parts are null for other units, and with too few units for all.

    Args:
        units: rows of `shift_units`.
    """
    nothing = pl.lit(None, pl.Float64)
    if not _is_enough(units):
        return units.with_columns(nothing.alias(c) for c in CONTRASTS.values())
    parts = {name: contributions(_units(units, column)) for column, name in CONTRASTS.items()}
    return units.with_columns(pl.Series(name, values).fill_nan(None) for name, values in parts.items())


def realised_saving(units: pl.DataFrame) -> pl.DataFrame:
    """Return `realised_saving`: promised and realised saving of units that made their moves, and of the others.

    If advice was withheld by lot, a row compares the units that saw their moves with those that did not.

    Args:
        units: rows of `realised_shift`.
    """
    rows = [
        _saving(units, "made", pl.col("is_made"), effect_on_treated),
        _saving(units, "not_made", ~pl.col("is_made"), effect_on_untreated),
    ]
    if units["is_withheld"].any():
        by_lot = units.with_columns((~pl.col("is_withheld")).alias("is_made"))
        rows.append(_saving(by_lot, "randomised", pl.col("is_made"), regression_contrast))
    return pl.DataFrame(rows, schema=schema_of("realised_saving"))


def _saving(units: pl.DataFrame, group: str, of_group: pl.Expr, effect: Callable[[Units], float]) -> dict[str, object]:
    """Return a row of `realised_saving`.

    Args:
        units: rows of `realised_shift`; `is_made` is the treatment that is compared.
        group: code of the group.
        of_group: expression of the units of the group.
        effect: the contrast.
    """
    own, both = units.filter(of_group), _units(units, "saved_per_t")
    row = {
        "group_code": group,
        "moves": int(own["moves"].sum()),
        "moves_made": int(own["moves_made"].sum()),
        "shifts": own.height,
        "machines": own["machine_id"].n_unique(),
    }
    if not _is_enough(units):
        return {**row, "verdict_code": "too_few"}
    realised = jackknife(both, effect)
    promise = replace(both, outcome=units["promised_per_t"].to_numpy())
    short = jackknife(replace(both, outcome=both.outcome - promise.outcome), effect)
    # Moves share the effects they rest on, so the errors of their promises are taken as fully correlated.
    promise_sd = float(np.average(units.filter("is_made")["promised_sd_per_t"]))
    return {
        **row,
        "promised_per_t": effect(promise),
        "realised_per_t": realised.value,
        "lo95": realised.lo95,
        "hi95": realised.hi95,
        "verdict_code": _verdict(short, promise_sd),
    }


def advice_calibration(units: pl.DataFrame) -> pl.DataFrame:
    """Return `advice_calibration`: slope and intercept of the saving measured on the saving promised.

    Covariates are centred, so that the intercept is the saving without a move in mean conditions; the verdict of the
    slope is `unreliable` if its interval lies below `UNRELIABLE_BELOW`.

    Args:
        units: rows of `realised_shift`.
    """
    if not _is_enough(units):
        return pl.DataFrame(schema=schema_of("advice_calibration"))
    both = _units(units, "saved_per_t")
    promised = units["promised_per_t"].to_numpy()
    with_promise = replace(both, covariates=np.column_stack([promised, both.covariates]))
    rows = []
    for part, at in (("slope", 1), ("intercept", 0)):
        found = jackknife(with_promise, partial(_coefficient, at=at))
        code = "unreliable" if part == "slope" and found.hi95 < UNRELIABLE_BELOW else "reliable"
        rows.append({"part": part, "value": found.value, "lo95": found.lo95, "hi95": found.hi95, "verdict_code": code})
    frame = pl.DataFrame(rows).with_columns(pl.lit(units.height).cast(pl.Int64).alias("n"))
    return frame.select(schema_of("advice_calibration").names())


def _coefficient(units: Units, at: int) -> float:
    """Return a coefficient of the weighted regression of the outcome on a constant, the promise and the covariates."""
    X, root = units.covariates.copy(), np.sqrt(units.weight)
    X[:, 1:] -= X[:, 1:].mean(axis=0)
    columns = np.column_stack([np.ones(X.shape[0]), X]) * root[:, None]
    return float(np.linalg.lstsq(columns, units.outcome * root, rcond=None)[0][at])


def _units(rows: pl.DataFrame, outcome: str) -> Units:
    covariates = rows.select(pl.col(c).fill_null(pl.col(c).mean()).fill_null(0.0) for c in COVARIATES).to_numpy()
    cluster = rows["machine_id"].rank("dense").to_numpy().astype(np.int64) - 1
    return Units(rows[outcome].to_numpy(), rows["is_made"].to_numpy(), covariates, rows["clean_t"].to_numpy(), cluster)


def _is_enough(units: pl.DataFrame) -> bool:
    """Return True if both sides have enough units, also without any one machine, and there are enough machines."""
    if not units.height:
        return False
    sides = units.group_by("machine_id", maintain_order=True).agg(
        pl.col("is_made").sum().alias("made"), (~pl.col("is_made")).sum().alias("not")
    )
    left = [int(sides[side].sum()) - int(sides[side].max()) for side in ("made", "not")]  # type: ignore[arg-type]
    totals = [int(sides[side].sum()) for side in ("made", "not")]
    return sides.height >= MIN_MACHINES and min(totals) >= MIN_UNITS and min(left) > len(COVARIATES) + 1


def _verdict(short: Estimate, promise_sd: float) -> str:
    """Return if the realised saving differs from the promised one by more than both errors explain."""
    half = float(np.hypot((short.hi95 - short.lo95) / 2, 1.96 * promise_sd))
    if short.value + half < 0:
        return "not_as_promised"
    return "more_than_promised" if short.value - half > 0 else "as_promised"
