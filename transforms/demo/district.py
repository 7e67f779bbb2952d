"""The simulated district: factories, fields, and machines with their equipment."""

import math
from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.demo.scenario import Scenario
from transforms.geo import KM_PER_DEG

ORIGIN_LAT, ORIGIN_LON = 50.0, 15.0
FIELD_SPACING_KM = 2.4
LOCAL_ZONE = "Europe/Prague"


@dataclass(frozen=True)
class MachineType:
    """A type of machine.

    Attributes:
        settings: setting -> (typical value, SD between operators' habits).
        rows: number of rows of the header.
        row_spacing_cm: distance between rows.
        tank_capacity_t: capacity of the tank.
        drop_m: height from which roots fall into the empty tank.
        unloads_moving: True if the tank may be unloaded while the machine lifts.
        directions: parts that run forward or in reverse, as flags of the settings catalogue.
    """

    settings: dict[str, tuple[float, float]]
    rows: int
    row_spacing_cm: float
    tank_capacity_t: float
    drop_m: float
    unloads_moving: bool = False
    directions: tuple[str, ...] = ()


MACHINE_TYPES = {
    "A": MachineType(
        settings={
            "topper_speed_rpm": (910, 100),
            "scalper_height_mm": (26, 8),
            "share_depth_cm": (8.0, 1.0),
            "ground_speed_kmh": (5.4, 0.4),
            "intake_roller_height_mm": (36, 5),
            "intake_roller_speed_pct": (80, 7),
            "transfer_web_speed_pct": (80, 6),
            "cleaner_1_speed_rpm": (42, 5),
            "cleaner_2_speed_rpm": (43, 5),
            "separator_1_height_mm": (42, 6),
            "separator_2_height_mm": (42, 6),
        },
        rows=5,
        row_spacing_cm=50.0,
        tank_capacity_t=16.0,
        drop_m=1.4,
    ),
    "B": MachineType(
        settings={
            "topper_speed_rpm": (1170, 110),
            "share_depth_cm": (8.0, 1.0),
            "share_drive_pct": (68, 7),
            "ground_speed_kmh": (5.0, 0.4),
            "intake_roller_height_mm": (34, 5),
            "intake_roller_speed_pct": (80, 7),
            "rear_roller_speed_pct": (68, 7),
            "transfer_web_speed_pct": (78, 6),
            "cleaner_1_speed_rpm": (34, 5),
            "cleaner_2_speed_rpm": (35, 5),
            "cleaner_3_speed_rpm": (33, 5),
            "cleaner_4_speed_rpm": (32, 5),
            "separator_1_height_mm": (39, 6),
            "separator_2_height_mm": (38, 6),
            "separator_3_height_mm": (36, 6),
        },
        rows=8,
        row_spacing_cm=45.0,
        tank_capacity_t=29.0,
        drop_m=2.0,
        unloads_moving=True,
        directions=("rear_roller_reversed",),
    ),
}
"""Machine types by name; the second has no scalper, and its fourth stage no separator."""

_SOILS = (("light", 62.0, 10.0), ("medium", 34.0, 24.0), ("heavy", 18.0, 41.0))


@dataclass(frozen=True)
class District:
    """The simulated district.

    Attributes:
        fields: one row per field; exports have a yield forecast, but not `root_kg`, `leaf`, `heap` or `yield_t_ha`.
        machines: one row per machine, with its type and signal.
        sites: site_id -> (lat, lon).
    """

    fields: pl.DataFrame
    machines: pl.DataFrame
    sites: dict[str, tuple[float, float]]


def km_between(lat_a: float, lon_a: float, lat_b: float, lon_b: float) -> float:
    """Return the distance in km between two points up to some tens of kilometres apart.

    >>> round(km_between(52.0, 10.0, 52.1, 10.0), 1)
    11.1
    """
    east = (lon_b - lon_a) * KM_PER_DEG * math.cos(math.radians(ORIGIN_LAT))
    return math.hypot(east, (lat_b - lat_a) * KM_PER_DEG)


