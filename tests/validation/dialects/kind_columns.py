"""Columns of each kind of file that an invented office has."""

from random import Random

CLEANERS = ["cleaner_1_speed_rpm", "cleaner_2_speed_rpm", "cleaner_3_speed_rpm"]
SEPARATORS = ["separator_1_height_mm", "separator_2_height_mm", "separator_3_height_mm"]
BREAKS = ["broken_2_4_cm_count", "broken_4_6_cm_count", "broken_6_8_cm_count", "broken_over_8_cm_count"]
NUMBERED = (CLEANERS, SEPARATORS, BREAKS)
"""Columns whose names an office takes from the same pattern."""
GROUPS = {
    "weights": ("truck_full_t", "truck_empty_t", "delivered_t", "clean_t"),
    "share_depth": ("share_depth_cm",),
    "lab": ("dirt_tare_pct", "top_tare_pct", "sugar_pct"),
    "broken": tuple(BREAKS),
    "weather": ("air_temp_c", "air_temp_max_c", "air_temp_min_c", "humidity_pct", "wind_m_s", "rain_mm"),
}
"""Headers above several columns."""
SECOND_GROUPS = {
    "times": ("left_field_at", "weighed_at"),
    "position": ("lat_deg", "lon_deg"),
    "topping": (
        "petioles_over_2_cm_count",
        "petioles_up_to_2_cm_count",
        "clean_topped_count",
        "over_topped_count",
        "slanting_count",
    ),
    "soil": ("sand_pct", "clay_pct", "organic_matter_pct"),
}
"""Further ones of the offices that were set aside second."""
EXTRAS = {
    "telemetry": ("engine", "driver", "line"),
    "load": ("truck", "plate", "line", "driver", "remark", "price", "due"),
    "tare": ("line", "remark", "due"),
    "loss_audit": ("remark", "line"),
    "root_check": ("remark", "line"),
    "field": ("remark", "line", "price"),
    "machine_setup": ("remark", "plate"),
    "weather_hour": ("line",),
    "weather_day": ("line", "remark"),
    "forecast_hour": ("line",),
}
SOURCES = {
    "telemetry": "machine",
    "machine_setup": "machine",
    "load": "factory",
    "tare": "factory",
    "loss_audit": "office",
    "root_check": "office",
    "field": "office",
    "weather_hour": "weather",
    "weather_day": "weather",
    "forecast_hour": "weather",
}
_ALWAYS = {
    "telemetry": ["machine_id", "logged_at", "lat_deg", "lon_deg", "share_depth_cm", "ground_speed_kmh"],
    "tare": ["sample_id", "load_id", "dirt_tare_pct"],
    "weather_hour": ["station_id", "hour_at", "air_temp_c", "rain_mm"],
    "forecast_hour": ["station_id", "hour_at", "issued_at", "air_temp_c", "rain_mm"],
    "weather_day": ["station_id", "day_at", "air_temp_max_c", "air_temp_min_c", "rain_mm"],
    "field": [
        "field_id",
        "grower_id",
        "station_id",
        "lat_deg",
        "lon_deg",
        "area_ha",
        "sand_pct",
        "clay_pct",
        "organic_matter_pct",
        "yield_t_ha",
        "row_spacing_cm",
    ],
    "machine_setup": ["machine_id", "valid_from_at", "generation", "rows_count", "row_spacing_cm", "tank_capacity_t"],
}
_SOMETIMES = {
    "telemetry": {
        "work_state": 0.7,
        "unloading": 0.5,
        "tank_t": 0.5,
        "sections_on_pct": 0.2,
        "topper_speed_rpm": 0.7,
        "scalper_height_mm": 0.5,
        "share_drive_pct": 0.4,
        "intake_roller_height_mm": 0.5,
        "intake_roller_speed_pct": 0.5,
        "rear_roller_speed_pct": 0.4,
        "rear_roller_reversed": 0.4,
        "transfer_web_speed_pct": 0.6,
    },
    "tare": {
        "top_tare_pct": 0.7,
        "sugar_pct": 0.85,
        "potassium_mmol_per_kg": 0.5,
        "sodium_mmol_per_kg": 0.5,
        "amino_n_mmol_per_kg": 0.5,
        "sample_kg": 0.4,
        "issued_at": 0.3,
        "cancelled": 0.15,
        "revision": 0.15,
    },
    "weather_hour": {"humidity_pct": 0.9, "wind_m_s": 0.8, "irradiation_mj_m2": 0.7},
    "forecast_hour": {"humidity_pct": 0.8, "wind_m_s": 0.8, "irradiation_mj_m2": 0.5},
    "weather_day": {"humidity_pct": 0.8, "wind_m_s": 0.7, "irradiation_mj_m2": 0.6},
    "field": {},
    "machine_setup": {"operator_id": 0.7, "cleaning_elements": 0.6},
}


def draw_columns(rng: Random, kind: str) -> list[str]:
    """Draw the table columns of a kind that an office records, in the order in which people write them."""
    if kind == "load":
        return _load(rng)
    if kind == "loss_audit":
        return _audit(rng)
    if kind == "root_check":
        return _check(rng)
    columns = [*_ALWAYS[kind], *(c for c, share in _SOMETIMES[kind].items() if rng.random() < share)]
    if kind == "telemetry":
        columns += CLEANERS[: rng.choice([0, 2, 3])] + SEPARATORS[: rng.choice([0, 1, 2, 3])]
    return columns


def _load(rng: Random) -> list[str]:
    columns = ["load_id", "field_id", "site_id", "weighed_at"]
    sometimes = {"machine_id": 0.3, "left_field_at": 0.5, "issued_at": 0.2, "revision": 0.2, "cancelled": 0.4}
    columns += [c for c, share in sometimes.items() if rng.random() < share]
    has_truck, has_net = rng.random() < 0.35, rng.random() < 0.6
    columns += ["truck_full_t", "truck_empty_t"] if has_truck else []
    columns += ["delivered_t"] if has_net or not has_truck else []
    return [*columns, *(["clean_t"] if rng.random() < 0.85 else [])]


def _audit(rng: Random) -> list[str]:
    columns = ["audit_id", "machine_id", "field_id", "audited_at"]
    columns += rng.choice(
        [["plot_m2"], ["plot_length_m", "plot_rows_count", "row_spacing_cm"], ["sampled_roots_count"]]
    )
    results = [
        [*BREAKS, "whole_roots_count"],
        ["broken_count", "whole_roots_count", "root_mass_kg"],
        ["broken_mass_kg", "whole_mass_kg"],
        ["lost_mass_kg"],
        ["tip_loss_t_ha", "whole_root_loss_t_ha", "root_loss_t_ha"],
    ]
    return columns + rng.choice(results)


def _check(rng: Random) -> list[str]:
    links = rng.choice([["load_id"], ["machine_id", "field_id"], ["load_id", "machine_id"]])
    columns = ["check_id", "checked_at", *links, "checked_roots_count"]
    columns += ["place"] if rng.random() < 0.6 else []
    groups = [
        [
            "petioles_over_2_cm_count",
            "petioles_up_to_2_cm_count",
            "clean_topped_count",
            "over_topped_count",
            "slanting_count",
        ],
        BREAKS,
        ["scalp_diameter_cm", "petiole_length_cm"],
        ["damaged_area_cm2_per_100_roots"],
        ["slightly_damaged_count", "severely_damaged_count"],
        ["root_mass_kg"],
    ]
    return columns + [c for group in rng.sample(groups, rng.choice([2, 3, 4])) for c in group]
