"""Gap filling of station weather: missing hours are filled by rule and flagged."""

import numpy as np
import polars as pl

SHORT_GAP_H = 6


def hours_of_days(hours: pl.DataFrame, days: pl.DataFrame, time_zone: str) -> pl.DataFrame:
    """Add hours disaggregated from daily values for stations and hours without hourly values.

    Temperature follows a sine between the daily minimum at 4 and maximum at 16 o'clock, local time; rain is spread
    evenly; radiation follows the same sine while it is above its mean (common practice, no source).

    Args:
        hours: `weather_hour`.
        days: `weather_day`; a day is identified by its midnight, in UTC if the archive gives only a date.
        time_zone: the season's time zone; a midnight in UTC is taken as local midnight.
    """
    if not days.height:
        return hours
    midnight = pl.col("day_at").dt.replace_time_zone(None).dt.replace_time_zone(time_zone, non_existent="null")
    dated = pl.when(pl.col("day_at").dt.hour() == 0).then(midnight.dt.convert_time_zone("UTC")).otherwise("day_at")
    angle = (pl.col("hour") - 10) * (np.pi / 12)
    disaggregated = (
        days.with_columns(dated.alias("from_at"))
        .join(pl.DataFrame({"hour": range(24)}), how="cross")
        .with_columns((pl.col("from_at") + pl.duration(hours=pl.col("hour"))).dt.truncate("1h").alias("hour_at"))
        .select(
            "station_id",
            "hour_at",
            (
                (pl.col("air_temp_max_c") + pl.col("air_temp_min_c")) / 2
                + (pl.col("air_temp_max_c") - pl.col("air_temp_min_c")) / 2 * angle.sin()
            ).alias("air_temp_c"),
            "humidity_pct",
            "wind_m_s",
            (
                pl.col("irradiation_mj_m2")
                * angle.sin().clip(0)
                / angle.sin().clip(0).sum().over("station_id", "day_at")
            ).alias("irradiation_mj_m2"),
            (pl.col("rain_mm") / 24).alias("rain_mm"),
        )
        .drop_nulls("hour_at")
    )
    added = disaggregated.join(hours, on=["station_id", "hour_at"], how="anti").unique(
        ["station_id", "hour_at"], keep="first"
    )
    return pl.concat([hours, added.select(hours.columns)]).sort("station_id", "hour_at")


def fill_hours(weather: pl.DataFrame) -> pl.DataFrame:
    """Return one row per station and hour from its first to its last, with the rule used in `filled`.

    Gaps of temperature, humidity and wind of up to six hours are interpolated linearly; longer gaps, and all gaps of
    radiation, take the same hour of the previous day, or else the station's mean for that hour of day. Missing rain
    is the mean of the other stations in that hour, or else zero.
    """
    if not weather.height:
        return weather.with_columns(pl.lit(None, dtype=pl.String).alias("filled"))
    hours = pl.concat(
        [
            part.select("station_id", "hour_at")
            .sort("hour_at")
            .upsample("hour_at", every="1h")
            .with_columns(pl.lit(s).alias("station_id"))
            for (s,), part in weather.group_by("station_id", maintain_order=True)
        ]
    )
    rain_elsewhere = weather.group_by("hour_at", maintain_order=True).agg(
        pl.col("rain_mm").mean().alias("rain_elsewhere")
    )
    table = (
        hours.join(weather, on=["station_id", "hour_at"], how="left")
        .join(rain_elsewhere, on="hour_at", how="left")
        .sort("station_id", "hour_at")
    )
    missing = pl.any_horizontal(
        pl.col(c).is_null() for c in ("air_temp_c", "humidity_pct", "wind_m_s", "irradiation_mj_m2", "rain_mm")
    )
    table = table.with_columns(pl.when(missing).then(pl.lit("line, day before or other stations")).alias("filled"))

    def interpolated(name: str) -> pl.Expr:
        known_at = pl.when(pl.col(name).is_not_null()).then("hour_at")
        gap = known_at.backward_fill().over("station_id") - known_at.forward_fill().over("station_id")
        line = pl.when(gap <= pl.duration(hours=SHORT_GAP_H + 1)).then(pl.col(name).interpolate().over("station_id"))
        return pl.coalesce(name, line, day_before(name))

    def day_before(name: str) -> pl.Expr:
        hour = pl.col("hour_at").dt.hour()
        return pl.coalesce(
            pl.col(name).shift(24).over("station_id"), pl.col(name).mean().over("station_id", hour), pl.col(name).mean()
        )

    return (
        table.with_columns(
            *(interpolated(n).alias(n) for n in ("air_temp_c", "humidity_pct", "wind_m_s")),
            pl.coalesce("irradiation_mj_m2", day_before("irradiation_mj_m2")).alias("irradiation_mj_m2"),
            pl.coalesce("rain_mm", "rain_elsewhere", 0.0).alias("rain_mm"),
        )
        .with_columns(
            # For a station that never logs humidity, wind or radiation, as FAO-56 recommends for missing data.
            pl.col("humidity_pct").fill_null(75.0),
            pl.col("wind_m_s").fill_null(2.0),
            pl.col("irradiation_mj_m2").fill_null(np.nan),
        )
        .drop("rain_elsewhere")
    )
