"""Current settings of a machine come from loads that were traced well, and from settings that it has."""

import datetime as dt

import polars as pl

from transforms.advice.last_settings import loads_of_last_shift, mean_settings, own_settings
from transforms.config.settings_catalogue import load_catalogue

CATALOGUE = load_catalogue()
NOON = dt.datetime(2025, 10, 24, 12, tzinfo=dt.UTC)


def loads(*rows: tuple[int, float | None, float, float | None]) -> pl.DataFrame:
    """Return loads of (day after 24 October, trace quality, topper speed, height of the third separator)."""
    return pl.DataFrame(
        [
            {
                "shift_date": NOON.date() + dt.timedelta(days=day),
                "lifted_at": NOON + dt.timedelta(days=day, minutes=n),
                "trace_quality": quality,
                "topper_speed_rpm": topper,
                "separator_3_height_mm": gap,
            }
            for n, (day, quality, topper, gap) in enumerate(rows)
        ],
        schema_overrides={"trace_quality": pl.Float64, "separator_3_height_mm": pl.Float64},
    )


def test_a_badly_traced_load_of_a_later_day_is_not_theloads_of_last_shift():
    found = loads_of_last_shift(loads((0, 0.7, 835.0, None), (0, None, 845.0, None), (1, 0.03, 665.0, 50.0)))
    assert mean_settings(found, ["topper_speed_rpm"]) == {"topper_speed_rpm": 840.0}


def test_without_a_well_traced_load_all_count():
    found = loads_of_last_shift(loads((0, 0.2, 835.0, None), (1, 0.1, 865.0, None)))
    assert mean_settings(found, ["topper_speed_rpm"]) == {"topper_speed_rpm": 865.0}


def test_a_setting_on_few_loads_of_a_machine_is_not_its_own():
    few = loads((0, 0.7, 835.0, None), (0, 0.7, 845.0, None), (1, 0.5, 840.0, 50.0))
    assert own_settings(few, CATALOGUE) == ["topper_speed_rpm"]
    half = few.head(2).vstack(few.tail(1)).vstack(few.tail(1))
    assert own_settings(half, CATALOGUE) == ["topper_speed_rpm", "separator_3_height_mm"]
    assert own_settings(few.clear(), CATALOGUE) == []
