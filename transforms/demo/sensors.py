"""Log records of the demo machines: noise, gaps, spikes, stuck and drifting sensors, clock errors, road travel."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.arrays import to_float
from transforms.config.settings_catalogue import Catalogue
from transforms.demo.district import MACHINE_TYPES, ORIGIN_LAT
from transforms.demo.operation import IDLE, ROAD, TURNING, UNLOADING, WORKING
from transforms.demo.season import DemoSeason
from transforms.geo import KM_PER_DEG

Array = NDArray[np.float64]
STUCK_MACHINE, STUCK_SETTING = 2, "cleaner_2_speed_rpm"
DRIFTING_MACHINE, DRIFTING_SETTING, DRIFTING_DAY, DRIFT_STEPS = 1, "separator_1_height_mm", 1, 6.0


def at(season: DemoSeason, seconds: pl.Expr) -> pl.Expr:
    """Return the UTC time, in whole seconds, of seconds since the season's first midnight."""
    return pl.lit(season.midnight) + pl.duration(seconds=seconds.round(0).cast(pl.Int64))


def _on_the_road(records: pl.DataFrame, settings: list[str]) -> pl.DataFrame:
    """Return the records with those of the road between fields on the same day added, ten seconds apart."""
    ends = records.group_by("visit", maintain_order=True).agg(
        pl.col("day").first(),
        *(pl.col(c).first().alias(f"{c} in") for c in ("second", "lat", "lon")),
        *(pl.col(c).last().alias(f"{c} out") for c in ("second", "lat", "lon")),
    )
    frames = []
    for before, after in zip(ends.iter_rows(named=True), ends[1:].iter_rows(named=True), strict=False):
        if before["day"] != after["day"]:
            continue
        seconds = np.arange(before["second out"] + 120, after["second in"] - 120, 10.0)
        part = np.linspace(0, 1, seconds.size)
        frames.append(
            pl.DataFrame(
                {
                    "visit": before["visit"],
                    "day": before["day"],
                    "state": ROAD,
                    "second": seconds,
                    **{c: before[f"{c} out"] + part * (after[f"{c} in"] - before[f"{c} out"]) for c in ("lat", "lon")},
                    "tank_t": 0.0,
                    "unloading": False,
                    "sections_on_pct": 0.0,
                    "clean_t": 0.0,
                    **dict.fromkeys(settings, 0.0),
                }
            )
        )
    kept = records.select(
        "visit", "day", "state", "second", "lat", "lon", "tank_t", "unloading", "sections_on_pct", "clean_t", *settings
    )
    return pl.concat([kept, *frames], how="vertical_relaxed").sort("second")


def _measured(
    rng: np.random.Generator, table: pl.DataFrame, catalogue: Catalogue, settings: list[str]
) -> dict[str, Array]:
    """Return the settings as measured; outside work the share depth is zero and the ground speed is that of travel."""
    n, state = len(table), table["state"].to_numpy()
    travel_kmh = np.select([state == TURNING, state == ROAD], [rng.uniform(3, 6.5, n), rng.uniform(17, 24, n)], 0.0)
    out: dict[str, Array] = {}
    for name in settings:
        setting = catalogue[name]
        value = table[name].to_numpy() + rng.normal(0, 0.18 * setting.step, n)
        if name == "ground_speed_kmh":
            value = np.where(state == WORKING, value, travel_kmh)
        if name == "share_depth_cm":
            value = np.where(state == WORKING, value, 0.0)
        value[rng.random(n) < 0.0002] = setting.high * 9
        out[name] = value
    return out


def _with_faults(
    readings: dict[str, Array], table: pl.DataFrame, catalogue: Catalogue, machine: int
) -> dict[str, Array]:
    n, day = len(table), table["day"].to_numpy()
    if machine == STUCK_MACHINE:
        stuck = slice(int(n * 0.30), int(n * 0.38))
        readings[STUCK_SETTING][stuck] = round(float(readings[STUCK_SETTING][stuck.start]), 2)
    if machine == DRIFTING_MACHINE:
        affected = np.flatnonzero(day == DRIFTING_DAY)
        readings[DRIFTING_SETTING][affected] += np.linspace(
            0, DRIFT_STEPS * catalogue[DRIFTING_SETTING].step, affected.size
        )
    return readings


