"""Uptake of advised moves, from the half minutes of the shift they were advised for.

With x(t) the readings of the setting in the time judged, smoothed by a running median,

    u(t) = (x(t) - from) / (to - from),   U = mean of u(t), limited to -1 .. 1 and weighted with the time worked   (30)

u is the share of the advised step at a moment, U the share that was made on average over the shift.
"""

import polars as pl

from transforms.contracts.classes import wetness_class
from transforms.contracts.result_tables import schema_of

FOLLOWED_FROM = 0.75
PARTLY_FROM = 0.25
"""Cut points of U half way between a full step, half a step and none; against the advice likewise."""
MIN_JUDGED_S = 1800.0
"""Least time worked, s, from which uptake is judged."""
SMOOTHED = 9
"""Half minutes of the running median: it ignores up to four outliers in a row."""
LASTING = 8
"""Half minutes for which a share of the step must last to count as made: four minutes, as for setting changes."""
KEY = ["machine_id", "shift_date", "setting"]
CODES = ("followed", "partly", "not", "opposite", "unknown")
REASONS = ("no_log", "no_reading", "other_field", "other_conditions")


def uptake(moves: pl.DataFrame, bins: pl.DataFrame, field_hours: pl.DataFrame) -> pl.DataFrame:
    """Return the uptake of each move.

    Time is judged in the field and in the wetness class that the advice was given for, while the machine lifts and the
    setting has a reading without a fault. An unknown wetness counts as the class of the advice.

    Args:
        moves: `machine_id, shift_date, setting, from_value, to_value, field_id, wetness_class`, one row per move; other
            columns of `advice_uptake` are kept.
        bins: half minutes of lifting with `machine_id, shift_date, bin_at, field_id, work_s` and the settings.
        field_hours: `field_id, hour_at, topsoil_wetness`.

    Returns:
        The moves with `uptake_code`, `reason_code` (null unless unknown), `made_share` (U), `first_at` (start of the
        first lasting stretch of a quarter of the step or more), `step_share` (median share of the step in such time),
        `time_share` (such time per time judged) and `judged_s`.
    """
    if not moves.height:
        return pl.DataFrame(schema=schema_of("advice_uptake"))
    times = _judged_times(moves, bins, field_hours)
    judged = times.filter("is_read", "in_field", "in_conditions").sort(*KEY, "bin_at")
    x, step = pl.col("value"), pl.col("to_value") - pl.col("from_value")
    smooth = x.rolling_median(SMOOTHED, min_samples=1, center=True).over(KEY)
    share = judged.with_columns(((smooth - pl.col("from_value")) / step).alias("u")).with_columns(
        (pl.col("u") >= PARTLY_FROM).alias("is_made"),
        (pl.col("u").reverse().rolling_min(LASTING).reverse() >= PARTLY_FROM).over(KEY).alias("lasts"),
    )
    work, made = pl.col("work_s"), pl.col("is_made")
    measured = share.group_by(KEY, maintain_order=True).agg(
        ((pl.col("u").clip(-1, 1) * work).sum() / work.sum()).alias("made_share"),
        pl.col("bin_at").filter(pl.col("lasts").fill_null(value=False)).first().alias("first_at"),
        pl.col("u").filter(made).median().alias("step_share"),
        (work.filter(made).sum() / work.sum()).alias("time_share"),
    )
    found = moves.join(_judged_seconds(times), on=KEY, how="left", maintain_order="left").join(
        measured, on=KEY, how="left", maintain_order="left"
    )
    return (
        found.with_columns(_reason().alias("reason_code"))
        .with_columns(_code())
        .select(schema_of("advice_uptake").names())
    )


def _judged_times(moves: pl.DataFrame, bins: pl.DataFrame, field_hours: pl.DataFrame) -> pl.DataFrame:
    """Return a row per move and half minute of its machine's shift, with its reading and the conditions it meets."""
    hours = field_hours.select("field_id", "hour_at", wetness_class(pl.col("topsoil_wetness")).alias("class_now"))
    lifted = bins.with_columns(pl.col("bin_at").dt.truncate("1h").alias("hour_at")).join(
        hours, on=["field_id", "hour_at"], how="left", maintain_order="left"
    )
    base = ["machine_id", "shift_date", "bin_at", "work_s", "class_now"]
    frames = []
    for (name,), own in moves.group_by("setting", maintain_order=True):
        value = pl.col(str(name)) if name in lifted.columns else pl.lit(None, pl.Float64)
        readings = lifted.select(*base, pl.col("field_id").alias("worked_field"), value.cast(pl.Float64).alias("value"))
        asked = own.select(*KEY, "from_value", "to_value", "field_id", "wetness_class")
        frames.append(asked.join(readings, on=["machine_id", "shift_date"]))
    same_field = pl.col("worked_field") == pl.col("field_id")
    same_class = pl.col("class_now") == pl.col("wetness_class")
    return pl.concat(frames).with_columns(
        pl.col("value").is_not_null().alias("is_read"),
        (same_field.fill_null(value=False) | pl.col("field_id").is_null()).alias("in_field"),
        same_class.fill_null(value=True).alias("in_conditions"),
    )


def _judged_seconds(times: pl.DataFrame) -> pl.DataFrame:
    """Return the time worked of each move as each condition is added, s."""
    work, kept = pl.col("work_s"), pl.lit(value=True)
    columns = [work.sum().alias("lifted_s")]
    for name, condition in (("read_s", "is_read"), ("in_field_s", "in_field"), ("judged_s", "in_conditions")):
        kept = kept & pl.col(condition)
        columns.append(work.filter(kept).sum().alias(name))
    return times.group_by(KEY, maintain_order=True).agg(columns)


def _reason() -> pl.Expr:
    """Return the first condition that leaves too little time to judge; null if there is enough."""
    stages = zip(REASONS, ("lifted_s", "read_s", "in_field_s", "judged_s"), strict=True)
    chain: pl.Expr = pl.lit(None, pl.String)
    for code, seconds in reversed(list(stages)):
        chain = pl.when(pl.col(seconds).fill_null(0.0) < MIN_JUDGED_S).then(pl.lit(code)).otherwise(chain)
    return chain


def _code() -> list[pl.Expr]:
    """Return the uptake code, and the measures, which are null if the uptake is unknown."""
    made, known = pl.col("made_share"), pl.col("reason_code").is_null()
    code = (
        pl.when(~known)
        .then(pl.lit("unknown"))
        .when(made >= FOLLOWED_FROM)
        .then(pl.lit("followed"))
        .when(made >= PARTLY_FROM)
        .then(pl.lit("partly"))
        .when(made > -PARTLY_FROM)
        .then(pl.lit("not"))
        .otherwise(pl.lit("opposite"))
    )
    measures = [pl.when(known).then(c).alias(c) for c in ("made_share", "first_at", "step_share", "time_share")]
    return [code.alias("uptake_code"), *measures, pl.col("judged_s").fill_null(0.0)]
