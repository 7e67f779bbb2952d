"""30 s bins of one machine-day: state, area, distance, and each setting's mean and spread over working time."""

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from transforms.config.settings_catalogue import Catalogue
from transforms.geo import fields_of_places
from transforms.telemetry.clock_jumps import on_one_clock
from transforms.telemetry.overlap import newly_covered
from transforms.telemetry.sensor_faults import believed_position, flag_faults, numeric_settings

BIN, BIN_S = "30s", 30.0
LONGEST_INTERVAL_S = 30.0
METRES_PER_DEG = 111_320.0


def with_state(records: pl.DataFrame) -> pl.DataFrame:
    """Add `dt_s`, `state` and `working`: the logged state where there is one, else judged from depth and speed.

    A machine that logs only on and off says `off`: what it does then is judged, but it is not working.
    """
    records = records.sort("logged_at").with_columns(
        pl.col("logged_at")
        .diff()
        .shift(-1)
        .dt.total_microseconds()
        .truediv(1e6)
        .clip(0, LONGEST_INTERVAL_S)
        .fill_null(0.0)
        .alias("dt_s")
    )
    speed = pl.col("ground_speed_kmh").fill_null(0.0)
    judged = (
        pl.when((pl.col("share_depth_cm") > 2.0) & (speed > 1.0) & (speed < 15.0))
        .then(pl.lit("working"))
        .when(speed > 15.0)
        .then(pl.lit("road"))
        .when(speed < 0.3)
        .then(pl.lit("idle"))
        .otherwise(pl.lit("turning"))
    )
    logged_off = pl.col("work_state") == "off"
    state = (
        pl.when(logged_off & (judged == "working"))
        .then(pl.lit("turning"))
        .when(logged_off)
        .then(judged)
        .otherwise(pl.coalesce("work_state", judged))
    )
    return records.with_columns(state.alias("state"), (state == "working").alias("working"))


def field_of_places(places: pl.DataFrame, fields: pl.DataFrame) -> pl.Series:
    """Return the field of each place: the one whose outline it lies in, else one without outline whose centre is near.

    Args:
        places: `lat_deg, lon_deg`.
        fields: `field_id, lat_deg, lon_deg, area_ha, boundary` (GeoJSON geometry text, or null).
    """
    if not fields.height or not places.height:
        return pl.Series("field_id", [None] * places.height, dtype=pl.String)
    lat, lon = (places[c].cast(pl.Float64).fill_null(np.nan).to_numpy() for c in ("lat_deg", "lon_deg"))
    inside = fields_of_places(lat, lon, fields)
    return inside.fill_null(_nearest_field(lat, lon, fields.filter(pl.col("boundary").is_null())))


def _nearest_field(lat: NDArray[np.float64], lon: NDArray[np.float64], fields: pl.DataFrame) -> pl.Series:
    if not fields.height:
        return pl.Series("field_id", [None] * lat.size, dtype=pl.String)
    scale = float(np.cos(np.radians(fields["lat_deg"].mean())))  # type: ignore[arg-type]
    centres = np.column_stack([fields["lat_deg"], fields["lon_deg"] * scale]) * METRES_PER_DEG
    here = np.column_stack([np.nan_to_num(lat), np.nan_to_num(lon) * scale]) * METRES_PER_DEG
    distance, index = cKDTree(centres).query(here)
    reach = 0.75 * np.sqrt(fields["area_ha"].to_numpy() * 10_000)[index]
    return pl.Series(
        "field_id",
        np.asarray(np.where(distance <= reach, fields["field_id"].to_numpy()[index], None)).tolist(),
        dtype=pl.String,
    )


def _one_a_moment(records: pl.DataFrame) -> pl.DataFrame:
    """Of two deliveries that differ on an instant the one first in order of values: not the one that came first."""
    if not records["logged_at"].is_duplicated().any():
        return records.sort("logged_at")
    return records.sort(records.columns).unique("logged_at", keep="first", maintain_order=True)


def _way_m(flagged: pl.DataFrame) -> pl.Expr:
    """Metres gone from each record to the next: by the speed, or by the places where the speed is not believed."""
    by_speed = pl.col("ground_speed_kmh") / 3.6 * pl.col("dt_s")
    if "fault_ground_speed_kmh" not in flagged.columns:
        return by_speed.alias("way_m")
    north = pl.col("lat_deg").diff().shift(-1) * METRES_PER_DEG
    east = pl.col("lon_deg").diff().shift(-1) * METRES_PER_DEG * pl.col("lat_deg").radians().cos()
    by_place = (north**2 + east**2).sqrt().fill_null(0.0)
    believed = pl.col("fault_ground_speed_kmh").is_null()
    return pl.when(believed).then(by_speed).otherwise(by_place).alias("way_m")


def make_bins(
    records: pl.DataFrame,
    catalogue: Catalogue,
    setup: dict[str, float],
    fields: pl.DataFrame,
    usually: frozenset[str] = frozenset(),
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Bin one machine-day.

    Args:
        records: one machine's telemetry of one UTC day, in the order of its files.
        catalogue: the settings known.
        setup: `rows_count` and `row_spacing_cm` fitted on that day.
        fields: the field list.
        usually: settings that fluctuate on the machine's other days.

    Returns:
        (bins, flagged records, steps of the clock, which are taken out of the times). A bin: `machine_id, bin_at,
        state, work_s, area_ha, distance_m, lat_deg, lon_deg, tank_t, silent_s` (without any record until the next
        bin), `field_id`, and `<setting>`, `<setting>_sd` over working, believed records.
    """
    steady, steps = on_one_clock(records)
    unique = _one_a_moment(steady.drop("file", "line", "part", strict=False))
    flagged = flag_faults(believed_position(with_state(unique)), catalogue, usually)
    names = numeric_settings(flagged, catalogue)
    width_m = setup["rows_count"] * setup["row_spacing_cm"] / 100.0
    sections = pl.col("sections_on_pct").fill_null(100.0) / 100 if "sections_on_pct" in flagged.columns else pl.lit(1.0)
    working = pl.col("working")

    def believed(name: str) -> pl.Expr:
        fault = pl.col(f"fault_{name}").is_null() if f"fault_{name}" in flagged.columns else pl.lit(True)
        return pl.col(name).filter(working & fault)

    bins = (
        flagged.with_columns(
            pl.col("logged_at").dt.truncate(BIN).alias("bin_at"), newly_covered(flagged, width_m), _way_m(flagged)
        )
        .group_by("machine_id", "bin_at", maintain_order=True)
        .agg(
            pl.col("state").mode().sort().first(),
            pl.col("dt_s").filter(working).sum().alias("work_s"),
            pl.col("way_m").filter(working).sum().alias("distance_m"),
            (pl.col("way_m") * sections * pl.col("new_ground")).filter(working).sum().alias("swept_m"),
            pl.col("lat_deg", "lon_deg").mean(),
            (pl.col("tank_t") if "tank_t" in flagged.columns else pl.lit(None)).cast(pl.Float64).mean().alias("tank_t"),
            *(believed(n).mean().alias(n) for n in names),
            *(believed(n).std().alias(f"{n}_sd") for n in names),
        )
        .with_columns((pl.col("swept_m") * width_m / 10_000).alias("area_ha"))
        .drop("swept_m")
    )
    silent = (pl.col("bin_at").diff().shift(-1).dt.total_microseconds() / 1e6 - BIN_S).fill_null(0.0)
    bins = bins.with_columns(silent.alias("silent_s"))
    # A few bins without a believed place between others of a field belong to it.
    return bins.with_columns(field_of_places(bins, fields).forward_fill(limit=4)), flagged, steps
