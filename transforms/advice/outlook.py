"""Conditions a field will have in the next shift: by the forecast where there is one, else as they are now."""

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import polars as pl

from transforms.conditions.field_hours import field_hours
from transforms.conditions.weather import fill_hours

USUAL_HOURS = (7, 18)
"""Local hours of work where no load tells (common practice, no source)."""
SOME_LOADS = 0.02
"""Hours of the day that lift less than this share of loads do not count as hours of work."""
PERSISTENCE, FORECAST = "as now", "forecast"


@dataclass(frozen=True)
class Outlook:
    """Conditions of the next shift.

    Attributes:
        fields: `field_id, topsoil_wetness, air_temp_c, rain_mm, outlook`, a row a field.
    """

    fields: pl.DataFrame

    def of(self, field_id: str) -> dict[str, float | str]:
        """Return the conditions of a field, with `outlook` saying where they come from."""
        return self.fields.filter(pl.col("field_id") == field_id).row(0, named=True)


def working_hours(lifted_at: pl.Series, zone: str) -> set[int]:
    """Return the local hours of the day in which the fleet lifts."""
    hours = lifted_at.drop_nulls().dt.convert_time_zone(zone).dt.hour()
    if not hours.len():
        return set(range(*USUAL_HOURS))
    share = hours.value_counts(normalize=True)
    return set(share.filter(pl.col("proportion") >= SOME_LOADS)[hours.name].to_list())


def next_outlook(
    field_hour: pl.DataFrame,
    weather: pl.DataFrame,
    forecast: pl.DataFrame,
    fields: pl.DataFrame,
    shift_date: dt.date,
    hours: set[int],
    zone: str,
) -> Outlook:
    """Return what each field will be like in the working hours of a shift.

    Args:
        field_hour: what is known, by field and hour.
        weather: complete observed hours, `weather_filled`.
        forecast: `forecast_hour`; hours that are observed by now count no more.
        fields: the field list.
        shift_date: the shift to come.
        hours: local hours of the day in which the fleet works.
        zone: the season's zone.
    """
    now = field_hour.sort("hour_at").unique("field_id", keep="last", maintain_order=True)
    persists = now.select(
        "field_id", "topsoil_wetness", "air_temp_c", pl.lit(None, dtype=pl.Float64).alias("rain_mm"),
        pl.lit(PERSISTENCE).alias("outlook"),
    )  # fmt: skip
    last = weather.group_by("station_id", maintain_order=True).agg(pl.col("hour_at").max().alias("known_to"))
    fresh = forecast.join(last, on="station_id").filter(pl.col("hour_at") > pl.col("known_to"))
    if not fresh.height:
        return Outlook(persists)
    columns = [c for c in weather.columns if c != "filled"]
    ahead = field_hours(fill_hours(pl.concat([weather.select(columns), fresh.select(columns)])), fields)
    local = pl.col("hour_at").dt.convert_time_zone(zone)
    begins = dt.datetime.combine(shift_date, dt.time(), ZoneInfo(zone))
    known = fields.select("field_id", "station_id").join(last, on="station_id")
    reached = fresh.group_by("station_id", maintain_order=True).agg(pl.col("hour_at").max().alias("reaches"))
    at_work = (
        ahead.join(known.join(reached, on="station_id"), on="field_id")
        .filter((pl.col("hour_at") > pl.col("known_to")) & (pl.col("hour_at") <= pl.col("reaches")))
        .filter((local >= begins) & (local < begins + dt.timedelta(days=1)) & local.dt.hour().is_in(list(hours)))
        .group_by("field_id", maintain_order=True)
        .agg(pl.col("topsoil_wetness", "air_temp_c").mean(), pl.col("rain_24h_mm").last().alias("rain_mm"))
        .with_columns(pl.lit(FORECAST).alias("outlook"))
    )
    return Outlook(pl.concat([at_work, persists.join(at_work, on="field_id", how="anti")]))
