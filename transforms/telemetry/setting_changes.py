"""Timeline of a shift: five-minute rows, the passes on the ground, and the setting changes.

A setting change is a lasting change of level: at a half minute t of lifting, with m-(t) and m+(t) the medians of the k
half minutes before and after, and a-(t), a+(t) their means,

    |m+(t) - m-(t)| >= max(step, 4 s),   |a+(t) - a-(t)| the largest within k half minutes either way            (25)

s is the noise of a half minute, 1.48 median |x(t) - x(t-1)| / sqrt 2. Medians ignore single outliers; means locate the
moment more sharply.
"""

import datetime as dt
from dataclasses import dataclass

import polars as pl

from transforms.config.response_catalogue import DIRT
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.result_tables import schema_of

COURSE_MIN = 5
BESIDE = 8
"""k: four minutes of lifting before and after a change."""
NOISE_TIMES = 4.0
MAX_PASSES = 400
"""Maximum half minutes per machine on the map."""
DECISION_SCHEMA = schema_of("setting_decision")


@dataclass(frozen=True)
class ShiftTimeline:
    """The tables `shift_course`, `setting_decision` and `shift_pass`."""

    course: pl.DataFrame
    decisions: pl.DataFrame
    passes: pl.DataFrame


def _settings(bins: pl.DataFrame, catalogue: Catalogue) -> list[str]:
    return [n for n, s in catalogue.items() if s.nature == "numeric" and n in bins.columns and bins[n].count()]


def detect_setting_changes(lifting: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Return lasting setting changes by (25), ordered by machine and time.

    Args:
        lifting: `machine_id, bin_at, field_id` and settings of half minutes of lifting, ordered by machine and time.
        catalogue: the settings catalogue.
    """
    found = [_changes_of(lifting.drop_nulls(name), name, catalogue) for name in _settings(lifting, catalogue)]
    return pl.concat([pl.DataFrame(schema=DECISION_SCHEMA), *found]).sort("machine_id", "decided_at", "setting")


def _changes_of(rows: pl.DataFrame, name: str, catalogue: Catalogue) -> pl.DataFrame:
    """Return the lasting changes of one setting, of rows that have it."""
    step, x = catalogue[name].step, pl.col(name)
    later = x.reverse()
    noise = x.diff().abs().median() * 1.48 / 2**0.5
    levels = rows.with_columns(
        e.over("machine_id").alias(column)
        for column, e in {
            "noise": noise,
            "from_value": x.rolling_median(BESIDE).shift(1),
            "to_value": later.rolling_median(BESIDE).reverse(),
            "moved": (later.rolling_mean(BESIDE).reverse() - x.rolling_mean(BESIDE).shift(1)).abs(),
        }.items()
    ).with_columns((pl.col("to_value") - pl.col("from_value")).alias("d"))
    largest = pl.col("moved").rolling_max(2 * BESIDE + 1, center=True, min_samples=1).over("machine_id")
    is_change = pl.col("d").abs() >= pl.max_horizontal(pl.lit(step), NOISE_TIMES * pl.col("noise"))
    candidates = levels.filter(is_change & pl.col("noise").is_not_null() & (pl.col("moved") == largest))
    # Two half minutes may share the largest change; keep the first.
    since = pl.col("bin_at").diff().over("machine_id")
    return candidates.filter((since > dt.timedelta(seconds=30 * BESIDE)).fill_null(value=True)).select(
        "machine_id",
        pl.col("bin_at").alias("decided_at"),
        "field_id",
        pl.lit(name).alias("setting"),
        pl.lit(catalogue[name].unit).alias("unit"),
        "from_value",
        "to_value",
        (pl.col("d") / step).alias("steps"),
        pl.lit(None, pl.Float64).alias("topsoil_wetness"),
    )


def _topsoil_wetness(rows: pl.DataFrame, at: str, field_hours: pl.DataFrame) -> pl.Series:
    """Return the topsoil wetness of each row's field and hour; null if unknown."""
    hours = field_hours.select("field_id", "hour_at", pl.col("topsoil_wetness").alias("known_wetness"))
    keyed = rows.with_columns(pl.col(at).dt.truncate("1h").alias("hour_at"))
    return keyed.join(hours, on=["field_id", "hour_at"], how="left", maintain_order="left")["known_wetness"].alias(
        "topsoil_wetness"
    )


def _five_minute_rows(bins: pl.DataFrame, settings: list[str]) -> pl.DataFrame:
    lifts = pl.col("area_ha") > 0
    return (
        bins.with_columns(pl.col("bin_at").dt.truncate(f"{COURSE_MIN}m").alias("at"))
        .group_by("machine_id", "at", maintain_order=True)
        .agg(
            pl.col("field_id").drop_nulls().first(),
            lifts.mean().alias("lifting_share"),
            *(pl.col(n).filter(lifts).mean() for n in settings),
        )
        .sort("machine_id", "at")
    )


def _passes(bins: pl.DataFrame, settings: list[str], given: pl.DataFrame, measured: pl.DataFrame) -> pl.DataFrame:
    """Return half minutes of lifting with position and main load, thinned evenly if there are many."""
    placed = bins.filter((pl.col("area_ha") > 0) & pl.col("lat_deg").is_not_null())
    nth, count = pl.int_range(pl.len()).over("machine_id"), pl.len().over("machine_id")
    thinned = placed.filter(nth % ((count + MAX_PASSES - 1) // MAX_PASSES) == 0)
    main_loads = given.sort("share", "load_id", descending=[True, False]).unique(
        ["machine_id", "bin_at"], keep="first", maintain_order=True
    )
    return (
        thinned.join(main_loads.select("machine_id", "bin_at", "load_id"), on=["machine_id", "bin_at"], how="left")
        .join(measured.select("load_id", DIRT), on="load_id", how="left")
        .select("machine_id", "bin_at", "field_id", "lat_deg", "lon_deg", "load_id", DIRT, *settings)
        .sort("machine_id", "bin_at")
    )


def build_shift_timeline(
    bins: pl.DataFrame, given: pl.DataFrame, measured: pl.DataFrame, field_hours: pl.DataFrame, catalogue: Catalogue
) -> ShiftTimeline:
    """Return the timeline of a shift.

    Args:
        bins: the half minutes of the shift's machines during the shift.
        given: `load_id, machine_id, bin_at, share` of the shift's loads.
        measured: `load_id, dirt_tare_pct` of the measured loads.
        field_hours: `field_id, hour_at, topsoil_wetness`.
        catalogue: the settings catalogue.
    """
    settings = _settings(bins, catalogue)
    timeline = _five_minute_rows(bins, settings)
    lifting = bins.filter(pl.col("area_ha") > 0).sort("machine_id", "bin_at")
    changed = detect_setting_changes(lifting, catalogue)
    return ShiftTimeline(
        timeline.with_columns(_topsoil_wetness(timeline, "at", field_hours)),
        changed.with_columns(_topsoil_wetness(changed, "decided_at", field_hours)),
        _passes(bins, settings, given, measured),
    )