def _signals(rng: np.random.Generator, table: pl.DataFrame, signal: str) -> list[pl.Expr | pl.Series]:
    """Return the unloading signal of the machine: flag, level, ISO 11783 counters, or none."""
    n = len(table)
    level = (pl.col("tank_t") + pl.Series(rng.normal(0, 0.12, n))).clip(0)
    begins = (table["unloading"] & ~table["unloading"].shift(1, fill_value=False)).to_numpy()
    number = np.cumsum(begins)
    unloaded_t = np.bincount(number, weights=table["clean_t"].to_numpy(), minlength=number.max() + 2)
    counted_t = np.append(0.0, unloaded_t) * np.append(1.0, rng.normal(1, 0.02, unloaded_t.size))
    none = pl.lit(None, dtype=pl.Float64)
    without_unloading = pl.when(pl.col("state") == UNLOADING).then(IDLE).otherwise("state")
    return [
        pl.col("state") if signal == "flag" else without_unloading.alias("state"),
        (level if signal in {"flag", "level"} else none).alias("tank_t"),
        pl.col("unloading").cast(pl.Float64) if signal == "flag" else none.alias("unloading"),
        pl.Series("unload_number", number.astype(float)) if signal == "counter" else none.alias("unload_number"),
        pl.Series("unloaded_t", counted_t[number]) if signal == "counter" else none.alias("unloaded_t"),
    ]


def _lost(rng: np.random.Generator, table: pl.DataFrame, hz: float) -> NDArray[np.bool_]:
    lost = np.zeros(len(table), dtype=bool)
    for _, day in table.with_row_index("row").group_by("day", maintain_order=True):
        if rng.random() < 0.07:
            start = int(rng.choice(day["row"].to_numpy()))
            lost[start : start + int(rng.uniform(8, 20) * 60 * hz)] = True
    return lost | (rng.random(len(table)) < 0.002)


def logged(rng: np.random.Generator, season: DemoSeason, catalogue: Catalogue, machine: int) -> pl.DataFrame:
    """Return one machine's records as written by its logger.

    Returns:
        `day, state, logged_at, lat, lon, tank_t, unloading, unload_number, unloaded_t, sections_on_pct`, settings,
        directions.
    """
    info = season.district.machines.row(machine, named=True)
    fields = season.district.fields.select("lat_deg", "lon_deg").with_row_index("field_index")
    own = season.records.filter(pl.col("machine") == machine)
    table = own.join(fields.cast({"field_index": pl.Int64}), on="field_index", how="left", maintain_order="left")
    lon_scale = KM_PER_DEG * 1000 * np.cos(np.radians(ORIGIN_LAT))
    table = table.with_columns(
        (pl.col("lat_deg") + pl.col("north_m") / (KM_PER_DEG * 1000)).alias("lat"),
        (pl.col("lon_deg") + pl.col("east_m") / lon_scale).alias("lon"),
    )
    machine_type = MACHINE_TYPES[info["generation"]]
    settings = list(machine_type.settings)
    table = _on_the_road(table, [*settings, *machine_type.directions])
    readings = _with_faults(_measured(rng, table, catalogue, settings), table, catalogue, machine)
    wobble = [(pl.col(c) + pl.Series(rng.normal(0, 2e-6, len(table)))).alias(c) for c in ("lat", "lon")]
    ahead = pl.lit(float(info["clock_offset_s"]))
    step = season.plan.scenario.clock_step
    if step is not None and step[0] == machine:
        noon = step[1] * 86_400 + 12 * 3600
        # A clock jump of an idle machine looks like a pause, so it falls a minute into the first row after noon.
        starts_row = (pl.col("state") == WORKING) & (pl.col("state").shift(1) != WORKING)
        rows = table.filter(starts_row & pl.col("second").is_between(noon, noon + 12 * 3600))
        from_s = (to_float(rows["second"].min()) if rows.height else noon) + 60
        ahead += pl.when(pl.col("second").is_between(from_s, noon + 12 * 3600)).then(60 * step[2]).otherwise(0.0)
    table = table.with_columns(
        *(pl.Series(k, v) for k, v in readings.items()),
        at(season, pl.col("second") + ahead).alias("logged_at"),
        *wobble,
        *_signals(rng, table, info["signal"]),
    )
    return table.filter(~pl.Series(_lost(rng, table, season.plan.hz)))
