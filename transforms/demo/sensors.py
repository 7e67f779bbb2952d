"""What a machine of the demo logs: noise, gaps, spikes, stuck and drifting sensors, its own clock, the road."""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.config.settings_catalogue import Catalogue
from transforms.demo.district import GENERATIONS, KM_PER_DEG_LAT, ORIGIN_LAT
from transforms.demo.operation import IDLE, ROAD, TURNING, UNLOADING, WORKING
from transforms.demo.season import DemoSeason

Array = NDArray[np.float64]
STUCK_MACHINE, STUCK_SETTING = 2, "cleaner_2_speed_rpm"
DRIFTING_MACHINE, DRIFTING_SETTING, DRIFTING_DAY, DRIFT_STEPS = 1, "separator_1_height_mm", 1, 6.0


def at(season: DemoSeason, seconds: pl.Expr) -> pl.Expr:
    """Seconds since the season's first midnight -> UTC time, whole seconds."""
    return pl.lit(season.midnight) + pl.duration(seconds=seconds.round(0).cast(pl.Int64))


def _on_the_road(records: pl.DataFrame, settings: list[str]) -> pl.DataFrame:
    """Records of the way from one field to the next of the same day, ten seconds apart."""
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


def _seen(rng: np.random.Generator, table: pl.DataFrame, catalogue: Catalogue, settings: list[str]) -> dict[str, Array]:
    """Settings as sensors tell them; out of work the shares hang free and the ground speed is the machine's own."""
    n, state = len(table), table["state"].to_numpy()
    crawl = np.select([state == TURNING, state == ROAD], [rng.uniform(3, 6.5, n), rng.uniform(17, 24, n)], 0.0)
    out: dict[str, Array] = {}
    for name in settings:
        setting = catalogue[name]
        value = table[name].to_numpy() + rng.normal(0, 0.18 * setting.step, n)
        if name == "ground_speed_kmh":
            value = np.where(state == WORKING, value, crawl)
        if name == "share_depth_cm":
            value = np.where(state == WORKING, value, 0.0)
        value[rng.random(n) < 0.0002] = setting.high * 9
        out[name] = value
    return out


def _with_faults(seen: dict[str, Array], table: pl.DataFrame, catalogue: Catalogue, machine: int) -> dict[str, Array]:
    n, day = len(table), table["day"].to_numpy()
    if machine == STUCK_MACHINE:
        stuck = slice(int(n * 0.30), int(n * 0.38))
        seen[STUCK_SETTING][stuck] = round(float(seen[STUCK_SETTING][stuck.start]), 2)
    if machine == DRIFTING_MACHINE:
        here = np.flatnonzero(day == DRIFTING_DAY)
        seen[DRIFTING_SETTING][here] += np.linspace(0, DRIFT_STEPS * catalogue[DRIFTING_SETTING].step, here.size)
    return seen


def _signals(rng: np.random.Generator, table: pl.DataFrame, signal: str) -> list[pl.Expr | pl.Series]:
    """What the machine shows of its tank: flag, level, the counters of ISO 11783, or nothing."""
    n = len(table)
    level = (pl.col("tank_t") + pl.Series(rng.normal(0, 0.12, n))).clip(0)
    begins = (table["unloading"] & ~table["unloading"].shift(1, fill_value=False)).to_numpy()
    number = np.cumsum(begins)
    emptied = np.bincount(number, weights=table["clean_t"].to_numpy(), minlength=number.max() + 2)
    told = np.append(0.0, emptied) * np.append(1.0, rng.normal(1, 0.02, emptied.size))
    none = pl.lit(None, dtype=pl.Float64)
    standing = pl.when(pl.col("state") == UNLOADING).then(IDLE).otherwise("state")
    return [
        pl.col("state") if signal == "flag" else standing.alias("state"),
        (level if signal in {"flag", "level"} else none).alias("tank_t"),
        pl.col("unloading").cast(pl.Float64) if signal == "flag" else none.alias("unloading"),
        pl.Series("unload_number", number.astype(float)) if signal == "counter" else none.alias("unload_number"),
        pl.Series("unloaded_t", told[number]) if signal == "counter" else none.alias("unloaded_t"),
    ]


def _lost(rng: np.random.Generator, table: pl.DataFrame, hz: float) -> NDArray[np.bool_]:
    lost = np.zeros(len(table), dtype=bool)
    for _, day in table.with_row_index("row").group_by("day", maintain_order=True):
        if rng.random() < 0.07:
            start = int(rng.choice(day["row"].to_numpy()))
            lost[start : start + int(rng.uniform(8, 20) * 60 * hz)] = True
    return lost | (rng.random(len(table)) < 0.002)


def logged(rng: np.random.Generator, season: DemoSeason, catalogue: Catalogue, machine: int) -> pl.DataFrame:
    """Return one machine's records as its logger wrote them.

    Returns:
        `day, state, logged_at, lat, lon, tank_t, unloading, unload_number, unloaded_t, sections_on_pct`, settings.
    """
    info = season.district.machines.row(machine, named=True)
    fields = season.district.fields.select("lat_deg", "lon_deg").with_row_index("field_index")
    own = season.records.filter(pl.col("machine") == machine)
    table = own.join(fields.cast({"field_index": pl.Int64}), on="field_index", how="left", maintain_order="left")
    lon_scale = KM_PER_DEG_LAT * 1000 * np.cos(np.radians(ORIGIN_LAT))
    table = table.with_columns(
        (pl.col("lat_deg") + pl.col("north_m") / (KM_PER_DEG_LAT * 1000)).alias("lat"),
        (pl.col("lon_deg") + pl.col("east_m") / lon_scale).alias("lon"),
    )
    settings = list(GENERATIONS[info["generation"]]["settings"])  # type: ignore[call-overload]
    table = _on_the_road(table, settings)
    seen = _with_faults(_seen(rng, table, catalogue, settings), table, catalogue, machine)
    wobble = [(pl.col(c) + pl.Series(rng.normal(0, 2e-6, len(table)))).alias(c) for c in ("lat", "lon")]
    ahead = pl.lit(float(info["clock_offset_s"]))
    step = season.plan.hardship.clock_step
    if step is not None and step[0] == machine:
        noon = step[1] * 86_400 + 12 * 3600
        ahead += pl.when(pl.col("second").is_between(noon, noon + 12 * 3600)).then(60 * step[2]).otherwise(0.0)
    table = table.with_columns(
        *(pl.Series(k, v) for k, v in seen.items()),
        at(season, pl.col("second") + ahead).alias("logged_at"),
        *wobble,
        *_signals(rng, table, info["signal"]),
    )
    return table.filter(~pl.Series(_lost(rng, table, season.plan.hz)))
