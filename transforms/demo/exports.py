"""Export files of the demo season, in several formats and with common data faults, and their mappings."""

import datetime as dt
import json
from importlib.resources import files
from pathlib import Path

import numpy as np
import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.demo.district import MACHINE_TYPES, ORIGIN_LAT
from transforms.demo.inspection_exports import write_audits, write_checks
from transforms.demo.office_formats import local_time, write_sheet
from transforms.demo.operation import STATE_NAMES
from transforms.demo.season import DemoSeason
from transforms.demo.sensors import at, logged
from transforms.demo.truck_exports import true_trips, with_haulage, write_positions
from transforms.demo.trucks import Trip, truck_trips
from transforms.geo import KM_PER_DEG

HEADLAND_M = 12.0
OFFICE_NAMES = {
    "topper_speed_rpm": "Topper",
    "scalper_height_mm": "Scalper",
    "share_drive_pct": "Share drive",
    "intake_roller_height_mm": "Intake height",
    "intake_roller_speed_pct": "Intake rollers",
    "rear_roller_speed_pct": "Rear roller",
    "transfer_web_speed_pct": "Web",
    "cleaner_1_speed_rpm": "Cleaner 1",
    "cleaner_2_speed_rpm": "Cleaner 2",
    "cleaner_3_speed_rpm": "Cleaner 3",
    "cleaner_4_speed_rpm": "Cleaner 4",
    "separator_1_height_mm": "Gap 1",
    "separator_2_height_mm": "Gap 2",
    "separator_3_height_mm": "Gap 3",
}


def _dialect_a(table: pl.DataFrame) -> tuple[str, str]:
    """Return (header lines, rows) with decimal comma, local time, a unit row below the header, and two depths."""
    columns = [
        pl.col("logged_at").pipe(local_time).dt.strftime("%d.%m.%Y %H:%M:%S").alias("Time"),
        pl.col("lat").round(6).alias("Latitude"),
        pl.col("lon").round(6).alias("Longitude"),
        pl.col("state")
        .replace_strict(dict(enumerate(("WORK", "TURN", "UNLOAD", "STOP", "ROAD"))), return_dtype=pl.String)
        .alias("Status"),
        pl.col("ground_speed_kmh").round(2).alias("Speed"),
        (pl.col("share_depth_cm") + 0.1).round(2).alias("Depth left"),
        (pl.col("share_depth_cm") - 0.1).round(2).alias("Depth right"),
    ]
    units = ["", "deg", "deg", "", "km/h", "cm", "cm"]
    for name in (n for n in OFFICE_NAMES if n in MACHINE_TYPES["A"].settings):
        columns.append(pl.col(name).round(2).alias(OFFICE_NAMES[name]))
        units.append({"rpm": "1/min", "mm": "mm", "pct": "%"}[name.rsplit("_", 1)[1]])
    columns.append(pl.col("tank_t").round(2).alias("Tank"))
    units.append("t")
    text = table.select(columns).write_csv(separator=";", decimal_comma=True, line_terminator="\r\n")
    header, rows = text.split("\r\n", 1)
    return f"{header}\r\n{';'.join(units)}\r\n", rows


def _dialect_b(table: pl.DataFrame, machine_id: str) -> tuple[str, str]:
    """Return (header line, rows) with ISO time and zone, metres and kilograms."""
    settings = [n for n in OFFICE_NAMES if n in MACHINE_TYPES["B"].settings]
    columns = [
        pl.lit(machine_id).alias("machine"),
        pl.col("logged_at").dt.strftime("%Y-%m-%dT%H:%M:%SZ").alias("timestamp"),
        pl.col("lat").round(6).alias("lat"),
        pl.col("lon").round(6).alias("lon"),
        pl.col("state").replace_strict(dict(enumerate(STATE_NAMES)), return_dtype=pl.String).alias("state"),
        pl.col("unloading").cast(pl.Int8).alias("unloading"),
        (pl.col("tank_t") * 1000).round(0).alias("tank_kg"),
        pl.col("sections_on_pct").alias("sections_pct"),
        (pl.col("ground_speed_kmh") / 3.6).round(3).alias("speed_m_s"),
        (pl.col("share_depth_cm") * 10).round(1).alias("depth_mm"),
        *(pl.col(n).round(2) for n in settings),
        *(pl.col(n).cast(pl.Int8) for n in MACHINE_TYPES["B"].directions),
    ]
    header, rows = table.select(columns).write_csv().split("\n", 1)
    return header + "\n", rows


