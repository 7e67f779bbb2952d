"""What a good row is, table by table; a row that is not goes to `rejected_row` with the rule it broke, in words.

One class per table that files feed. A column's name ends in its unit; its bounds are those of a plausible season,
so that a decimal mark in the wrong place is caught here and not by the fit. Settings are not bounded here: a sensor
that reads nonsense is flagged (`transforms/working/faults`), the rest of its row is good.
"""

import copy
import datetime as dt
from functools import cache
from typing import Any

import dataframely as dy
import polars as pl

from transforms.config.settings_catalogue import Catalogue

EARLIEST = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
LATEST = dt.datetime(2100, 1, 1, tzinfo=dt.UTC)


def _moment(*, primary_key: bool = False, nullable: bool = False) -> dy.Datetime:
    return dy.Datetime(
        primary_key=primary_key, nullable=nullable, time_zone="UTC", time_unit="us", min=EARLIEST, max=LATEST
    )


def _unless_cancelled(column: str) -> Any:
    """A column that every row needs, but for one that only says its document is cancelled."""

    @dy.rule()
    def needed(cls: type[dy.Schema]) -> pl.Expr:  # noqa: ARG001
        return pl.col(column).is_not_null() | pl.col("cancelled")

    return needed


class Telemetry(dy.Schema):
    """One logged instant of one machine."""

    machine_id = dy.String(primary_key=True, min_length=1)
    logged_at = _moment(primary_key=True)
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
    """A weigh ticket: one load over the weighbridge; the newest revision counts, a cancelled one counts no more."""

    load_id = dy.String(primary_key=True, min_length=1)
    revision = dy.Int64(primary_key=True, min=0, max=99)
    issued_at = _moment(nullable=True)
    cancelled = dy.Bool()
    field_id = dy.String(nullable=True, min_length=1)
    machine_id = dy.String(nullable=True)
    site_id = dy.String(nullable=True, min_length=1)
    left_field_at = _moment(nullable=True)
    weighed_at = _moment(nullable=True)
    gross_t = dy.Float64(nullable=True, min_exclusive=0, max=60)
    net_t = dy.Float64(nullable=True, min_exclusive=0, max=60)

    field_id_needed = _unless_cancelled("field_id")
    site_id_needed = _unless_cancelled("site_id")
    weighed_at_needed = _unless_cancelled("weighed_at")
    gross_t_needed = _unless_cancelled("gross_t")
    net_t_needed = _unless_cancelled("net_t")

    @dy.rule()
    def net_above_gross(cls) -> pl.Expr:
        """Net mass cannot exceed gross mass."""
        return pl.col("net_t") <= pl.col("gross_t")

    @dy.rule()
    def weighed_before_leaving(cls) -> pl.Expr:
        """A load is weighed after it left the field."""
        return pl.col("left_field_at").is_null() | (pl.col("weighed_at") > pl.col("left_field_at"))


class Tare(dy.Schema):
    """A lab result; the newest revision counts, every one is kept, a cancelled one counts no more."""

    sample_id = dy.String(primary_key=True, min_length=1)
    revision = dy.Int64(primary_key=True, min=0, max=99)
    issued_at = _moment(nullable=True)
    cancelled = dy.Bool()
    load_id = dy.String(nullable=True, min_length=1)
    dirt_tare_pct = dy.Float64(nullable=True, min_exclusive=0, max=70)
    top_tare_pct = dy.Float64(nullable=True, min=0, max=40)
    sugar_pct = dy.Float64(nullable=True, min=5, max=30)
    potassium_mmol_per_kg = dy.Float64(nullable=True, min=0, max=200)
    sodium_mmol_per_kg = dy.Float64(nullable=True, min=0, max=200)
    amino_n_mmol_per_kg = dy.Float64(nullable=True, min=0, max=200)
    sample_kg = dy.Float64(nullable=True, min_exclusive=0, max=500)

    load_id_needed = _unless_cancelled("load_id")
    dirt_tare_pct_needed = _unless_cancelled("dirt_tare_pct")


