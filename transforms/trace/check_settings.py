"""Settings under which the roots of a root check were lifted, from the last minutes of lifting before it."""

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.trace.load_settings import settings_present

REACH_H = {"tank": 2, "pile": 12, "yard": 24}
"""Hours before a check, by place, within which its roots were lifted (assumption)."""
LIFTING_MIN = {"tank": 15, "pile": 60, "yard": 60}
"""Minutes of lifting that the checked roots are from: a tank is filled in about 15 (assumption)."""
QUALITY = {"tank": 1.0, "pile": 0.7, "yard": 0.5}
"""Trace quality of the minutes, as of a load: a pile also holds roots of other minutes and machines (assumption)."""
USUAL_PLACE = "tank"
"""Place of a check that states none."""
CHECK = ("check_id", "checked_at", "machine_id", "field_id", "place")


def check_settings(checks: pl.DataFrame, bins: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Return, per root check, the mean of each setting over the last minutes of lifting before it.

    The minutes are those of its machine, in its field if it names one. A check that names only the field has the
    minutes of the machine that worked there, if there was a single one.

    Args:
        checks: `check_id, checked_at` (UTC), `machine_id`, `field_id`, `place`; the last three may be null.
        bins: bins of these machine-days with `worked_at`, the time of the bin by the true clock.
        catalogue: the settings known.

    Returns:
        `check_id, machine_id, field_id, worked_at, trace_quality, <setting>`, each setting in its unit, null if
        unknown; a check without lifting has no row.
    """
    names = settings_present(bins, catalogue)
    work = bins.filter(pl.col("work_s") > 0).select(
        "machine_id", "field_id", "worked_at", "work_s", pl.col("worked_at").dt.date().alias("day"), *names
    )
    near = _minutes_before(checks, work)
    means = near.group_by("check_id", maintain_order=True).agg(
        pl.col("machine_id").first(),
        pl.col("field_id").drop_nulls().mode().sort().first(),
        pl.col("worked_at").mean(),
        pl.col("quality").first().alias("trace_quality"),
        pl.col(names).mean(),
    )
    absent = [pl.lit(None, dtype=pl.Float64).alias(n) for n in catalogue if n not in names]
    columns = ("check_id", "machine_id", "field_id", "worked_at", "trace_quality", *catalogue)
    return means.with_columns(absent).select(columns).sort("check_id")


def _minutes_before(checks: pl.DataFrame, work: pl.DataFrame) -> pl.DataFrame:
    """Return the bins of each check: the latest lifting within reach, up to the minutes of its place."""
    place = pl.col("place").fill_null(USUAL_PLACE)
    placed = checks.select(
        *CHECK,
        (place.replace_strict(REACH_H) * pl.duration(hours=1)).alias("reach"),
        (place.replace_strict(LIFTING_MIN) * 60.0).alias("lifting_s"),
        place.replace_strict(QUALITY).alias("quality"),
    ).rename({"machine_id": "named_machine", "field_id": "named_field"})
    days = pl.date_ranges((pl.col("checked_at") - pl.col("reach")).dt.date(), pl.col("checked_at").dt.date())
    by_day = placed.with_columns(days.alias("day")).explode("day")
    of_machine = by_day.join(work, left_on=["named_machine", "day"], right_on=["machine_id", "day"], coalesce=False)
    of_field = by_day.filter(pl.col("named_machine").is_null()).join(
        work, left_on=["named_field", "day"], right_on=["field_id", "day"], coalesce=False
    )
    near = pl.concat([of_machine, of_field], how="diagonal").filter(
        pl.col("worked_at") <= pl.col("checked_at"),
        pl.col("worked_at") > pl.col("checked_at") - pl.col("reach"),
        pl.coalesce(pl.col("field_id") == pl.col("named_field"), pl.lit(True)),
    )
    single = near.filter(pl.col("machine_id").n_unique().over("check_id") == 1)
    latest = single.sort("check_id", "worked_at", descending=[False, True])
    before_s = pl.col("work_s").cum_sum().over("check_id") - pl.col("work_s")
    return latest.filter(before_s < pl.col("lifting_s"))
