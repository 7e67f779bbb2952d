"""Invented rows for the example files: one day of two machines, three fields and one factory in each region."""

import datetime as dt
import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from transforms.demo.example_tracks import truck_position_rows
from transforms.geo import metres_per_degree

Row = dict[str, Any]
DAY = dt.date(2025, 10, 14)
HALF_SIDE_M = 150.0
"""Half the side of an invented field."""


@dataclass(frozen=True)
class Region:
    """The invented region of the examples in one language.

    Attributes:
        prefix: first letter of every id, so that the regions share a workspace.
        zone: time zone.
        locale: locale of its pages.
        units: display units.
        site: the factory.
        lat_deg: latitude of the factory.
        lon_deg: longitude of the factory.
    """

    prefix: str
    zone: str
    locale: str
    units: str
    site: str
    lat_deg: float
    lon_deg: float

    def at(self, hour: int, minute: int = 0, second: int = 0, day: int = 0) -> dt.datetime:
        """Return a local time of the example day, or of a day after it, in UTC."""
        moment = dt.datetime.combine(DAY, dt.time(hour, minute), ZoneInfo(self.zone))
        return (moment + dt.timedelta(days=day, seconds=second)).astimezone(dt.UTC)

    def place(self, number: int) -> tuple[float, float]:
        """Return latitude and longitude of the center of a field."""
        return round(self.lat_deg + 0.04 * number, 5), round(self.lon_deg - 0.05 * number, 5)


REGIONS = {
    "en": Region("E", "America/Chicago", "en-US", "us", "west", 46.85, -96.85),
    "de": Region("D", "Europe/Berlin", "de-DE", "metric", "Werk Nord", 52.15, 10.55),
    "pl": Region("P", "Europe/Warsaw", "pl-PL", "metric", "Zachód", 52.25, 17.05),
}
"""Language -> region."""


def _telemetry(r: Region) -> list[Row]:
    """Return twelve minutes of each machine, a record every 15 s: work, a turn, work, unloading."""
    rows = []
    for machine in (1, 2):
        lat, lon = r.place(machine)
        for i in range(48):
            state = "turning" if i in {20, 21, 22} else "unloading" if i > 43 else "working"
            is_working = state == "working"
            rows.append(
                {
                    "machine_id": f"{r.prefix}M{machine}",
                    "logged_at": r.at(8, 0, 15 * i),
                    "lat_deg": round(lat - 0.001 + 0.00004 * i, 6),
                    "lon_deg": lon,
                    "work_state": state,
                    "tank_t": round(0.3 + 0.3 * min(i, 43) - 2.5 * max(i - 43, 0), 2),
                    "ground_speed_kmh": 6.0 + 0.1 * (i % 5) if is_working else 3.5,
                    "share_depth_cm": 7.0 + 0.2 * (i % 4) if is_working else 0.5,
                    "topper_speed_rpm": 850.0 + 6 * (i % 7),
                    "cleaner_1_speed_rpm": 38.0 + 0.5 * (i % 6),
                    "separator_1_height_mm": 45.0,
                }
            )
    return rows


def _load(r: Region) -> list[Row]:
    rows = []
    for i in range(6):
        delivered = 26.5 + 0.72 * i
        rows.append(
            {
                "load_id": f"{r.prefix}{1001 + i}",
                "field_id": f"{r.prefix}F{1 + i % 3}",
                "machine_id": f"{r.prefix}M{1 + i % 2}",
                "site_id": r.site,
                "left_field_at": r.at(9 + i, 5),
                "weighed_at": r.at(9 + i, 50),
                "truck_full_t": round(delivered + 14.8, 2),
                "truck_empty_t": 14.8,
                "delivered_t": round(delivered, 2),
                "clean_t": round(0.84 * delivered, 2),
                "truck_id": f"{r.prefix}T{1 + i % 3}",
                "trailer_id": f"{r.prefix}A{1 + i % 3}",
                "tared_at": r.at(10 + i, 20),
                "gang_id": f"{r.prefix}C1",
            }
        )
    return rows


def _tare(r: Region) -> list[Row]:
    return [
        {
            "sample_id": f"{r.prefix}S{1 + i}",
            "load_id": f"{r.prefix}{1001 + i}",
            "dirt_tare_pct": 9.5 + 1.5 * i,
            "top_tare_pct": 3.0 + 0.5 * i,
            "sugar_pct": 17.2 - 0.2 * i,
            "potassium_mmol_per_kg": 38.0 + i,
            "sodium_mmol_per_kg": 4.0 + 0.5 * i,
            "amino_n_mmol_per_kg": 16.0 + i,
            "sample_kg": 25.0 + 0.5 * i,
        }
        for i in range(5)
    ]


def _loss_audit(r: Region) -> list[Row]:
    return [
        {
            "audit_id": f"{r.prefix}A{1 + i}",
            "machine_id": f"{r.prefix}M{1 + i}",
            "field_id": f"{r.prefix}F{1 + i}",
            "audited_at": r.at(11 + i, 30),
            "plot_m2": 20.0,
            "plot_length_m": 20.0,
            "plot_rows_count": 2.0,
            "row_spacing_cm": 50.0,
            "broken_2_4_cm_count": 30.0 + i,
            "broken_4_6_cm_count": 9.0 + i,
            "broken_6_8_cm_count": 2.0,
            "broken_over_8_cm_count": 0.0,
            "broken_mass_kg": 1.4 + 0.2 * i,
            "whole_roots_count": 1.0 + i,
            "whole_mass_kg": 0.6 + 0.5 * i,
            "root_mass_kg": 0.85,
            "tip_loss_t_ha": 0.9,
            "whole_root_loss_t_ha": 0.4 + 0.3 * i,
            "root_loss_t_ha": 1.3 + 0.3 * i,
        }
        for i in range(2)
    ]