class LossAudit(dy.Schema):
    """A dig-behind plot: what the machine broke off or left, dug out behind it."""

    audit_id = dy.String(primary_key=True, min_length=1)
    machine_id = dy.String(min_length=1)
    field_id = dy.String(min_length=1)
    audited_at = _moment()
    plot_m2 = dy.Float64(min=1, max=2000)
    broken_2_4_cm_count = dy.Float64(min=0, max=5000)
    broken_4_6_cm_count = dy.Float64(min=0, max=5000)
    broken_6_8_cm_count = dy.Float64(min=0, max=5000)
    broken_over_8_cm_count = dy.Float64(min=0, max=5000)
    whole_roots_count = dy.Float64(min=0, max=5000)
    root_mass_kg = dy.Float64(min=0.1, max=4)


class WeatherHour(dy.Schema):
    """One hour of one weather station; the hour is named by its start."""

    station_id = dy.String(primary_key=True, min_length=1)
    hour_at = _moment(primary_key=True)
    air_temp_c = dy.Float64(min=-40, max=50)
    humidity_pct = dy.Float64(nullable=True, min=1, max=101)
    wind_m_s = dy.Float64(nullable=True, min=0, max=60)
    irradiation_mj_m2 = dy.Float64(nullable=True, min=0, max=5)
    rain_mm = dy.Float64(min=0, max=150)


class ForecastHour(dy.Schema):
    """One hour to come at one weather station, as it was forecast; of several forecasts the one issued last counts."""

    station_id = dy.String(primary_key=True, min_length=1)
    hour_at = _moment(primary_key=True)
    issued_at = _moment(primary_key=True)
    air_temp_c = dy.Float64(min=-40, max=50)
    humidity_pct = dy.Float64(nullable=True, min=1, max=101)
    wind_m_s = dy.Float64(nullable=True, min=0, max=60)
    irradiation_mj_m2 = dy.Float64(nullable=True, min=0, max=5)
    rain_mm = dy.Float64(min=0, max=150)


class WeatherDay(dy.Schema):
    """One day of one weather station, for stations that say no more; the day is the station's local one."""

    station_id = dy.String(primary_key=True, min_length=1)
    day_at = _moment(primary_key=True)
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
    """One daily value of one element of one station, as climate archives give them: a row a station, day and element.

    The value is in the archive's own unit for its element; `sql/staging/weather_day.sql` turns those used into columns.
    """

    station_id = dy.String(primary_key=True, min_length=1)
    day_at = _moment(primary_key=True)
    element = dy.String(primary_key=True, min_length=1)
    value = dy.Float64()


class FieldBoundary(dy.Schema):
    """The outline of a field where it comes apart from the field list."""

    field_id = dy.String(primary_key=True, min_length=1)
    boundary = dy.String(min_length=1)


class Field(dy.Schema):
    """A field: its place, area, soil, expected yield and, where known, its outline (GeoJSON geometry, RFC 7946)."""

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
    boundary = dy.String(nullable=True)

    @dy.rule()
    def sand_and_clay_exceed_100(cls) -> pl.Expr:
        """Sand and clay together cannot exceed 100 %."""
        return pl.col("sand_pct") + pl.col("clay_pct") <= 100


class MachineSetup(dy.Schema):
    """A machine, who runs it, and what was fitted to it from a date on."""

    machine_id = dy.String(primary_key=True, min_length=1)
    valid_from_at = _moment(primary_key=True)
    generation = dy.String(min_length=1)
    operator_id = dy.String(nullable=True)
    rows_count = dy.Float64(min=1, max=24)
    row_spacing_cm = dy.Float64(min=20, max=100)
    tank_capacity_t = dy.Float64(min_exclusive=0, max=60)
    cleaning_elements = dy.String(nullable=True)


CONTRACTS: dict[str, type[dy.Schema]] = {
    "telemetry": Telemetry,
    "load": Load,
    "tare": Tare,
    "loss_audit": LossAudit,
    "weather_hour": WeatherHour,
    "forecast_hour": ForecastHour,
    "weather_day": WeatherDay,
    "weather_reading": WeatherReading,
    "field": Field,
    "field_boundary": FieldBoundary,
    "machine_setup": MachineSetup,
}


DEFAULTS: dict[str, Any] = {"revision": 0, "cancelled": False}
"""Columns that have a value where a file does not say one."""


