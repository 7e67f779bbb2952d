"""Invented rows of every kind of file, in stored units and UTC; ids agree between the kinds."""

import datetime as dt
from dataclasses import dataclass
from random import Random
from typing import Any

Row = dict[str, Any]
STATES = ("working", "turning", "road", "idle")
ELEMENTS = ("smooth", "tines", "mixed")


@dataclass(frozen=True)
class Ids:
    """Ids of an office, as it writes them, and the region of its fields.

    Attributes:
        machines, fields, sites, stations, growers: ids.
        load, sample, audit, check, operator: patterns of ids with a number.
        latitudes, longitudes: bounds of the region, in degrees.
    """

    machines: tuple[str, ...]
    fields: tuple[str, ...]
    sites: tuple[str, ...]
    stations: tuple[str, ...]
    growers: tuple[str, ...]
    load: str = "{}"
    sample: str = "L{}"
    audit: str = "A{:03d}"
    check: str = "B{}"
    operator: str = "OP{:02d}"
    latitudes: tuple[float, float] = (49.1, 53.4)
    longitudes: tuple[float, float] = (9.2, 18.6)


def draw_ids(rng: Random) -> Ids:
    """Draw the ids of an office: letters and digits, digits alone, or codes with signs."""
    machine, field = (
        rng.choice(["M{:02d}", "R{}", "H-{:03d}"]),
        rng.choice(["F{:03d}", "{:02d}-118", "S/{}", "4{:03d}"]),
    )
    numbers = rng.sample(range(1, 60), 12)
    return Ids(
        machines=tuple(machine.format(n) for n in numbers[:3]),
        fields=tuple(field.format(n) for n in numbers[:7]),
        sites=tuple(rng.sample(["NORD", "SUED", "W1", "K2", "U-3"], 2)),
        stations=tuple(rng.sample(["ST1", "ST2", "WX07", "0417"], 2)),
        growers=tuple(f"{rng.choice(['G', 'P', '7'])}{n:03d}" for n in numbers[7:]),
    )


def draw_season(rng: Random, ids: Ids) -> dict[str, list[Row]]:
    """Draw the rows of all kinds of file of one office."""
    start = dt.datetime(2025, rng.choice([9, 10]), rng.randint(3, 10), 5, tzinfo=dt.UTC)
    fields = [_field(rng, ids, f) for f in ids.fields]
    loads = _loads(rng, ids, start)
    return {
        "field": fields,
        "machine_setup": _setups(rng, ids, start),
        "load": loads,
        "tare": _tares(rng, ids, loads),
        "loss_audit": [_audit(rng, ids, start, i) for i in range(14)],
        "root_check": [_check(rng, ids, load, i) for i, load in enumerate(loads[:22])],
        "telemetry": [row for m in ids.machines for row in _log(rng, m, start, fields)],
        "weather_hour": _hours(rng, ids.stations, start, 60),
        "weather_day": _days(rng, ids.stations, start),
        "forecast_hour": [
            {**r, "issued_at": start + dt.timedelta(hours=1)} for r in _hours(rng, ids.stations, start, 48)
        ],
    }


def _field(rng: Random, ids: Ids, name: str) -> Row:
    sand = rng.uniform(5, 60)
    return {
        "field_id": name,
        "grower_id": rng.choice(ids.growers),
        "station_id": rng.choice(ids.stations),
        "lat_deg": rng.uniform(*ids.latitudes),
        "lon_deg": rng.uniform(*ids.longitudes),
        "area_ha": rng.uniform(2.5, 38),
        "sand_pct": sand,
        "clay_pct": rng.uniform(6, 34),
        "organic_matter_pct": rng.uniform(1.2, 4.5),
        "yield_t_ha": rng.uniform(58, 94),
        "row_spacing_cm": rng.choice([45.0, 50.0]),
    }


def _setups(rng: Random, ids: Ids, start: dt.datetime) -> list[Row]:
    return [
        {
            "machine_id": machine,
            "valid_from_at": (start - dt.timedelta(days=rng.randint(0, 2))).replace(hour=12),
            "generation": rng.choice(["6-row A", "6-row B", "9-row"]),
            "operator_id": ids.operator.format(rng.randint(1, 30)),
            "rows_count": float(rng.choice([6, 6, 9])),
            "row_spacing_cm": rng.choice([45.0, 50.0]),
            "tank_capacity_t": rng.choice([22.0, 28.0, 30.0]),
            "cleaning_elements": rng.choice(ELEMENTS),
        }
        for machine in ids.machines
        for _ in range(1)
    ]


