"""Storability of each load (slice now, short pile or long pile) with its reasons.

    expected loss = sum over days of healthy(T_d) factor,   T_d = T_pile + (T_root - T_pile) 2^(-d / 5)          (18)

kg of sugar per tonne of clean beet; healthy() and factor are those of storage.py. Warm roots cool to the pile's
temperature with a half-life of five days (common practice, no source). Root temperature is approximated by the air
temperature over the day before lifting, the severely damaged share by the machine's dig-behind audits and the damage of
the skin by its root checks; none is measured on the load.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.advice.cost import USUAL_TOPS_PCT
from transforms.advice.storage import condition_factor, damaged_share, healthy_loss_kg_per_t_day
from transforms.config.response_catalogue import DAMAGED, DIRT, ROOT_LOSS, TOPS
from transforms.config.workspace import Prices
from transforms.contracts.reason import REASON_COLUMNS, Reason, combine_reasons, reason
from transforms.contracts.result_tables import schema_of

Array = NDArray[np.float64]
COOLING_HALF_DAYS = 5.0
WARMEST_TO_PILE_C = (55.0 - 32.0) / 1.8
"""Roots warmer than 55 F do not go to a pile (common practice, no source)."""
HEALTHY_KG_PER_T_DAY = (0.10, 0.25)
"""Sugar lost by healthy roots per day: 0.2 to 0.5 lb per short ton (Strausbaugh 2009; an article, no paper seen)."""
ROT_DEGREE_DAYS = 300.0
"""Rot and moulds start after some 300 degree-days (Belgian beet research institute, irbab-kbivb.be, page 22960)."""
STORABILITY_SCHEMA = schema_of("storability")
NOW, SHORT, LONG = "slice now", "short pile", "long pile"


@dataclass(frozen=True)
class StorageLoss:
    """Expected storage of loads by (18), each of shape (n,): kg of sugar lost per tonne, and mean pile temperature."""

    loss_kg_per_t: Array
    mean_c: Array


def expected_storage_loss(root_c: Array, factor: Array, days: float, pile_c: float) -> StorageLoss:
    """Return the expected loss of loads over the planned days in a pile.

    Args:
        root_c: root temperature at lifting, Celsius, shape (n,).
        factor: loss relative to clean roots with the usual damage, from `condition_factor`, shape (n,).
        days: planned days in the pile.
        pile_c: temperature of the pile, Celsius.
    """
    day = np.arange(max(round(days), 1)) + 0.5
    temp = pile_c + (root_c[:, None] - pile_c) * 2 ** (-day / COOLING_HALF_DAYS)
    rate = healthy_loss_kg_per_t_day(temp)
    whole = days / day.size
    return StorageLoss(rate.sum(axis=1) * whole * factor, temp.mean(axis=1))


def _of_machine(facts: pl.DataFrame, checks: pl.DataFrame, column: str) -> pl.Series:
    """Return the mean of each load's machine from its checks of the day, or of the season, or else of the fleet."""
    by_day = checks.group_by("machine_id", "shift_date", maintain_order=True).agg(pl.col(column).mean().alias("day"))
    by_machine = checks.group_by("machine_id", maintain_order=True).agg(pl.col(column).mean().alias("machine"))
    fleet = checks[column].mean()
    joined = facts.join(by_day, on=["machine_id", "shift_date"], how="left", maintain_order="left").join(
        by_machine, on="machine_id", how="left", maintain_order="left"
    )
    return joined.select(pl.coalesce("day", "machine", pl.lit(fleet, dtype=pl.Float64))).to_series()


