"""Conditions of the next shift, and why effects are shrunk before a move is picked."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from tests.validation.fit_seasons import fit_season
from transforms.advice.outlook import (
    FORECAST,
    PERSISTENCE,
    NextShift,
    extend_by_persistence,
    next_outlook,
    working_hours,
)
from transforms.advice.shrinkage import shrinkage
from transforms.conditions.field_hours import field_hours
from transforms.conditions.weather import fill_hours
from transforms.config.response_catalogue import DIRT
from transforms.model.estimate import fit_response

BEGINS = dt.datetime(2025, 10, 1, tzinfo=dt.UTC)
FIELDS = pl.DataFrame(
    {
        "field_id": ["F1", "F2"],
        "station_id": ["S1", "S2"],
        "lat_deg": [50.0, 50.0],
        "sand_pct": [30.0, 30.0],
        "clay_pct": [25.0, 25.0],
        "organic_matter_pct": [2.0, 2.0],
    }
)


def hours(station: str, begins: dt.datetime, count: int, rain_mm: float = 0.0, temp_c: float = 8.0) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "station_id": [station] * count,
            "hour_at": [begins + dt.timedelta(hours=h) for h in range(count)],
            "air_temp_c": [temp_c] * count,
            "humidity_pct": [80.0] * count,
            "wind_m_s": [2.0] * count,
            "irradiation_mj_m2": [0.3] * count,
            "rain_mm": [rain_mm] * count,
        }
    ).with_columns(pl.col("hour_at").dt.cast_time_unit("us"))


@pytest.fixture(scope="module")
def known() -> tuple[pl.DataFrame, pl.DataFrame]:
    """Two stations' weather of ten dry days, and what the fields were like."""
    weather = fill_hours(pl.concat([hours(s, BEGINS, 240) for s in ("S1", "S2")]))
    return field_hours(weather, FIELDS), weather


def issued(forecast: pl.DataFrame) -> pl.DataFrame:
    return forecast.with_columns(pl.lit(BEGINS + dt.timedelta(days=9, hours=21)).alias("issued_at"))


DAY = dt.date(2025, 10, 11)


def shift(*local_hours: int, zone: str = "UTC", starts: dt.time = dt.time(0)) -> NextShift:
    return NextShift(DAY, starts, frozenset(local_hours), zone)


def test_without_a_forecast_the_weather_persists_and_says_so(known):
    none = issued(hours("S1", BEGINS, 1)).clear()
    found = next_outlook(known[0], known[1], none, FIELDS, shift(8, 9, 10))
    last = known[0].filter(pl.col("hour_at") == known[0]["hour_at"].max()).sort("field_id")
    for field, wetness in last.select("field_id", "topsoil_wetness").iter_rows():
        assert found.field_conditions(field)["topsoil_wetness"] == pytest.approx(
            wetness, abs=0.02
        )  # ten dry days before
        assert found.field_conditions(field)["topsoil_wetness"] < wetness
        assert found.field_conditions(field)["outlook"] == PERSISTENCE


def test_forecast_rain_wets_the_fields_of_its_station_alone(known):
    rain = issued(hours("S1", BEGINS + dt.timedelta(days=10), 24, rain_mm=1.5, temp_c=3.0))
    found = next_outlook(known[0], known[1], rain, FIELDS, shift(8, 9, 10))
    wet, dry = found.field_conditions("F1"), found.field_conditions("F2")
    assert (wet["outlook"], dry["outlook"]) == (FORECAST, PERSISTENCE)
    assert wet["topsoil_wetness"] > dry["topsoil_wetness"] + 0.2
    assert wet["air_temp_c"] == pytest.approx(3.0)
    later = next_outlook(known[0], known[1], rain, FIELDS, shift(20, 21))
    assert later.field_conditions("F1")["topsoil_wetness"] > wet["topsoil_wetness"]


def test_hours_that_are_observed_by_now_are_not_forecast(known):
    old = issued(hours("S1", BEGINS + dt.timedelta(days=9), 24, rain_mm=9.0))
    assert next_outlook(known[0], known[1], old, FIELDS, shift(8, 9)).field_conditions("F1")["outlook"] == PERSISTENCE


def test_a_forecast_that_ends_before_the_shift_is_only_where_its_persistence_begins(known):
    short = issued(hours("S1", BEGINS + dt.timedelta(days=10), 4, rain_mm=1.0))
    found = next_outlook(known[0], known[1], short, FIELDS, shift(8, 9))
    assert found.field_conditions("F1")["outlook"] == PERSISTENCE
    assert found.field_conditions("F1")["topsoil_wetness"] > found.field_conditions("F2")["topsoil_wetness"]