def _write_machine(
    rng: np.random.Generator, season: DemoSeason, catalogue: Catalogue, machine: int, inbox: Path
) -> None:
    info = season.district.machines.row(machine, named=True)
    table = logged(rng, season, catalogue, machine)
    last_week = season.plan.days // 7
    for week, part in table.with_columns((pl.col("day") // 7).alias("week")).group_by("week", maintain_order=True):
        number = int(str(week[0]))
        if info["generation"] == "A":
            header, rows = _dialect_a(part)
        else:
            header, rows = _dialect_b(part, info["machine_id"])
        lines = rows.splitlines(keepends=True)
        if machine % 4 == 1:  # repeated lines, as when a USB stick is read twice
            lines = lines[:300] + lines[200:]
        if machine % 4 == 2:
            lines.insert(len(lines) // 2, "*** logger restarted ***\n")
        text = header + "".join(lines)
        if machine == 1 and number == last_week:
            text = text[: int(len(text) * 0.97)]  # a file truncated while it was copied
        letter = info["generation"].lower()
        (inbox / f"log_{letter}_{info['machine_id']}_w{number + 1}.csv").write_text(text, "utf-8", newline="")


def _weighbridge_ahead_min(season: DemoSeason) -> pl.Expr:
    """Return the minutes by which the weighbridge clock was ahead when a ticket was weighed."""
    ahead = pl.lit(0.0)
    for site, minutes, from_day in season.plan.scenario.site_clocks:
        is_affected = (pl.col("site_id") == site) & (pl.col("weighed_s") >= from_day * 86_400)
        ahead = pl.when(is_affected).then(minutes).otherwise(ahead)
    return ahead


def tickets_of(rng: np.random.Generator, season: DemoSeason) -> pl.DataFrame:
    """Return the tickets as the weighbridges write them: times by their own clocks, a machine on some tickets."""
    ids = season.district.machines["machine_id"].to_list()
    machine = [
        ids[m] if m >= 0 and rng.random() < season.plan.scenario.ticket_ids else None for m in season.tickets["machine"]
    ]
    known = rng.random(len(season.tickets)) < 0.3
    return season.tickets.with_columns(
        pl.Series("machine_id", machine, dtype=pl.String),
        pl.when(pl.Series(known)).then(at(season, pl.col("left_s"))).alias("left_at"),
        at(season, pl.col("weighed_s") + 60 * _weighbridge_ahead_min(season)).alias("weighed_at"),
        ((pl.col("delivered_t") * 100).round(0).cast(pl.Int64) * 10).alias("delivered_kg"),
    )


def _write_tickets(rng: np.random.Generator, season: DemoSeason, inbox: Path, trips: list[Trip]) -> None:
    clock = "%d.%m.%Y %H:%M"
    tickets = with_haulage(season, tickets_of(rng, season), _weighbridge_ahead_min(season), trips)
    table = tickets.select(
        pl.col("load_id").alias("Ticket"),
        pl.col("field_id").alias("Field"),
        pl.col("machine_id").alias("Harvester"),
        pl.col("site_id").alias("Factory"),
        pl.col("left_at").pipe(local_time).dt.strftime(clock).alias("Left field"),
        pl.col("weighed_at").pipe(local_time).dt.strftime(clock).alias("Weighed"),
        pl.col("delivered_kg").alias("Delivered kg"),
        ((pl.col("delivered_kg") * 0.086).round(0).cast(pl.Int64) * 10).alias("Clean kg"),
        pl.col("truck_id").alias("Truck"),
        pl.col("trailer_id").alias("Trailer"),
        pl.col("tared_at").pipe(local_time).dt.strftime(clock).alias("Weighed empty"),
        pl.col("gang_id").alias("Gang"),
    )
    for (site,), part in table.group_by("Factory", maintain_order=True):
        lines = part.write_csv(separator=";").splitlines(keepends=True)
        lines += lines[5:25]
        first = lines[1].split(";")
        lines.append(";".join([first[0] + "x", *first[1:5], "31.02.2026 25:00", *first[6:]]))
        lines.append(";".join([first[0] + "y", *first[1:6], "0", "0", *first[8:]]))
        lines.append(f"{first[0]}z;F999;;{site};;{first[5]};27000;23200;;;;\n")
        (inbox / f"tickets_{site}.csv").write_text("".join(lines), "utf-8")


def _write_tares(rng: np.random.Generator, season: DemoSeason, inbox: Path) -> None:
    sampled = season.tares.filter("sampled").with_row_index("n", offset=1)
    table = sampled.select(
        ("S" + pl.col("n").cast(pl.String).str.zfill(6)).alias("Sample"),
        pl.col("load_id").alias("Ticket"),
        pl.lit(0).alias("Rev"),
        pl.col("dirt_tare_pct").alias("Dirt %"),
        pl.col("top_tare_pct").alias("Tops %"),
        pl.col("sugar_pct").alias("Sugar %"),
        pl.col("potassium_mmol_per_kg").alias("K mmol/kg"),
        pl.col("sodium_mmol_per_kg").alias("Na mmol/kg"),
        pl.col("amino_n_mmol_per_kg").alias("aN mmol/kg"),
        pl.col("sample_kg").alias("Sample kg"),
    )
    revised = table.sample(max(1, len(table) // 150), seed=int(rng.integers(1 << 30)))
    first_result = revised.with_columns(pl.col("Dirt %") * 1.6)
    table = table.join(revised.select("Sample"), on="Sample", how="anti")
    revised = revised.with_columns(pl.lit(1).alias("Rev"))
    table = pl.concat([table, first_result, revised, revised[:3]]).sort("Sample", "Rev")
    broken = table[:1].with_columns(pl.lit("S999998").alias("Sample"), pl.lit(120.0).alias("Dirt %"))
    write_sheet(inbox / "tares.xlsx", "Results", pl.concat([table, broken]))


def _write_setups(season: DemoSeason, inbox: Path) -> None:
    rows = ["Machine;From;Type;Operator;Rows;Row spacing cm;Tank t;Elements"]
    machines = list(season.district.machines.iter_rows(named=True))
    for fitted in season.parts:
        m = machines[fitted.machine]
        day = fitted.from_day or -20
        moment = season.midnight + dt.timedelta(days=day, hours=12)
        sizes = MACHINE_TYPES[m["generation"]].row_spacing_cm, m["tank_capacity_t"]
        spacing, tank = (str(size).replace(".", ",") for size in sizes)
        line = f"{m['generation']};{m['operator_id']};{m['rows']};{spacing};{tank}"
        rows.append(f"{m['machine_id']};{moment:%d.%m.%Y};{line};{fitted.parts}")
    (inbox / "machines.csv").write_text("\n".join(rows) + "\n", "utf-8")


def _write_outlines(season: DemoSeason, inbox: Path) -> None:
    """Write field outlines as a GIS exports them: squares including the headland, longitude first."""
    features = []
    for f in season.district.fields.iter_rows(named=True):
        half_m = 50 * f["area_ha"] ** 0.5 + HEADLAND_M
        north = half_m / (KM_PER_DEG * 1000)
        east = north / float(np.cos(np.radians(ORIGIN_LAT)))
        corners = [(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)]
        ring = [[round(f["lon_deg"] + x * east, 7), round(f["lat_deg"] + y * north, 7)] for x, y in corners]
        geometry = {"type": "Polygon", "coordinates": [ring]}
        features.append({"type": "Feature", "properties": {"field": f["field_id"]}, "geometry": geometry})
    text = json.dumps({"type": "FeatureCollection", "features": features})
    (inbox / "outlines.geojson").write_text(text, "utf-8")


FORECAST_HOURS = 48


def _write_forecast(season: DemoSeason, station: str, weather: pl.DataFrame, inbox: Path) -> None:
    """Write a two-day forecast with typical errors: one degree, wrong rain amounts, showers at other hours."""
    rng = np.random.default_rng(season.plan.seed + 104_729)
    begins = season.midnight + dt.timedelta(days=season.plan.days)
    forecast = weather.filter(
        (pl.col("hour_at") >= begins) & (pl.col("hour_at") < begins + dt.timedelta(hours=FORECAST_HOURS))
    )
    rain = np.roll(forecast["rain_mm"].to_numpy(), int(rng.integers(-2, 3))) * rng.gamma(8, 1 / 8, forecast.height)
    forecast.with_columns(
        pl.col("hour_at").dt.strftime("%Y-%m-%dT%H:%M:%SZ"),
        pl.lit((begins - dt.timedelta(hours=3)).strftime("%Y-%m-%dT%H:%M:%SZ")).alias("issued_at"),
        (pl.col("air_temp_c") + rng.normal(0, 1)).round(1),
        pl.Series("rain_mm", rain.round(1)),
    ).write_csv(inbox / f"forecast_{station}.csv")


def write_exports(season: DemoSeason, catalogue: Catalogue, inbox: Path, mappings: Path) -> None:
    """Write every export file to `inbox` and the mappings that read them to `mappings`."""
    rng = np.random.default_rng(season.plan.seed + 7919)
    for machine in range(season.plan.machines):
        _write_machine(rng, season, catalogue, machine, inbox)
    trips = truck_trips(season)
    _write_tickets(rng, season, inbox, trips)
    write_positions(season, trips, inbox)
    _write_tares(rng, season, inbox)
    write_audits(season, inbox)
    write_checks(season, inbox)
    _write_setups(season, inbox)
    _write_outlines(season, inbox)
    for (station,), part in season.weather.group_by("station_id", maintain_order=True):
        known = part.filter(pl.col("hour_at") < season.midnight + dt.timedelta(days=season.plan.days))
        table = known.with_columns(pl.col("hour_at").dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
        with_gaps = table.with_row_index("row").filter(pl.col("row") % 311 != 300).drop("row")
        with_gaps.write_csv(inbox / f"weather_{station}.csv")
        _write_forecast(season, str(station), part, inbox)
    season.district.fields.with_columns(pl.col("forecast_t_ha").alias("yield_t_ha")).select(
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
    ).write_csv(inbox / "fields.csv")
    for source in files("transforms.demo").joinpath("mappings").iterdir():
        (mappings / source.name).write_text(source.read_text("utf-8"), "utf-8")


def write_truth(season: DemoSeason, folder: Path) -> None:
    """Write the true values of the season to a folder that only tests read."""
    folder.mkdir(parents=True, exist_ok=True)
    ids = season.district.machines.select(pl.col("machine_id"), pl.int_range(pl.len()).alias("machine"))
    offset = season.district.machines.select(pl.int_range(pl.len()).alias("machine"), "clock_offset_s", "signal")
    moment = at(season, pl.col("bin_s")).alias("bin_at")
    trace = season.true_trace.join(ids, on="machine").with_columns(moment)
    trace.select("load_id", "machine_id", "bin_at", "share").write_parquet(folder / "load_trace.parquet")
    season.true_bins.join(ids, on="machine").with_columns(moment).write_parquet(folder / "bin.parquet")
    season.true_effects.write_parquet(folder / "load_effect.parquet")
    season.tares.select("load_id", "dirt_fraction", "sampled").write_parquet(folder / "load_dirt.parquet")
    true_trips(season, truck_trips(season)).write_parquet(folder / "truck_trip.parquet")
    ids.join(offset, on="machine").write_parquet(folder / "machine.parquet")
