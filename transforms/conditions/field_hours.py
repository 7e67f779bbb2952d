"""Topsoil wetness of every field for every hour of its weather station."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.conditions.evaporation_layer import Layer, advance_layer, compute_layer, kc_max
from transforms.conditions.evapotranspiration import hargreaves_mm, penman_monteith_mm, sun, vapour_pressure_kpa
from transforms.conditions.soil import soil_water
from transforms.contracts.result_tables import schema_of

Array = NDArray[np.float64]
KCB_LATE_BEET = 0.65
"""Basal crop coefficient of beet at the end of the season (FAO-56 table 17, from memory)."""
COVER_LATE_BEET = 0.55
"""Fraction of ground shaded by late foliage (common practice, no source)."""
CROP_HEIGHT_M = 0.4
WIND_10_TO_2_M = 0.748
"""Ratio of wind speed at 2 m to that at 10 m, FAO-56 equation 47."""
ALTITUDE_M = 200.0
RECENT_HOURS = 240
"""Hours whose mean temperature is that of recent growth: ten days (assumption)."""


def daily_et0(weather: pl.DataFrame, lat_deg: float) -> pl.DataFrame:
    """Return `day, et0_mm, solar_mj_m2, wind_m_s, humidity_min_pct`, one row per UTC day of a station.

    Wind is the mean at 2 m, m/s. Without radiation, Hargreaves' equation replaces Penman and Monteith's.

    Args:
        weather: complete hours of the station: `hour_at, air_temp_c, humidity_pct, wind_m_s, irradiation_mj_m2`,
            wind at 10 m, radiation NaN if the station never measures it.
        lat_deg: latitude, degrees.
    """
    days = weather.group_by(pl.col("hour_at").dt.date().alias("day"), maintain_order=True).agg(
        pl.col("air_temp_c").max().alias("t_max"),
        pl.col("air_temp_c").min().alias("t_min"),
        pl.col("humidity_pct").mean().alias("rh"),
        pl.col("humidity_pct").min().alias("humidity_min_pct"),
        (pl.col("wind_m_s").mean() * WIND_10_TO_2_M).alias("wind_m_s"),
        pl.col("irradiation_mj_m2").sum().alias("solar_mj_m2"),
        pl.len().alias("hours"),
    )
    above = sun(lat_deg, days["day"].dt.ordinal_day().to_numpy())
    t_max, t_min = days["t_max"].to_numpy(), days["t_min"].to_numpy()
    vapour = days["rh"].to_numpy() / 100 * (vapour_pressure_kpa(t_max) + vapour_pressure_kpa(t_min)) / 2
    solar = days["solar_mj_m2"].to_numpy()
    full = penman_monteith_mm(
        t_max_c=t_max,
        t_min_c=t_min,
        vapour_kpa=vapour,
        wind_m_s=days["wind_m_s"].to_numpy(),
        solar_mj_m2=np.nan_to_num(solar),
        above=above,
        altitude_m=ALTITUDE_M,
    )
    et0 = np.where(np.isnan(solar), hargreaves_mm(t_max_c=t_max, t_min_c=t_min, above=above), full)
    return days.with_columns(pl.Series("et0_mm", et0)).select(
        "day", "et0_mm", "solar_mj_m2", "wind_m_s", "humidity_min_pct"
    )


def _hourly(weather: pl.DataFrame, lat_deg: float) -> pl.DataFrame:
    """Distribute each day's reference evapotranspiration over its hours by radiation, or evenly if there is none."""
    days = daily_et0(weather, lat_deg).rename({"wind_m_s": "wind_day", "humidity_min_pct": "humidity_min"})
    table = weather.with_columns(pl.col("hour_at").dt.date().alias("day")).join(
        days, on="day", how="left", maintain_order="left"
    )
    even = 1 / pl.len().over("day")
    part = pl.when(pl.col("solar_mj_m2") > 0).then(pl.col("irradiation_mj_m2") / pl.col("solar_mj_m2")).otherwise(even)
    return table.with_columns((pl.col("et0_mm") * part.fill_nan(even)).alias("et0_hour_mm"))


def _wetness(hourly: pl.DataFrame, layer: Layer) -> Array:
    """Advance the layer through all hours; return 1 - De/TEW, shape (hours, fields)."""
    upper = kc_max(hourly["wind_day"].to_numpy(), hourly["humidity_min"].to_numpy(), CROP_HEIGHT_M, KCB_LATE_BEET)
    rain, et0 = hourly["rain_mm"].to_numpy(), hourly["et0_hour_mm"].to_numpy()
    depletion = 0.5 * layer.tew
    out = np.empty((rain.size, layer.tew.size))
    for h in range(rain.size):
        depletion, _ = advance_layer(
            depletion,
            water_mm=rain[h],
            et0_mm=et0[h],
            layer=layer,
            kc_upper=upper[h],
            kcb=KCB_LATE_BEET,
            exposed=1 - COVER_LATE_BEET,
        )
        out[h] = 1 - depletion / layer.tew
    return out


def field_hours(weather: pl.DataFrame, fields: pl.DataFrame) -> pl.DataFrame:
    """Return `field_id, hour_at, topsoil_wetness` and the weather up to each hour, one row per field and hour.

    The weather is `air_temp_c`, `air_temp_10d_c` (mean of the last 240 hours, or of those known), `rain_24h_mm` and
    `rain_72h_mm`.

    Args:
        weather: complete hourly weather of all stations.
        fields: the field list; a field whose station has no weather gets no rows.
    """
    frames = []
    for (station,), part in weather.sort("station_id", "hour_at").group_by("station_id", maintain_order=True):
        own_fields = fields.filter(pl.col("station_id") == station)
        if not own_fields.height:
            continue
        soil = soil_water(own_fields["sand_pct"], own_fields["clay_pct"], own_fields["organic_matter_pct"])
        layer = compute_layer(
            soil.field_capacity,
            soil.wilting_point,
            own_fields["sand_pct"].to_numpy(),
            own_fields["clay_pct"].to_numpy(),
        )
        hourly = _hourly(part, float(own_fields.select(pl.col("lat_deg").mean()).item()))
        wet = _wetness(hourly, layer)
        hours = hourly.select(
            "hour_at",
            "air_temp_c",
            pl.col("air_temp_c").rolling_mean(RECENT_HOURS, min_samples=1).alias("air_temp_10d_c"),
            pl.col("rain_mm").rolling_sum(24, min_samples=1).clip(0).alias("rain_24h_mm"),
            pl.col("rain_mm").rolling_sum(72, min_samples=1).clip(0).alias("rain_72h_mm"),
        )
        wide = hours.hstack(pl.DataFrame(wet, schema=own_fields["field_id"].to_list()))
        frames.append(
            wide.unpivot(
                on=own_fields["field_id"].to_list(),
                index=hours.columns,
                variable_name="field_id",
                value_name="topsoil_wetness",
            )
        )
    schema = schema_of("field_hour")
    return pl.concat([pl.DataFrame(schema=schema), *(f.select(schema.names()) for f in frames)])