def _root_check(r: Region) -> list[Row]:
    return [
        {
            "check_id": f"{r.prefix}Q{1 + i}",
            "load_id": f"{r.prefix}{1001 + i}",
            "machine_id": f"{r.prefix}M{1 + i % 2}",
            "field_id": f"{r.prefix}F{1 + i}",
            "checked_at": r.at(9 + i, 20),
            "place": ("tank", "pile", "yard")[i],
            "checked_roots_count": 100.0,
            "petioles_over_2_cm_count": 8.0 + i,
            "petioles_up_to_2_cm_count": 22.0,
            "clean_topped_count": 55.0 - i,
            "over_topped_count": 11.0,
            "slanting_count": 4.0,
            "slightly_damaged_count": 20.0 + 3 * i,
            "severely_damaged_count": 5.0,
            "root_mass_kg": 0.85,
        }
        for i in range(3)
    ]


def _hour(r: Region, hour: int, day: int) -> Row:
    """Return the weather of one hour, warmest at 14:00, with rain from 16:00 to 18:00."""
    warmth = max(0.0, 1 - abs(hour - 14) / 8)
    return {
        "station_id": f"{r.prefix}W1",
        "hour_at": r.at(hour, day=day),
        "air_temp_c": round(6 + 9 * warmth, 1),
        "humidity_pct": 92.0 - round(25 * warmth),
        "wind_m_s": round(1.5 + 2 * warmth, 1),
        "irradiation_mj_m2": round(1.4 * warmth, 2) if 8 <= hour < 19 else 0.0,
        "rain_mm": 0.8 if 16 <= hour < 18 else 0.0,
    }


def _weather_hour(r: Region) -> list[Row]:
    return [_hour(r, hour, 0) for hour in range(24)]


def _forecast_hour(r: Region) -> list[Row]:
    return [_hour(r, hour, 1) | {"issued_at": r.at(18)} for hour in range(24)]


def _weather_day(r: Region) -> list[Row]:
    return [
        {
            "station_id": f"{r.prefix}W2",
            "day_at": r.at(0, day=i),
            "air_temp_max_c": 15.0 - i,
            "air_temp_min_c": 5.5 - 0.5 * i,
            "rain_mm": 1.6 * i,
        }
        for i in range(3)
    ]


def _weather_reading(r: Region) -> list[Row]:
    values = {"PRCP": (0, 16, 32), "TMAX": (150, 140, 130), "TMIN": (55, 50, 45)}
    first = dt.datetime(DAY.year, DAY.month, 1, tzinfo=dt.UTC)
    return [
        {"station_id": f"EX{r.prefix}00000001", "day_at": first + dt.timedelta(days=i), "element": name, "value": value}
        for name, days in values.items()
        for i, value in enumerate(map(float, days))
    ]


def _field(r: Region) -> list[Row]:
    return [
        {
            "field_id": f"{r.prefix}F{n}",
            "grower_id": f"{r.prefix}G{1 + n % 2}",
            "station_id": f"{r.prefix}W{1 + n % 2}",
            "lat_deg": r.place(n)[0],
            "lon_deg": r.place(n)[1],
            "area_ha": 9.0,
            "sand_pct": 30.0 - 5 * n,
            "clay_pct": 14.0 + 4 * n,
            "organic_matter_pct": 2.5,
            "yield_t_ha": 68.0 + 4 * n,
            "row_spacing_cm": 50.0,
        }
        for n in (1, 2, 3)
    ]


def _field_boundary(r: Region) -> list[Row]:
    rows = []
    for n in (1, 2, 3):
        lat, lon = r.place(n)
        north, east = (HALF_SIDE_M / scale for scale in metres_per_degree(lat))
        corners = [(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)]
        ring = [[round(lon + x * east, 6), round(lat + y * north, 6)] for x, y in corners]
        rows.append({"field_id": f"{r.prefix}F{n}", "boundary": json.dumps({"type": "Polygon", "coordinates": [ring]})})
    return rows


def _machine_setup(r: Region) -> list[Row]:
    return [
        {
            "machine_id": f"{r.prefix}M{n}",
            "valid_from_at": r.at(0, day=-30),
            "generation": ("A", "B")[n - 1],
            "operator_id": f"{r.prefix}O{n}",
            "rows_count": 6.0,
            "row_spacing_cm": 50.0,
            "tank_capacity_t": 20.0,
            "cleaning_elements": ("bars", "tines")[n - 1],
        }
        for n in (1, 2)
    ]


_ROWS: dict[str, Callable[[Region], list[Row]]] = {
    "telemetry": _telemetry,
    "load": _load,
    "truck_position": truck_position_rows,
    "tare": _tare,
    "loss_audit": _loss_audit,
    "root_check": _root_check,
    "weather_hour": _weather_hour,
    "forecast_hour": _forecast_hour,
    "weather_day": _weather_day,
    "weather_reading": _weather_reading,
    "field": _field,
    "field_boundary": _field_boundary,
    "machine_setup": _machine_setup,
}


def example_rows(kind: str, region: Region) -> pl.DataFrame:
    """Return the invented rows of a kind of file as they are stored: canonical columns and units, times in UTC."""
    frame = pl.DataFrame(_ROWS[kind](region))
    return frame.with_columns(pl.col(pl.Datetime).dt.cast_time_unit("us"))