def _loads(rng: Random, ids: Ids, start: dt.datetime) -> list[Row]:
    rows, number = [], rng.randint(10_000, 88_000)
    for i in range(44):
        weighed = start + dt.timedelta(minutes=70 * i * 1.7 + rng.randint(0, 50), seconds=rng.randint(0, 59))
        delivered = rng.uniform(21, 29)
        empty = rng.uniform(13.5, 16.2)
        rows.append(
            {
                "load_id": ids.load.format(number + i),
                "revision": 0,
                "issued_at": weighed + dt.timedelta(minutes=rng.randint(1, 9)),
                "cancelled": rng.random() < 0.07,
                "field_id": rng.choice(ids.fields),
                "machine_id": rng.choice(ids.machines),
                "site_id": rng.choice(ids.sites),
                "left_field_at": weighed - dt.timedelta(minutes=rng.randint(25, 80)),
                "weighed_at": weighed,
                "delivered_t": delivered,
                "truck_empty_t": empty,
                "truck_full_t": delivered + empty,
                "clean_t": delivered * rng.uniform(0.84, 0.94),
            }
        )
    return rows


def _tares(rng: Random, ids: Ids, loads: list[Row]) -> list[Row]:
    return [
        {
            "sample_id": ids.sample.format(i + 501),
            "load_id": load["load_id"],
            "revision": 0,
            "issued_at": load["weighed_at"] + dt.timedelta(hours=rng.randint(5, 20)),
            "cancelled": False,
            "dirt_tare_pct": rng.uniform(4, 17),
            "top_tare_pct": rng.uniform(1.2, 6),
            "sugar_pct": rng.uniform(15.4, 19.2),
            "potassium_mmol_per_kg": rng.uniform(30, 60),
            "sodium_mmol_per_kg": rng.uniform(1.5, 9),
            "amino_n_mmol_per_kg": rng.uniform(5, 24),
            "sample_kg": rng.uniform(18, 29),
        }
        for i, load in enumerate(loads)
    ]


def _audit(rng: Random, ids: Ids, start: dt.datetime, i: int) -> Row:
    tips, whole = rng.uniform(0.6, 2.8), rng.uniform(0.1, 1.6)
    classes = [float(rng.randint(low, high)) for low, high in ((3, 22), (2, 12), (0, 6), (0, 3))]
    broken_mass, whole_mass = tips * 1.2, whole * 1.2
    return {
        "audit_id": ids.audit.format(i + 1),
        "machine_id": rng.choice(ids.machines),
        "field_id": rng.choice(ids.fields),
        "audited_at": start + dt.timedelta(hours=9 * i + rng.randint(0, 3), minutes=rng.randint(0, 59)),
        "plot_m2": float(rng.choice([9, 10, 12, 13.5])),
        "plot_length_m": float(rng.choice([5, 8, 10])),
        "plot_rows_count": float(rng.choice([2, 3, 6])),
        "row_spacing_cm": 45.0,
        "sampled_roots_count": 100.0,
        "broken_2_4_cm_count": classes[0],
        "broken_4_6_cm_count": classes[1],
        "broken_6_8_cm_count": classes[2],
        "broken_over_8_cm_count": classes[3],
        "broken_count": sum(classes),
        "broken_mass_kg": broken_mass,
        "whole_roots_count": float(rng.randint(0, 3)),
        "whole_mass_kg": whole_mass,
        "lost_mass_kg": broken_mass + whole_mass,
        "root_mass_kg": rng.uniform(0.7, 1.2),
        "tip_loss_t_ha": tips,
        "whole_root_loss_t_ha": whole,
        "root_loss_t_ha": tips + whole,
    }


def _check(rng: Random, ids: Ids, load: Row, i: int) -> Row:
    topping = [float(rng.randint(low, high)) for low, high in ((0, 5), (2, 12), (8, 18), (0, 6), (0, 5))]
    breaks = [float(rng.randint(low, high)) for low, high in ((2, 12), (1, 8), (0, 4), (0, 2))]
    return {
        "check_id": ids.check.format(i + 71),
        "checked_at": load["weighed_at"] - dt.timedelta(minutes=rng.randint(90, 200)),
        "load_id": load["load_id"],
        "machine_id": load["machine_id"],
        "field_id": load["field_id"],
        "place": rng.choice(["tank", "pile", "yard"]),
        "checked_roots_count": 50.0,
        "petioles_over_2_cm_count": topping[0],
        "petioles_up_to_2_cm_count": topping[1],
        "clean_topped_count": topping[2],
        "over_topped_count": topping[3],
        "slanting_count": topping[4],
        "scalp_diameter_cm": rng.uniform(3, 6.5),
        "petiole_length_cm": rng.uniform(0.3, 3.2),
        "broken_2_4_cm_count": breaks[0],
        "broken_4_6_cm_count": breaks[1],
        "broken_6_8_cm_count": breaks[2],
        "broken_over_8_cm_count": breaks[3],
        "damaged_area_cm2_per_100_roots": rng.uniform(150, 700),
        "slightly_damaged_count": float(rng.randint(4, 18)),
        "severely_damaged_count": float(rng.randint(0, 6)),
        "root_mass_kg": rng.uniform(0.7, 1.2),
    }


