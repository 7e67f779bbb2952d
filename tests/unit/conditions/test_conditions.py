import datetime as dt

import numpy as np
import polars as pl
import pytest

from transforms.conditions.field_hours import daily_et0, field_hours
from transforms.conditions.weather import fill_hours
from transforms.contracts.classes import soil_class, wetness_class
from transforms.model.root_loss import break_loss_fraction, root_loss

START = dt.datetime(2025, 10, 1, tzinfo=dt.UTC)


def weather(hours: int, rain_at: dict[int, float] | None = None, station: str = "s") -> pl.DataFrame:
    h = np.arange(hours)
    rain = np.zeros(hours)
    for at, mm in (rain_at or {}).items():
        rain[at] = mm
    return pl.DataFrame(
        {
            "station_id": station,
            "hour_at": pl.Series([START + dt.timedelta(hours=int(i)) for i in h]).dt.cast_time_unit("us"),
            "air_temp_c": 10 + 5 * np.sin((h - 9) / 24 * 2 * np.pi),
            "humidity_pct": 75.0,
            "wind_m_s": 2.0,
            "irradiation_mj_m2": np.maximum(0, np.sin((h % 24 - 6) / 12 * np.pi)) * 1.2,
            "rain_mm": rain,
        }
    )


def fields(*clay: float) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "field_id": [f"F{i}" for i in range(len(clay))],
            "station_id": "s",
            "lat_deg": 50.0,
            "sand_pct": 40.0,
            "clay_pct": list(clay),
            "organic_matter_pct": 2.5,
        }
    )


def wetness(table: pl.DataFrame) -> np.ndarray:
    return field_hours(fill_hours(table), fields(20.0))["topsoil_wetness"].to_numpy()


def test_wetness_stays_between_dry_and_wet_and_falls_without_rain():
    course = wetness(weather(24 * 30))
    assert course.min() >= 0
    assert course.max() <= 1
    assert np.all(np.diff(course) <= 1e-12)


def test_enough_rain_fills_the_layer_and_more_changes_nothing():
    course = wetness(weather(24 * 10, {100: 40.0}))
    assert course[100] == pytest.approx(1.0, abs=0.01)
    assert wetness(weather(24 * 10, {100: 80.0}))[150] == pytest.approx(course[150])


def test_a_day_s_evapotranspiration_is_spread_over_its_hours_without_loss():
    table = weather(24 * 5)
    et0 = daily_et0(table, 50.0)
    assert et0.height == 5
    assert et0["et0_mm"].min() > 0.3
    assert et0["et0_mm"].max() < 4


def test_rain_sums_look_back_and_never_below_zero():
    hours = field_hours(fill_hours(weather(120, {10: 3.3, 40: 0.1})), fields(20.0)).sort("hour_at")
    assert hours["rain_24h_mm"][33] == pytest.approx(3.3)
    assert hours["rain_24h_mm"][34] == pytest.approx(0.0)
    assert hours["rain_72h_mm"][50] == pytest.approx(3.4)
    assert hours["rain_24h_mm"].min() >= 0


def test_the_temperature_of_ten_days_looks_back_only():
    table = fill_hours(weather(24 * 14))
    later = table.with_columns(pl.col("air_temp_c") + pl.when(pl.int_range(pl.len()) > 290).then(20.0).otherwise(0.0))
    known, changed = (field_hours(t, fields(20.0)).sort("hour_at")["air_temp_10d_c"] for t in (table, later))
    temp = table["air_temp_c"].to_numpy()
    assert known[290] == pytest.approx(temp[51:291].mean())
    assert changed[:291].equals(known[:291])
    assert changed[291] == pytest.approx(known[291] + 20 / 240)


def test_the_temperature_of_ten_days_is_that_of_the_hours_known_where_weather_is_short():
    hours = field_hours(fill_hours(weather(30)), fields(20.0)).sort("hour_at")
    assert hours["air_temp_10d_c"][0] == hours["air_temp_c"][0]
    assert hours["air_temp_10d_c"][29] == pytest.approx(hours["air_temp_c"].mean())


def test_missing_hours_are_filled_by_rule_and_flagged():
    whole = weather(24 * 4)
    holes = whole.filter(~pl.int_range(pl.len()).is_in([30, 31, 50, *range(70, 85)]))
    filled = fill_hours(holes)
    assert filled.height == whole.height
    assert filled["filled"].count() == 18
    assert filled.drop("filled").null_count().sum_horizontal()[0] == 0
    short = filled.filter(pl.col("hour_at") == START + dt.timedelta(hours=30))["air_temp_c"][0]
    assert short == pytest.approx(whole["air_temp_c"][30], abs=1.0)


def test_rain_missing_at_one_station_is_taken_from_the_others():
    two = pl.concat([weather(48, {20: 5.0}, "a"), weather(48, {20: 5.0}, "b").filter(pl.int_range(pl.len()) != 20)])
    filled = fill_hours(two).filter((pl.col("station_id") == "b") & (pl.col("rain_mm") > 0))
    assert filled["rain_mm"].to_list() == [5.0]


def test_temperature_alone_is_enough():
    table = weather(24 * 5).with_columns(
        pl.lit(None, dtype=pl.Float64).alias(c) for c in ("humidity_pct", "wind_m_s", "irradiation_mj_m2")
    )
    course = wetness(table)
    assert np.isfinite(course).all()
    assert course[-1] < course[0]


@pytest.mark.parametrize(
    ("value", "name"), [(0.1, "dry"), (0.35, "moist"), (0.64, "moist"), (0.65, "wet"), (None, None)]
)
def test_wetness_classes(value, name):
    assert pl.select(wetness_class(pl.lit(value, dtype=pl.Float64))).item() == name


@pytest.mark.parametrize(("value", "name"), [(10.0, "light"), (18.0, "medium"), (35.0, "medium"), (36.0, "heavy")])
def test_soil_classes(value, name):
    assert pl.select(soil_class(pl.lit(value))).item() == name


def audit(**counts: float) -> pl.DataFrame:
    base = dict.fromkeys(
        (
            "broken_2_4_cm_count",
            "broken_4_6_cm_count",
            "broken_6_8_cm_count",
            "broken_over_8_cm_count",
            "whole_roots_count",
        ),
        0.0,
    )
    return root_loss(pl.DataFrame([{**base, **counts, "plot_m2": 100.0, "root_mass_kg": 0.8}]))


def test_audits_become_tonnes_a_hectare():
    """100 breaks of the 3 cm class lose 3 % of 0.8 kg each on 100 m2: 2.4 kg, which is 0.24 t/ha."""
    row = audit(broken_2_4_cm_count=100).row(0, named=True)
    assert row["root_loss_t_ha"] == pytest.approx(0.24)
    assert row["root_loss_lo95"] < 0.24 < row["root_loss_hi95"]


def test_few_counts_are_said_to_be_uncertain():
    few, many = audit(broken_4_6_cm_count=4), audit(broken_4_6_cm_count=400)
    assert few["root_loss_log_var"][0] > 20 * many["root_loss_log_var"][0]
    assert np.isfinite(audit()["root_loss_log_var"][0])


@pytest.mark.parametrize(("diameter", "loss"), [(3.0, 0.03), (6.0, 0.11)])
def test_the_power_law_of_root_breakage_goes_through_the_assumed_points(diameter, loss):
    assert break_loss_fraction(diameter) == pytest.approx(loss)