def _fields(rng: np.random.Generator, count: int) -> pl.DataFrame:
    columns = math.ceil(math.sqrt(count * 1.3))
    rows = []
    for i in range(count):
        soil, sand, clay = _SOILS[rng.choice(3, p=(0.3, 0.42, 0.28))]
        east = (i % columns) * FIELD_SPACING_KM + rng.uniform(-0.3, 0.3)
        north = (i // columns) * FIELD_SPACING_KM + rng.uniform(-0.3, 0.3)
        lon_scale = KM_PER_DEG * math.cos(math.radians(ORIGIN_LAT))
        clay_pct = float(np.clip(clay + rng.normal(0, 3.5), 4, 55))
        rows.append(
            {
                "field_id": f"F{i + 1:03d}",
                "grower_id": f"G{rng.integers(1, max(2, count // 3) + 1):03d}",
                "lat_deg": round(ORIGIN_LAT + north / KM_PER_DEG, 6),
                "lon_deg": round(ORIGIN_LON + east / lon_scale, 6),
                "area_ha": round(float(rng.uniform(32, 58)), 2),
                "soil": soil,
                "clay_pct": round(clay_pct, 1),
                "sand_pct": round(float(np.clip(sand + rng.normal(0, 6), 3, 90 - clay_pct)), 1),
                "organic_matter_pct": round(float(rng.uniform(1.6, 3.2)), 2),
                "yield_t_ha": round(float(np.clip(rng.normal(74, 8), 50, 98)), 1),
                "root_kg": round(float(np.clip(rng.normal(0.82, 0.10), 0.55, 1.2)), 3),
                "leaf": float(rng.lognormal(0, 0.12)),
                "row_spacing_cm": float(rng.choice((45.0, 50.0))),
            }
        )
    return pl.DataFrame(rows)


def _machines(count: int, dialect_split: int, scenario: Scenario) -> pl.DataFrame:
    rows = []
    ahead = {i % count: minutes for i, minutes in scenario.machine_clocks} if count > 2 else {}
    for i in range(count):
        name = "A" if i < dialect_split else "B"
        # The oldest machines of a large fleet log neither tank level nor unloading; the others log one or both.
        signal = "none" if i < count // 6 else ("level" if name == "A" else "flag")
        rows.append(
            {
                "machine_id": f"M{i + 1:02d}",
                "operator_id": f"P{i + 1:02d}",
                "generation": name,
                "signal": scenario.signal or signal,
                "rows": MACHINE_TYPES[name].rows,
                "tank_capacity_t": MACHINE_TYPES[name].tank_capacity_t,
                "clock_offset_s": round(60 * ahead.get(i, 0.0)),
            }
        )
    return pl.DataFrame(rows)


def build_district(rng: np.random.Generator, machines: int, days: int, scenario: Scenario) -> District:
    """Generate fields, machines and factories for a season of the given size.

    There is about one field per three machine-days, so that one machine needs some three days per field.
    """
    fields = _fields(rng, max(6, round(machines * days / 3)))
    lats, lons = fields["lat_deg"].to_numpy(), fields["lon_deg"].to_numpy()
    places = {
        "north": (float(lats.max()) + 0.03, float(lons.mean()) - 0.05),
        "south": (float(lats.min()) - 0.03, float(lons.mean()) + 0.05),
        "east": (float(lats.mean()) + 0.02, float(lons.max()) + 0.05),
        "west": (float(lats.mean()) - 0.02, float(lons.min()) - 0.05),
    }
    sites = dict(list(places.items())[: scenario.sites])
    nearest = [min(sites, key=lambda s: km_between(lat, lon, *sites[s])) for lat, lon in zip(lats, lons, strict=True)]
    fields = fields.with_columns(
        pl.Series("site_id", nearest),
        pl.Series("station_id", [f"station-{name}" for name in nearest]),
        pl.Series("heap", rng.random(len(fields)) < scenario.heaps),
        pl.Series(
            "forecast_t_ha",
            (fields["yield_t_ha"].to_numpy() * np.exp(rng.normal(0, scenario.forecast_error, len(fields)))).round(1),
        ),
    )
    return District(fields, _machines(machines, (machines + 1) // 2, scenario), sites)