def storability(
    facts: pl.DataFrame, audits: pl.DataFrame, checks: pl.DataFrame, root_temp: pl.DataFrame, prices: Prices
) -> pl.DataFrame:
    """Return `storability`: the class, expected loss and reasons of measured loads; "now" is the last shift.

    Args:
        facts: `load_fact`; loads without a dirt tare are omitted.
        audits: `audit_fact`.
        checks: `root_check_fact`.
        root_temp: `load_id, root_temp_c`.
        prices: planned days and temperature of storage, and the additional loss from dirt, tops and damage.
    """
    loads = facts.drop_nulls([DIRT]).join(root_temp, on="load_id", how="inner").drop_nulls("root_temp_c")
    if not loads.height:
        return pl.DataFrame(schema=STORABILITY_SCHEMA)
    lost = _of_machine(loads, audits, ROOT_LOSS).fill_null(0.0).to_numpy()
    shares = checks.with_columns((100 * pl.col("damaged_count") / pl.col("damage_checked_count")).alias(DAMAGED))
    skin = _of_machine(loads, shares, DAMAGED).fill_null(0.0).to_numpy()
    tops = loads[TOPS].fill_null(USUAL_TOPS_PCT).to_numpy() if TOPS in loads.columns else USUAL_TOPS_PCT
    damaged = damaged_share(lost, loads["yield_t_ha"].fill_null(75.0).to_numpy())
    factor = condition_factor(loads[DIRT].to_numpy(), tops, damaged, prices, skin)
    root_c = loads["root_temp_c"].to_numpy()
    kept = expected_storage_loss(root_c, factor, prices.storage_days, prices.storage_temp_c)
    age = (
        loads.select((pl.lit(facts["shift_date"].max()) - pl.col("shift_date")).dt.total_days()).to_series().to_numpy()
    )
    now_c = prices.storage_temp_c + (root_c - prices.storage_temp_c) * 2 ** (-age / COOLING_HALF_DAYS)
    table = loads.select(
        "load_id",
        "site_id",
        "shift_date",
        "root_temp_c",
        pl.col(DIRT),
        pl.col(TOPS),
        (pl.col("delivered_t") * (1 - pl.col(DIRT) / 100)).alias("soil_free_t"),
        pl.Series("damaged_pct", 100 * damaged),
        pl.Series("loss_kg_per_t", kept.loss_kg_per_t),
        pl.Series("loss_now_kg_per_t_day", healthy_loss_kg_per_t_day(now_c) * factor),
        pl.Series("pile_mean_c", kept.mean_c),
        pl.Series("age_days", age, dtype=pl.Int64),
        pl.lit(prices.storage_days).alias("planned_days"),
    )
    return _classed(table)


def _classed(table: pl.DataFrame) -> pl.DataFrame:
    """Return the table with class and reasons."""
    days, daily = pl.col("planned_days"), (pl.col("loss_kg_per_t") / pl.col("planned_days")).fill_nan(0.0)
    low, high = HEALTHY_KG_PER_T_DAY
    rots = pl.col("pile_mean_c") * days > ROT_DEGREE_DAYS
    warm = pl.col("root_temp_c") > WARMEST_TO_PILE_C
    middle = (low + high) / 2
    named = (
        pl.when(warm | (daily > high))
        .then(pl.lit(NOW))
        .when(rots | (daily > middle))
        .then(pl.lit(SHORT))
        .otherwise(pl.lit(LONG))
    )
    causes = [
        (warm, reason("roots_too_warm_to_pile", limit_c=WARMEST_TO_PILE_C)),
        (daily > high, reason("loses_more_than_healthy")),
        (rots, reason("rots_before_sliced")),
        ((daily > middle) & (daily <= high), reason("loses_like_upper_half")),
    ]
    return _add_reasons(table.with_columns(named.alias("storability")), causes).sort("load_id")


def _add_reasons(table: pl.DataFrame, causes: list[tuple[pl.Expr, Reason]]) -> pl.DataFrame:
    """Return the table with the reasons that apply to each row; one reason says that none of them does."""
    applies = table.select(is_cause.fill_null(value=False).alias(why.code) for is_cause, why in causes).rows()
    by_row = {
        row: combine_reasons(
            [why for (_, why), yes in zip(causes, row, strict=True) if yes] or [reason("loses_little")]
        )
        for row in set(applies)
    }
    rows = [by_row[row].columns for row in applies]
    return table.hstack(pl.DataFrame(rows, schema=REASON_COLUMNS))