def _log(rng: Random, machine: str, start: dt.datetime, fields: list[Row]) -> list[Row]:
    """Return the log of a machine: every minute, with headlands and an emptying now and then."""
    field, at = rng.choice(fields), start + dt.timedelta(minutes=rng.randint(0, 50), seconds=rng.randint(0, 59))
    tank, rows, reverse = 0.0, [], float(rng.random() < 0.3)
    for i in range(70):
        state = "working" if i % 12 < 9 else STATES[rng.choice([1, 1, 2, 3])]
        is_emptied = state != "working" and tank > 14
        tank = 0.4 if is_emptied else min(26.0, tank + (0.9 if state == "working" else 0.0))
        if i == 40:
            reverse = 1.0 - reverse
        rows.append(
            {
                "machine_id": machine,
                "logged_at": at + dt.timedelta(seconds=60 * i),
                "lat_deg": field["lat_deg"] + 1e-5 * i,
                "lon_deg": field["lon_deg"] + 2e-5 * (i % 12),
                "work_state": state,
                "unloading": float(is_emptied),
                "tank_t": tank,
                "sections_on_pct": 100.0 if state == "working" else 0.0,
                "topper_speed_rpm": rng.uniform(820, 960),
                "scalper_height_mm": rng.uniform(22, 38),
                "share_depth_cm": rng.uniform(5.5, 9.5),
                "share_drive_pct": rng.uniform(45, 75),
                "ground_speed_kmh": rng.uniform(4.5, 7.5),
                "intake_roller_height_mm": rng.uniform(25, 60),
                "intake_roller_speed_pct": rng.uniform(50, 80),
                "rear_roller_speed_pct": rng.uniform(40, 75),
                "rear_roller_reversed": reverse,
                "transfer_web_speed_pct": rng.uniform(50, 85),
                "cleaner_1_speed_rpm": rng.uniform(32, 46),
                "cleaner_2_speed_rpm": rng.uniform(38, 52),
                "cleaner_3_speed_rpm": rng.uniform(42, 60),
                "separator_1_height_mm": rng.uniform(30, 60),
                "separator_2_height_mm": rng.uniform(35, 65),
                "separator_3_height_mm": rng.uniform(40, 70),
            }
        )
    return rows


def _hours(rng: Random, stations: tuple[str, ...], start: dt.datetime, n: int) -> list[Row]:
    rows = []
    for station in stations:
        for i in range(n):
            at = start + dt.timedelta(hours=i)
            sun = max(0.0, 1 - abs(at.hour - 11) / 6)
            rows.append(
                {
                    "station_id": station,
                    "hour_at": at,
                    "air_temp_c": 9 + 7 * sun + rng.uniform(-1, 1),
                    "humidity_pct": 93 - 30 * sun + rng.uniform(-4, 4),
                    "wind_m_s": rng.uniform(0.4, 7),
                    "irradiation_mj_m2": 1.4 * sun * rng.uniform(0.5, 1),
                    "rain_mm": max(0.0, rng.uniform(-3, 2.2)),
                }
            )
    return rows


def _days(rng: Random, stations: tuple[str, ...], start: dt.datetime) -> list[Row]:
    rows = []
    for station in stations:
        for i in range(20):
            low = rng.uniform(2, 9)
            rows.append(
                {
                    "station_id": station,
                    "day_at": start + dt.timedelta(days=i),  # the writer cuts it to the local day
                    "air_temp_max_c": low + rng.uniform(4, 11),
                    "air_temp_min_c": low,
                    "humidity_pct": rng.uniform(62, 96),
                    "wind_m_s": rng.uniform(0.8, 6),
                    "irradiation_mj_m2": rng.uniform(2, 13),
                    "rain_mm": max(0.0, rng.uniform(-6, 11)),
                }
            )
    return rows
