"""Positions of the demo season's trucks: at the field, beside the machine that fills them, on the road, at the yard.

A truck waits at the field's edge until its machine empties its tank; during each emptying it is beside the machine,
and drives along if the machine does.
"""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.demo.district import ORIGIN_LAT
from transforms.demo.season import DemoSeason
from transforms.demo.trucks import LEAVES_S, Trip
from transforms.geo import KM_PER_DEG

Array = NDArray[np.float64]
POSITION_SEED = 49_979_687
BESIDE_M, NOISE_M = 9.0, 4.0
"""Distance between machine and truck, and standard deviation of the truck's receiver."""
COME_S = 45.0
"""A truck drives to the machine in this time."""
NORTH_M = KM_PER_DEG * 1000
EAST_M = NORTH_M * float(np.cos(np.radians(ORIGIN_LAT)))


def _emptyings(season: DemoSeason) -> pl.DataFrame:
    """Return the records during emptyings with their place: `machine, second, start_s, lat, lon`."""
    fields = season.district.fields.select("lat_deg", "lon_deg").with_row_index("field_index")
    rows = season.records.sort("machine", "second", maintain_order=True).with_columns(
        (pl.col("unloading") & ~pl.col("unloading").shift(1).over("machine").fill_null(value=False)).alias("begins")
    )
    rows = rows.with_columns(pl.when("begins").then("second").forward_fill().over("machine").alias("start_s"))
    return (
        rows.filter("unloading")
        .join(fields.cast({"field_index": pl.Int64}), on="field_index", how="left", maintain_order="left")
        .select(
            "machine",
            "second",
            "start_s",
            (pl.col("lat_deg") + pl.col("north_m") / NORTH_M).alias("lat"),
            (pl.col("lon_deg") + pl.col("east_m") / EAST_M).alias("lon"),
        )
    )


def _way(season: DemoSeason, trip: Trip, emptied: Array) -> Array:
    """Return the turning points of a trip, shape (n, 3): seconds, latitude and longitude.

    Args:
        season: the season.
        trip: the trip.
        emptied: records of its machine's emptyings, shape (m, 4): start, second, latitude, longitude.
    """
    place = season.district.fields.row(trip.field_index, named=True)
    site = season.district.sites[trip.site_id]
    edge = (place["lat_deg"] - 52 * place["area_ha"] ** 0.5 / NORTH_M, place["lon_deg"])
    starts = np.unique(emptied[:, 0])
    started = int(np.searchsorted(starts, trip.from_s + LEAVES_S, side="right")) - 1
    first = float(starts[max(0, started)]) if starts.size else trip.from_s
    own = emptied[(emptied[:, 0] >= max(first, trip.arrived_s)) & (emptied[:, 1] <= trip.left_s)]
    points = [(trip.arrived_s - trip.drive_s, *site), (trip.arrived_s, *edge)]
    here = edge
    for start in np.unique(own[:, 0]):
        during = own[own[:, 0] == start]
        points.append((max(start - COME_S, points[-1][0]), *here))
        points += [(s, lat + BESIDE_M / NORTH_M, lon) for _, s, lat, lon in during]
        here = points[-1][1:]
    points += [(trip.left_s, *here), (trip.weighed_s, *site), (trip.tared_s, site[0] + 0.001, site[1])]
    return np.array(points)


def truck_positions(season: DemoSeason, trips: list[Trip], interval_s: float) -> pl.DataFrame:
    """Return the positions that the trucks log: `truck_id, second, lat_deg, lon_deg`, by truck and time.

    Args:
        season: the season.
        trips: trips of its trucks.
        interval_s: seconds between two positions.
    """
    rng = np.random.default_rng(season.plan.seed + POSITION_SEED)
    by_machine = {
        int(str(m)): part.select("start_s", "second", "lat", "lon").to_numpy().astype(np.float64)
        for (m,), part in _emptyings(season).group_by("machine", maintain_order=True)
    }
    ways: dict[int, list[Array]] = {}
    for trip in trips:
        ways.setdefault(trip.truck, []).append(_way(season, trip, by_machine.get(trip.machine, np.empty((0, 4)))))
    frames = []
    for truck, own_ways in sorted(ways.items()):
        phase = rng.uniform(0, interval_s)
        points = np.concatenate(own_ways)
        points = points[np.argsort(points[:, 0], kind="stable")]
        spans = [np.arange(np.ceil((w[0, 0] - phase) / interval_s), (w[-1, 0] - phase) / interval_s) for w in own_ways]
        at = np.unique(np.concatenate(spans)) * interval_s + phase
        noise = rng.normal(0, NOISE_M, (2, at.size))
        lat = np.interp(at, points[:, 0], points[:, 1]) + noise[0] / NORTH_M
        lon = np.interp(at, points[:, 0], points[:, 2]) + noise[1] / EAST_M
        frames.append(pl.DataFrame({"truck_id": f"LK {truck}", "second": at, "lat_deg": lat, "lon_deg": lon}))
    return pl.concat(frames)
