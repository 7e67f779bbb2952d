"""Schemas of the source tables.

One class per table; a row that breaks its schema goes to `rejected_row` with the broken rule. The name of a column ends
in its unit. Bounds cover a plausible season, so that a misplaced decimal mark is rejected here instead of distorting
the fit. Machine settings have no bounds here: an implausible reading is flagged (`transforms/telemetry/sensor_faults`),
and the rest of its row is valid.
"""

from functools import cache
from typing import Any

import dataframely as dy
import polars as pl

from transforms.contracts.harvest_checks import LossAudit, RootCheck
from transforms.contracts.haulage import TruckPosition
from transforms.contracts.setting_columns import SettingsByName
from transforms.contracts.times import moment

MAX_DELIVERED_T = 60
ROUNDING_T = 0.151
"""By this much three weights of a ticket may disagree: each rounded to 0.1 t, and a kilogram for binary fractions."""
TRUCK_LOAD_T = pl.col("truck_full_t") - pl.col("truck_empty_t")
DELIVERED_T = pl.coalesce("delivered_t", TRUCK_LOAD_T)


def _unless_cancelled(column: str) -> Any:
    """Return a rule that requires a column in every row, except in rows that cancel their document."""

    @dy.rule()
    def needed(cls: type[dy.Schema]) -> pl.Expr:  # noqa: ARG001
        return pl.col(column).is_not_null() | pl.col("cancelled")

    return needed


class Telemetry(dy.Schema):
    """Telemetry record: one logged instant of one machine."""

    machine_id = dy.String(primary_key=True, min_length=1)
    logged_at = moment(primary_key=True)
    lat_deg = dy.Float64(nullable=True, min=-90, max=90)
    lon_deg = dy.Float64(nullable=True, min=-180, max=180)
    work_state = dy.String(nullable=True)
    unloading = dy.Float64(nullable=True, min=0, max=1)
    tank_t = dy.Float64(nullable=True, min=-2, max=60)
    sections_on_pct = dy.Float64(nullable=True, min=0, max=100)
    load_number = dy.Float64(nullable=True, min=0)
    loaded_t = dy.Float64(nullable=True, min=0, max=100)
    unload_number = dy.Float64(nullable=True, min=0)
    unloaded_t = dy.Float64(nullable=True, min=0, max=100)


class Load(dy.Schema):
    """Weigh ticket of one load; the newest revision is valid, and a cancelled one is ignored.

    `delivered_t` is the load with its soil, `clean_t` the load less dirt and tops. A delivered weight is never computed
    from a clean one: the tare between them is a response of the fit, is measured on some loads only, and is often known
    weeks after the ticket.

    `tared_at` is the time at which the empty truck was weighed: after unloading, or before the trip. `gang_id` names
    the group of trucks that serve the same machines.
    """

    load_id = dy.String(primary_key=True, min_length=1)
    revision = dy.Int64(primary_key=True, min=0, max=99)
    issued_at = moment(nullable=True)
    cancelled = dy.Bool()
    field_id = dy.String(nullable=True, min_length=1)
    machine_id = dy.String(nullable=True)
    site_id = dy.String(nullable=True, min_length=1)
    left_field_at = moment(nullable=True)
    weighed_at = moment(nullable=True)
    truck_full_t = dy.Float64(nullable=True, min_exclusive=0, max=120)
    truck_empty_t = dy.Float64(nullable=True, min_exclusive=0, max=60)
    delivered_t = dy.Float64(nullable=True, min_exclusive=0, max=MAX_DELIVERED_T)
    clean_t = dy.Float64(nullable=True, min_exclusive=0, max=MAX_DELIVERED_T)
    truck_id = dy.String(nullable=True, min_length=1)
    trailer_id = dy.String(nullable=True, min_length=1)
    tared_at = moment(nullable=True)
    gang_id = dy.String(nullable=True, min_length=1)

    field_id_needed = _unless_cancelled("field_id")
    site_id_needed = _unless_cancelled("site_id")
    weighed_at_needed = _unless_cancelled("weighed_at")

    @dy.rule()
    def delivered_unknown(cls) -> pl.Expr:
        """A ticket has the delivered weight, or both weights of the truck; a clean weight alone does not suffice."""
        return DELIVERED_T.is_not_null() | pl.col("cancelled")

    @dy.rule()
    def truck_not_above_empty(cls) -> pl.Expr:
        """A truck with its load weighs more than the empty truck."""
        return pl.col("truck_full_t") > pl.col("truck_empty_t")

    @dy.rule()
    def truck_load_too_heavy(cls) -> pl.Expr:
        """The bound of a delivered weight holds for the difference of the truck's weights too."""
        return TRUCK_LOAD_T <= MAX_DELIVERED_T

    @dy.rule()
    def weights_disagree(cls) -> pl.Expr:
        """The delivered weight is the difference of the truck's weights."""
        return (TRUCK_LOAD_T - pl.col("delivered_t")).abs() <= ROUNDING_T

    @dy.rule()
    def clean_above_delivered(cls) -> pl.Expr:
        """The clean weight cannot exceed the delivered weight."""
        return pl.col("clean_t") <= DELIVERED_T

    @dy.rule()
    def weighed_before_leaving(cls) -> pl.Expr:
        """A load is weighed after it left the field."""
        return pl.col("left_field_at").is_null() | (pl.col("weighed_at") > pl.col("left_field_at"))


