"""Settings averaged over the minutes of a load, and settings in force at the plot of an audit."""

import polars as pl

from transforms.config.settings_catalogue import Catalogue

AUDIT_REACH_S = 120


def _sums(names: list[str]) -> list[pl.Expr]:
    """Return, per setting, the weight of known values and the first two moments, as products that sum fast."""
    out = []
    for name in names:
        x, w = pl.col(name), pl.col("share")
        out += [
            pl.when(x.is_not_null()).then(w).alias(f"w {name}"),
            (x * w).alias(f"1 {name}"),
            (x * x * w).alias(f"2 {name}"),
        ]
    return out


def _mean_and_sd(names: list[str]) -> list[pl.Expr]:
    """Return the mean and standard deviation of each setting from the sums of `_sums`."""
    columns = []
    for name in names:
        known = pl.when(pl.col(f"w {name}") > 0).then(pl.col(f"w {name}"))
        mean = pl.col(f"1 {name}") / known
        columns += [mean.alias(name), (pl.col(f"2 {name}") / known - mean**2).clip(0).sqrt().alias(f"{name}_sd")]
    return columns


def settings_present(frame: pl.DataFrame, catalogue: Catalogue) -> list[str]:
    """Return the settings of the catalogue that are columns of a frame.

    Args:
        frame: a frame whose columns include settings.
        catalogue: the settings known.
    """
    return [n for n in catalogue if n in frame.columns]


def load_settings(load_trace: pl.DataFrame, bins: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Return, per load, the share-weighted mean and sd of each setting, the main machine and the lifting time.

    Args:
        load_trace: `load_id, machine_id, bin_at, share`.
        bins: bins of the machines, with `machine_id, bin_at` and settings in the catalogue's units.
        catalogue: the settings known.

    Returns:
        `load_id, machine_id, lifted_at, <setting>, <setting>_sd`; a setting missing from the traced bins is null.
    """
    names = settings_present(bins, catalogue)
    known = load_trace.filter(pl.col("bin_at").is_not_null()).join(
        bins.select("machine_id", "bin_at", *names), on=["machine_id", "bin_at"], how="left", maintain_order="left"
    )
    known = known.with_columns((pl.col("bin_at").dt.timestamp("us") * pl.col("share")).alias("at"), *_sums(names))
    sums = known.group_by("load_id", maintain_order=True).agg(
        pl.col("^(w|1|2) .*$").sum(), pl.col("at").sum() / pl.col("share").sum()
    )
    lifted = pl.col("at").cast(pl.Int64).cast(pl.Datetime("us")).dt.replace_time_zone("UTC").alias("lifted_at")
    means = sums.select("load_id", lifted, *_mean_and_sd(names))
    main = (
        known.group_by("load_id", "machine_id", maintain_order=True)
        .agg(pl.col("share").sum())
        .sort("load_id", "share", "machine_id", descending=[False, True, False])
        .unique("load_id", keep="first", maintain_order=True)
        .select("load_id", "machine_id")
    )
    return main.join(means, on="load_id").sort("load_id")


def audit_settings(audits: pl.DataFrame, bins: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Return, per audit, the mean of each setting over the minutes in which the machine passed the plot.

    Args:
        audits: `audit_id, machine_id, at`, `at` by the machine's own clock.
        bins: the bins of these machine-days.
        catalogue: the settings known.

    Returns:
        `audit_id, <setting>`; an audit without telemetry has no row.
    """
    names = settings_present(bins, catalogue)
    around = pl.DataFrame({"away_s": list(range(-AUDIT_REACH_S, AUDIT_REACH_S + 1, 30))})
    near = (
        audits.join(around, how="cross")
        .with_columns((pl.col("at").dt.truncate("30s") + pl.duration(seconds=pl.col("away_s"))).alias("bin_at"))
        .join(bins.select("machine_id", "bin_at", *names), on=["machine_id", "bin_at"], maintain_order="left")
    )
    return near.group_by("audit_id", maintain_order=True).agg(pl.col(names).mean()).sort("audit_id")