def contract(kind: str, catalogue: Catalogue) -> type[dy.Schema]:
    """Return the contract of a kind of file; telemetry gets one column per setting of the catalogue."""
    return _fleet_telemetry(tuple(catalogue)) if kind == "telemetry" else CONTRACTS[kind]


@cache
def _fleet_telemetry(settings: tuple[str, ...]) -> type[dy.Schema]:
    columns = {name: dy.Float64(nullable=True) for name in settings}
    return type("FleetTelemetry", (Telemetry,), {"__annotations__": {}, **columns})


def needed_columns(schema: type[dy.Schema]) -> list[str]:
    """Return the columns a mapping must give."""
    unless_cancelled = {r.removesuffix("_needed") for r in dir(schema) if r.endswith("_needed")}
    columns = schema.columns()
    return [n for n, c in columns.items() if n not in DEFAULTS and (not c.nullable or n in unless_cancelled)]


@cache
def rows_alone(schema: type[dy.Schema]) -> Any:
    """Return a contract's rules about single rows: keys may repeat, and each row carries its `line` and `row`.

    Repeats are counted and clashes told apart before a key must be unique, so nothing is rejected for company.
    """
    columns = {name: copy.copy(column) for name, column in schema.columns().items()}
    for column in columns.values():
        column.primary_key = False
    return type("RowsAlone", (schema,), {"__annotations__": {}, **columns, "line": dy.Int64(), "row": dy.Int64()})


def plainly_valid(rows: pl.DataFrame, schema: type[dy.Schema]) -> bool:
    """Whether a few sums and extremes show already that every row keeps every rule; False only says: look closer.

    Ten times cheaper than asking each row, and most blocks of most logs are good. A sum is finite only if every
    number is. Rules over several columns, and kinds of column not known here, are always looked at closer.
    """
    asked: dict[str, pl.Expr] = {}
    if any("|" not in rule for rule in schema._validation_rules(with_cast=False)):  # noqa: SLF001
        return False
    for name, column in schema.columns().items():
        col = pl.col(name)
        if not column.nullable:
            asked[f"{name} null"] = col.null_count() == 0
        if isinstance(column, dy.Float64):
            asked[f"{name} finite"] = col.sum().is_finite()
        elif isinstance(column, dy.String) and column.min_length is not None:
            asked[f"{name} length"] = col.str.len_bytes().min() >= column.min_length
        elif not isinstance(column, (dy.Datetime, dy.Int64, dy.String)):
            return False
        for bound, kept in (("min", col.min().__ge__), ("max", col.max().__le__), ("min_exclusive", col.min().__gt__)):
            if (value := getattr(column, bound, None)) is not None:
                asked[f"{name} {bound}"] = kept(pl.lit(value))
    return bool(rows.select(pl.all_horizontal(e.fill_null(value=True) for e in asked.values())).item())


RULE_WORDS = {
    "net_above_gross": "net_t is above gross_t",
    "weighed_before_leaving": "weighed_at is not after left_field_at",
    "sand_and_clay_exceed_100": "sand_pct and clay_pct together are above 100",
    "lowest_above_highest": "air_temp_min_c is above air_temp_max_c",
}
"""Rules over several columns -> what a row that breaks one is told."""


def rule_in_words(rule: str, schema: type[dy.Schema]) -> str:
    """Say in words which rule a row broke, from dataframely's rule name."""
    if rule.endswith("_needed"):
        return f"{rule.removesuffix('_needed')} is empty"
    if "|" not in rule:
        return RULE_WORDS[rule]
    column, kind = rule.split("|", 1)
    bound = getattr(schema.columns()[column], kind, None)
    return {
        "nullability": f"{column} is empty",
        "min_length": f"{column} is empty",
        "min": f"{column} is below {bound}",
        "min_exclusive": f"{column} is not above {bound}",
        "max": f"{column} is above {bound}",
        "nan": f"{column} is not a number",
        "inf": f"{column} is not finite",
    }[kind]


def rule_column(rule: str) -> str | None:
    """Return the column a rule is about; None for a rule over several."""
    if rule.endswith("_needed"):
        return rule.removesuffix("_needed")
    return rule.split("|", 1)[0] if "|" in rule else None