BY_LOOKS = "looks"
"""Reason of a sample taken because of how its load looked."""
SAMPLING_REASONS = ("random", BY_LOOKS)
"""Reasons of a sample: drawn by lot or by a rule that does not look at the load, or because of its looks."""


class Tare(dy.Schema):
    """Lab result of one sample; all revisions are kept, the newest is valid, and a cancelled one is ignored."""

    sample_id = dy.String(primary_key=True, min_length=1)
    revision = dy.Int64(primary_key=True, min=0, max=99)
    issued_at = moment(nullable=True)
    cancelled = dy.Bool()
    load_id = dy.String(nullable=True, min_length=1)
    dirt_tare_pct = dy.Float64(nullable=True, min_exclusive=0, max=70)
    top_tare_pct = dy.Float64(nullable=True, min=0, max=40)
    sugar_pct = dy.Float64(nullable=True, min=5, max=30)
    potassium_mmol_per_kg = dy.Float64(nullable=True, min=0, max=200)
    sodium_mmol_per_kg = dy.Float64(nullable=True, min=0, max=200)
    amino_n_mmol_per_kg = dy.Float64(nullable=True, min=0, max=200)
    sample_kg = dy.Float64(nullable=True, min_exclusive=0, max=500)
    root_mass_kg = dy.Float64(nullable=True, min=0.1, max=4)
    sampling_reason = dy.String(nullable=True)

    @dy.rule()
    def sampling_reason_unknown(cls) -> pl.Expr:
        """The reason is one of `SAMPLING_REASONS`."""
        return pl.col("sampling_reason").is_null() | pl.col("sampling_reason").is_in(SAMPLING_REASONS)

    load_id_needed = _unless_cancelled("load_id")
    dirt_tare_pct_needed = _unless_cancelled("dirt_tare_pct")


class WeatherHour(dy.Schema):
    """Weather of one hour at one station; `hour_at` is the start of the hour."""

    station_id = dy.String(primary_key=True, min_length=1)
    hour_at = moment(primary_key=True)
    air_temp_c = dy.Float64(min=-40, max=50)
    humidity_pct = dy.Float64(nullable=True, min=1, max=101)
    wind_m_s = dy.Float64(nullable=True, min=0, max=60)
    irradiation_mj_m2 = dy.Float64(nullable=True, min=0, max=5)
    rain_mm = dy.Float64(min=0, max=150)


class ForecastHour(dy.Schema):
    """Forecast of one hour at one weather station; the forecast issued last is used."""

    station_id = dy.String(primary_key=True, min_length=1)
    hour_at = moment(primary_key=True)
    issued_at = moment(primary_key=True)
    air_temp_c = dy.Float64(min=-40, max=50)
    humidity_pct = dy.Float64(nullable=True, min=1, max=101)
    wind_m_s = dy.Float64(nullable=True, min=0, max=60)
    irradiation_mj_m2 = dy.Float64(nullable=True, min=0, max=5)
    rain_mm = dy.Float64(min=0, max=150)


