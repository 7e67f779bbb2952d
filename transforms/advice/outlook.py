"""Conditions of each field in the working hours of the shifts to come, from the forecast and from weather persistence.

Wetness has a daily cycle: it falls from sunrise to the evening. The last known hour, often the start of the shift, is
therefore not representative of the working hours.
"""

import datetime as dt
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import polars as pl

from transforms.arrays import narrow
from transforms.conditions.field_hours import field_hours
from transforms.conditions.weather import fill_hours

USUAL_HOURS = (7, 18)
"""Local working hours if there are no loads (common practice, no source)."""
SOME_LOADS = 0.02
"""An hour of the day with a smaller share of the loads is not a working hour."""
PERSISTENCE, FORECAST = "as now", "forecast"
PERSISTENCE_DAYS = 3
"""Beyond the forecast, each hour is the mean of the same hour of the last days, without rain (assumption).

On the demo season this has the smallest mean absolute error in the working hours of the next day: .014 of the wetness
scale, compared with .020 with the rain of the last days and .028 with the last known hour.
"""
DAYS_AHEAD = 7
"""At most this number of shifts ahead is looked at (common practice, no source)."""
WEATHER = ("topsoil_wetness", "air_temp_c", "air_temp_10d_c")
"""Conditions of a field that change with the weather."""
MIN_FORECAST = 0.5
"""An outlook is called a forecast if it covers at least this share of the working hours (assumption)."""


@dataclass(frozen=True)
class NextShift:
    """Next shift.

    Attributes:
        date: its local date.
        starts: local time at which it starts; it lasts 24 hours.
        hours: local hours of the day in which the fleet works.
        zone: time zone of the season.
    """

    date: dt.date
    starts: dt.time
    hours: frozenset[int]
    zone: str

    def working_hours_utc(self) -> pl.Series:
        """Return the working hours, UTC."""
        begins = dt.datetime.combine(self.date, self.starts, ZoneInfo(self.zone)).astimezone(dt.UTC)
        first = begins.replace(minute=0, second=0, microsecond=0)
        hours = [first + dt.timedelta(hours=h) for h in range(24)]
        local = [h for h in hours if h.astimezone(ZoneInfo(self.zone)).hour in self.hours]
        return pl.Series("hour_at", local or hours, dtype=pl.Datetime("us", "UTC"))


@dataclass(frozen=True)
class Outlook:
    """Expected conditions of the next shift.

    Attributes:
        fields: `field_id`, the means `WEATHER`, `rain_mm, outlook, shift_date`, one row per field.
    """

    fields: pl.DataFrame

    def field_conditions(self, field_id: str) -> dict[str, float | str]:
        """Return the conditions of a field; `outlook` names their source."""
        return self.fields.filter(pl.col("field_id") == field_id).row(0, named=True)


def working_hours(lifted_at: pl.Series, zone: str) -> frozenset[int]:
    """Return the local hours of the day, 0 to 23, in which the fleet lifts.

    Args:
        lifted_at: time at which each load was lifted, UTC; nulls are ignored.
        zone: time zone of the season, such as `Europe/Berlin`.
    """
    hours = lifted_at.drop_nulls().dt.convert_time_zone(zone).dt.hour()
    if not hours.len():
        return frozenset(range(*USUAL_HOURS))
    share = hours.value_counts(normalize=True)
    return frozenset(share.filter(pl.col("proportion") >= SOME_LOADS)[hours.name].to_list())


@dataclass(frozen=True)
class WeatherAhead:
    """Known and expected hours, from which the conditions of any shift up to `until` follow.

    Attributes:
        last_known: last known conditions of each field: `field_id` and `WEATHER`.
        future: conditions of each field and hour, observed, forecast and persistent.
        covered: `station_id, known_to, reaches`: last observed hour and, with a forecast, its last hour.
        stations: `field_id, station_id`.
    """

    last_known: pl.DataFrame
    future: pl.DataFrame | None
    covered: pl.DataFrame
    stations: pl.DataFrame

    def outlook(self, shift: NextShift) -> Outlook:
        """Return the mean conditions of each field over the working hours of a shift."""
        persistent = self.last_known.with_columns(
            pl.lit(None, dtype=pl.Float64).alias("rain_mm"),
            pl.lit(PERSISTENCE).alias("outlook"),
            pl.lit(shift.date).alias("shift_date"),
        )
        if self.future is None:
            return Outlook(persistent)
        foreseen = (pl.col("hour_at") > pl.col("known_to")) & (pl.col("hour_at") <= pl.col("reaches"))
        working = shift.working_hours_utc().to_frame()
        at_work = (
            self.future.join(working, on="hour_at", how="semi", maintain_order="left")
            .join(self.stations, on="field_id", maintain_order="left")
            .join(self.covered, on="station_id", maintain_order="left")
            .group_by("field_id", maintain_order=True)
            .agg(
                pl.col(WEATHER).mean(),
                pl.col("rain_24h_mm").sort_by("hour_at").last().alias("rain_mm"),
                foreseen.fill_null(value=False).mean().alias("foreseen"),
            )
        )
        is_forecast = pl.col("foreseen") >= MIN_FORECAST
        expected = at_work.select(
            "field_id",
            *WEATHER,
            pl.when(is_forecast).then("rain_mm").alias("rain_mm"),
            pl.when(is_forecast).then(pl.lit(FORECAST)).otherwise(pl.lit(PERSISTENCE)).alias("outlook"),
            pl.lit(shift.date).alias("shift_date"),
        )
        return Outlook(pl.concat([expected, persistent.join(expected, on="field_id", how="anti")]))

    def days_ahead(self, first: NextShift) -> list[Outlook]:
        """Return the outlooks of a shift and the following ones, as long as the forecast covers a field of each."""
        out = [self.outlook(first)]
        while len(out) < DAYS_AHEAD and (out[-1].fields["outlook"] == FORECAST).any():
            out.append(self.outlook(replace(first, date=first.date + dt.timedelta(days=len(out)))))
        return [o for o in out if (o.fields["outlook"] == FORECAST).any()]