def diurnal(station: str, begins: dt.datetime, count: int, *, wet_until: int = 0) -> pl.DataFrame:
    """Days of sun and dry noons, nights without evaporation; it rains in the first hours."""
    table = hours(station, begins, count)
    hour = table["hour_at"].dt.hour().to_numpy()
    noon = np.clip(np.sin((hour - 6) * np.pi / 12), 0, None)
    return table.with_columns(
        pl.Series("air_temp_c", 4.0 + 14.0 * noon),
        pl.Series("humidity_pct", 95.0 - 50.0 * noon),
        pl.Series("irradiation_mj_m2", 3.0 * noon),
        pl.Series("rain_mm", np.where(np.arange(count) < wet_until, 2.0, 0.0)),
    )


@pytest.mark.parametrize("forecast_hours", [0, 19])
def test_conditions_are_those_of_the_working_hours_not_of_five_in_the_morning(forecast_hours):
    """A day of strong drying after rain: the truth of the next day is known, the outlook is made at 05:00."""
    dawn = dt.datetime(2025, 10, 11, 5, tzinfo=dt.UTC)
    whole = fill_hours(pl.concat([diurnal(s, BEGINS, 264, wet_until=212) for s in ("S1", "S2")]))
    truth = field_hours(whole, FIELDS)
    work = shift(*range(8, 18), starts=dt.time(5))
    weather = whole.filter(pl.col("hour_at") <= dawn)
    known_hours = truth.filter(pl.col("hour_at") <= dawn)
    forecast = issued(diurnal("S1", dawn + dt.timedelta(hours=1), 24)).head(forecast_hours)
    found = next_outlook(known_hours, weather, forecast, FIELDS, work).field_conditions("F1")
    at_work = truth.filter((pl.col("field_id") == "F1") & pl.col("hour_at").is_in(work.working_hours_utc().to_list()))
    at_dawn = truth.filter((pl.col("field_id") == "F1") & (pl.col("hour_at") == dawn))["topsoil_wetness"][0]
    true_mean = at_work["topsoil_wetness"].mean()
    assert at_dawn > true_mean + 0.05
    assert found["topsoil_wetness"] == pytest.approx(true_mean, abs=0.01)
    assert found["air_temp_c"] == pytest.approx(at_work["air_temp_c"].mean(), abs=0.1)
    assert found["air_temp_10d_c"] == pytest.approx(at_work["air_temp_10d_c"].mean(), abs=0.01)
    assert found["outlook"] == (FORECAST if forecast_hours else PERSISTENCE)


def test_a_night_shift_works_on_the_next_calendar_day():
    at = shift(22, 23, 0, 1, starts=dt.time(18), zone="Europe/Prague").working_hours_utc()
    assert at.min() == dt.datetime(2025, 10, 11, 20, tzinfo=dt.UTC)
    assert at.max() == dt.datetime(2025, 10, 11, 23, tzinfo=dt.UTC)


def test_a_station_of_few_hours_persists_by_its_mean():
    table = extend_by_persistence(diurnal("S1", BEGINS, 6), BEGINS + dt.timedelta(hours=30))
    assert table.height == 31
    assert table.null_count().sum_horizontal()[0] == 0


def test_hours_of_work_are_those_in_which_the_fleet_lifts():
    at = pl.Series([BEGINS + dt.timedelta(hours=h) for h in [7] * 50 + [8] * 49 + [23]])
    assert working_hours(at, "Europe/Prague") == {9, 10}
    assert working_hours(at.clear(), "UTC") == set(range(7, 18))


@pytest.fixture(scope="module")
def fits(catalogue):
    found = []
    for seed in range(51, 55):
        season = fit_season(seed, "sieving", catalogue, machines=6, days=10)
        fit = fit_response(season.facts, DIRT, catalogue, 0.1)
        assert fit is not None
        found.append((season, fit))
    return found


@pytest.mark.slow
def test_shrunken_effects_are_nearer_to_the_truth(fits):
    """Mean squared error of one step's effect, over the settings of four small seasons."""
    plain, drawn_in = [], []
    for season, fit in fits:
        order = fit.rows["load_id"].str.slice(1).cast(pl.Int64).to_numpy()
        L = np.zeros((len(fit.settings), fit.reml.coef.size))
        L[np.arange(len(fit.settings)), [fit.at[n] for n in fit.settings]] = 1.0
        truth = np.array([season.effect[n][order].mean() for n in fit.settings])
        plain.append(L @ fit.reml.coef - truth)
        drawn_in.append(shrinkage(fit).contrast_mean(fit, L) - truth)
    assert np.mean(np.square(drawn_in)) < np.mean(np.square(plain))