class WeatherDay(dy.Schema):
    """Weather of one day at one station, for stations without hourly data; the day is the local day of the station."""

    station_id = dy.String(primary_key=True, min_length=1)
    day_at = moment(primary_key=True)
    air_temp_max_c = dy.Float64(min=-40, max=50)
    air_temp_min_c = dy.Float64(min=-40, max=50)
    humidity_pct = dy.Float64(nullable=True, min=1, max=101)
    wind_m_s = dy.Float64(nullable=True, min=0, max=60)
    irradiation_mj_m2 = dy.Float64(nullable=True, min=0, max=45)
    rain_mm = dy.Float64(min=0, max=400)

    @dy.rule()
    def lowest_above_highest(cls) -> pl.Expr:
        """The lowest temperature of a day cannot be above the highest."""
        return pl.col("air_temp_min_c") <= pl.col("air_temp_max_c")


class WeatherReading(dy.Schema):
    """Climate archive reading: one daily value of one element at one station.

    The value is in the unit that the archive uses for the element; `sql/staging/weather_day.sql` converts the elements
    in use to columns.
    """

    station_id = dy.String(primary_key=True, min_length=1)
    day_at = moment(primary_key=True)
    element = dy.String(primary_key=True, min_length=1)
    value = dy.Float64()


class FieldBoundary(dy.Schema):
    """Outline of a field, delivered separately from the field list."""

    field_id = dy.String(primary_key=True, min_length=1)
    boundary = dy.String(min_length=1)


class Field(dy.Schema):
    """Field: location, area, soil, expected yield and, if known, outline (GeoJSON geometry, RFC 7946)."""

    field_id = dy.String(primary_key=True, min_length=1)
    grower_id = dy.String(min_length=1)
    station_id = dy.String(min_length=1)
    lat_deg = dy.Float64(min=-90, max=90)
    lon_deg = dy.Float64(min=-180, max=180)
    area_ha = dy.Float64(min_exclusive=0, max=500)
    sand_pct = dy.Float64(min=0, max=100)
    clay_pct = dy.Float64(min=0, max=60)
    organic_matter_pct = dy.Float64(min=0, max=8)
    yield_t_ha = dy.Float64(min=5, max=160)
    row_spacing_cm = dy.Float64(min=20, max=100)
    stand_plants_per_ha = dy.Float64(nullable=True, min=10_000, max=250_000)
    boundary = dy.String(nullable=True)

    @dy.rule()
    def sand_and_clay_exceed_100(cls) -> pl.Expr:
        """Sand and clay together cannot exceed 100 %."""
        return pl.col("sand_pct") + pl.col("clay_pct") <= 100


class MachineSetup(dy.Schema):
    """Machine configuration from a date on: operator, equipment, and parts fitted to all cleaning stages or to one."""

    machine_id = dy.String(primary_key=True, min_length=1)
    valid_from_at = moment(primary_key=True)
    generation = dy.String(min_length=1)
    operator_id = dy.String(nullable=True)
    rows_count = dy.Float64(min=1, max=24)
    row_spacing_cm = dy.Float64(min=20, max=100)
    tank_capacity_t = dy.Float64(min_exclusive=0, max=60)
    cleaning_elements = dy.String(nullable=True)
    cleaner_1_elements = dy.String(nullable=True)
    cleaner_2_elements = dy.String(nullable=True)
    cleaner_3_elements = dy.String(nullable=True)
    cleaner_4_elements = dy.String(nullable=True)


CONTRACTS: dict[str, type[dy.Schema]] = {
    "telemetry": Telemetry,
    "load": Load,
    "truck_position": TruckPosition,
    "tare": Tare,
    "loss_audit": LossAudit,
    "root_check": RootCheck,
    "weather_hour": WeatherHour,
    "forecast_hour": ForecastHour,
    "weather_day": WeatherDay,
    "weather_reading": WeatherReading,
    "field": Field,
    "field_boundary": FieldBoundary,
    "machine_setup": MachineSetup,
}


DEFAULTS: dict[str, Any] = {"revision": 0, "cancelled": False}
"""Values of columns that a file does not provide."""


def contract(kind: str, catalogue: SettingsByName) -> type[dy.Schema]:
    """Return the schema of a kind of file; telemetry has the columns of the settings in the catalogue."""
    if kind != "telemetry":
        return CONTRACTS[kind]
    return _fleet_telemetry((*catalogue, *(c for s in catalogue.values() for c in s.companions.values())))


@cache
def _fleet_telemetry(settings: tuple[str, ...]) -> type[dy.Schema]:
    columns = {name: dy.Float64(nullable=True) for name in settings}
    return type("FleetTelemetry", (Telemetry,), {"__annotations__": {}, **columns})