def weather_ahead(
    field_hour: pl.DataFrame, weather: pl.DataFrame, forecast: pl.DataFrame, fields: pl.DataFrame, until: dt.datetime
) -> WeatherAhead:
    """Return the conditions of each field in the hours to come.

    Args:
        field_hour: known conditions: `field_id, hour_at` and `WEATHER`.
        weather: complete observed hours, `weather_filled`.
        forecast: `forecast_hour`, with the columns of the weather; hours observed in the meantime are ignored.
        fields: the field list.
        until: last hour that is needed; beyond the forecast, weather persists until then.
    """
    latest = field_hour.sort("hour_at").unique("field_id", keep="last", maintain_order=True)
    last_known = latest.select("field_id", *WEATHER)
    stations = fields.select("field_id", "station_id")
    if not weather.height:
        return WeatherAhead(last_known, None, pl.DataFrame(), stations)
    known = weather.group_by("station_id", maintain_order=True).agg(pl.col("hour_at").max().alias("known_to"))
    fresh = forecast.join(known, on="station_id").filter(pl.col("hour_at") > pl.col("known_to"))
    columns = [c for c in weather.columns if c != "filled"]
    to_come = fill_hours(pl.concat([weather.select(columns), fresh.select(columns)])).select(columns)
    reached = fresh.group_by("station_id", maintain_order=True).agg(pl.col("hour_at").max().alias("reaches"))
    covered = known.join(reached, on="station_id", how="left", maintain_order="left")
    return WeatherAhead(last_known, field_hours(extend_by_persistence(to_come, until), fields), covered, stations)


def next_outlook(
    field_hour: pl.DataFrame, weather: pl.DataFrame, forecast: pl.DataFrame, fields: pl.DataFrame, shift: NextShift
) -> Outlook:
    """Return the mean conditions of each field over the working hours of a shift.

    Args:
        field_hour: known conditions: `field_id, hour_at` and `WEATHER`.
        weather: complete observed hours, `weather_filled`.
        forecast: `forecast_hour`, with the columns of the weather.
        fields: the field list.
        shift: the next shift.
    """
    until = narrow(shift.working_hours_utc().max(), dt.datetime)
    return weather_ahead(field_hour, weather, forecast, fields, until).outlook(shift)


def extend_by_persistence(weather: pl.DataFrame, until: dt.datetime) -> pl.DataFrame:
    """Return the hours of each station, extended to a moment by the same hours of its last days, without rain.

    Args:
        weather: complete hours of the stations: `station_id, hour_at, rain_mm` and other values.
        until: last hour to add, UTC.
    """
    values = [c for c in weather.columns if c not in {"station_id", "hour_at"}]
    last = weather.group_by("station_id", maintain_order=True).agg(pl.col("hour_at").max().alias("known_to"))
    recent = weather.join(last, on="station_id").filter(
        pl.col("hour_at") > pl.col("known_to") - pl.duration(days=PERSISTENCE_DAYS)
    )
    hour = pl.col("hour_at").dt.hour().alias("hour")
    usual = recent.group_by("station_id", hour, maintain_order=True).agg(pl.col(values).mean())
    overall = recent.group_by("station_id", maintain_order=True).agg(pl.col(values).mean())
    missing = (
        last.filter(pl.col("known_to") < until)
        .with_columns(
            pl.datetime_ranges(pl.col("known_to") + pl.duration(hours=1), pl.lit(until), "1h").alias("hour_at")
        )
        .explode("hour_at")
        .with_columns(hour)
        .join(usual, on=["station_id", "hour"], how="left", maintain_order="left")
        .join(overall, on="station_id", how="left", suffix="_overall", maintain_order="left")
        .with_columns(pl.coalesce(c, f"{c}_overall").alias(c) for c in values)
        .with_columns(pl.lit(0.0).alias("rain_mm"))
    )
    return pl.concat([weather, missing.select(weather.columns)]).sort("station_id", "hour_at")
