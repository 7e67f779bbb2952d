"""The settings that made a load, and those in force where an audit was dug."""

import polars as pl

from transforms.catalogue import Catalogue

AUDIT_REACH_S = 120


def _mean_and_spread(names: list[str], weight: str) -> list[pl.Expr]:
    out = []
    for name in names:
        w = pl.col(weight).filter(pl.col(name).is_not_null())
        mean = (pl.col(name) * pl.col(weight)).sum() / w.sum()
        square = (pl.col(name) ** 2 * pl.col(weight)).sum() / w.sum()
        # 0 / 0 where the machine has no such setting: that is no value, not "not a number".
        out += [mean.fill_nan(None).alias(name), (square - mean**2).clip(0).sqrt().fill_nan(None).alias(f"{name}_sd")]
    return out


def settings_in(frame: pl.DataFrame, catalogue: Catalogue) -> list[str]:
    """Return the catalogue's settings that a frame has."""
    return [n for n in catalogue if n in frame.columns]


def load_settings(load_trace: pl.DataFrame, bins: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Return per load its share-weighted mean and spread of each setting, its main machine, and when it was lifted.

    Returns:
        `load_id, machine_id, lifted_at, <setting>, <setting>_sd`; a setting the traced bins lack is null.
    """
    names = settings_in(bins, catalogue)
    known = load_trace.filter(pl.col("bin_at").is_not_null()).join(
        bins.select("machine_id", "bin_at", *names), on=["machine_id", "bin_at"], how="left"
    )
    middle = (pl.col("bin_at").dt.timestamp("us") * pl.col("share")).sum() / pl.col("share").sum()
    means = known.group_by("load_id").agg(middle.cast(pl.Int64).cast(pl.Datetime("us")).dt.replace_time_zone("UTC").alias("lifted_at"),
                                          *_mean_and_spread(names, "share"))  # fmt: skip
    main = (
        known.group_by("load_id", "machine_id").agg(pl.col("share").sum())
        .sort("load_id", "share", "machine_id", descending=[False, True, False])
        .unique("load_id", keep="first", maintain_order=True)
        .select("load_id", "machine_id")
    )  # fmt: skip
    return main.join(means, on="load_id").sort("load_id")


def audit_settings(audits: pl.DataFrame, bins: pl.DataFrame, clock_offset: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Return per audit the mean of each setting over the minutes the machine passed the plot, on corrected clocks.

    Returns:
        `audit_id, <setting>`; an audit without telemetry has no row.
    """
    names = settings_in(bins, catalogue)
    ahead = clock_offset.filter("corrected").select("machine_id", "offset_min")
    dug = audits.select("audit_id", "machine_id", "audited_at").join(ahead, on="machine_id", how="left")
    ahead_s = (pl.col("offset_min").fill_null(0.0) * 60).round(0).cast(pl.Int64)
    dug = dug.with_columns((pl.col("audited_at") + pl.duration(seconds=ahead_s)).alias("at"))
    near = dug.join(bins.select("machine_id", "bin_at", *names), on="machine_id").filter(
        (pl.col("bin_at") - pl.col("at")).dt.total_seconds().is_between(-AUDIT_REACH_S - 15, AUDIT_REACH_S - 15)
    )
    return near.group_by("audit_id").agg(pl.col(names).mean()).sort("audit_id")
