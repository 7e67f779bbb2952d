"""Streams a season of a whole fleet to disk: a few invented days, written again and again under other names and dates.

Six machines over five days are invented at one record a second. A block of the fleet's season is those days with the
ids of a group of six machines, the dates of a period of five days, and ground of its own. Only one machine-day is held
at a time, whatever the season's size.

    PYTHONPATH=. .venv/bin/python tests/benchmarks/fleet_season.py FOLDER MACHINES DAYS
"""

import datetime as dt
import json
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import shapely
from shapely.affinity import translate

sys.path[:0] = [str(Path(__file__).parents[2])]

from flows import stages
from flows.pipeline.demo import write_demo
from flows.runtime.progress import Reporter
from tests.support.canonical import TIMES, as_text, mapping_of, reported
from transforms.config.workspace import Workspace, init_workspace
from transforms.storage.lake import Lake, read_frame
from transforms.storage.warehouse import Warehouse

GROUP, PERIOD = 6, 5
"""Machines and days of a block."""
STEP_DEG = 0.4
LISTS = ("load", "tare", "field", "field_boundary", "machine_setup", "loss_audit", "weather_hour")
IDS = ("machine_id", "operator_id")
BLOCK_IDS = ("field_id", "load_id", "sample_id", "audit_id", "grower_id")


class Fleet:
    """The invented days everything is made of, in canonical columns."""

    def __init__(self, folder: Path) -> None:
        quiet = Reporter(quiet=True)
        base = write_demo(folder / "base", machines=GROUP, days=PERIOD, seed=1, hz=1.0, reporter=quiet)
        stages.receive_files(base, quiet)
        self.season_toml = (base.root / "season.toml").read_text("utf-8")
        lake = Lake(base.lake)
        with Warehouse(base.warehouse) as warehouse:
            self.lists = {kind: reported(warehouse.table(f"received_{kind}")) for kind in LISTS}
            sources = {s[:16] for s in warehouse.table("source_file")["source_sha256"]}
        self.paths = lake.machine_days(sources)
        self.columns: dict[str, list[str]] = {}
        first = min(day for _, day in self.paths)
        self.first = dt.datetime.combine(dt.date.fromisoformat(first), dt.time(), dt.UTC)

    def machine_days(self) -> Iterator[tuple[str, str, pl.DataFrame]]:
        for (machine, day), paths in self.paths.items():
            yield machine, day, reported(pl.concat([read_frame(p) for p in paths], how="diagonal"))


def _of_block(rows: pl.DataFrame, group: int, period: int) -> pl.DataFrame:
    """Rows under a block's names and dates."""
    later = dt.timedelta(days=PERIOD * period)
    block = f"G{group:02d}P{period:02d}-"
    north = STEP_DEG * (group * 12 + period % 12)
    shifted = rows.with_columns(pl.col(c) + later for c in TIMES if c in rows.columns)
    out = as_text(shifted).with_columns(
        *((pl.lit(f"G{group:02d}-") + pl.col(c)).alias(c) for c in IDS if c in rows.columns),
        *((pl.lit(block) + pl.col(c)).alias(c) for c in BLOCK_IDS if c in rows.columns),
        *(pl.col(c) - 45 + north for c in ("lat_deg",) if c in rows.columns),
    )
    if "boundary" in out.columns:
        moved = [shapely.to_geojson(translate(shapely.from_geojson(g), 0, north - 45)) for g in rows["boundary"]]
        out = out.with_columns(pl.Series("boundary", moved))
    return out


def _lists_of(fleet: Fleet, kind: str, group: int, period: int) -> pl.DataFrame:
    rows = fleet.lists[kind]
    if kind == "field":
        rows = rows.drop("boundary")
    if kind == "weather_hour":
        ends = fleet.first + dt.timedelta(days=PERIOD)
        rows = rows.filter((pl.col("hour_at") < ends) & ((pl.col("hour_at") >= fleet.first) | (period == 0)))
    return _of_block(rows, group, period)


def _geojson(rows: pl.DataFrame) -> str:
    features = [
        {"type": "Feature", "properties": {"field_id": f}, "geometry": json.loads(g)}
        for f, g in rows.select("field_id", "boundary").iter_rows()
    ]
    return json.dumps({"type": "FeatureCollection", "features": features})


def _write_lists(fleet: Fleet, inbox: Path, groups: int, period: int) -> None:
    """Write the office's files of a period: tickets, tares, plots, fields, outlines, weather."""
    for kind in LISTS:
        if kind == "machine_setup" and period:
            continue
        every = range(1) if kind == "weather_hour" else range(groups)
        rows = pl.concat([_lists_of(fleet, kind, g, period) for g in every])
        if kind == "field_boundary":
            (inbox / f"outlines_{period:02d}.geojson").write_text(_geojson(rows))
        else:
            rows.write_csv(inbox / f"{kind}_{period:02d}.csv")


def start_season(folder: Path, fleet: Fleet) -> Workspace:
    """An empty workspace whose mappings read what the fleet sends."""
    head, tail = fleet.season_toml.split("[sites.", 1)
    workspace = init_workspace(folder, f"{head}[prices]{tail.split('[prices]', 1)[1]}")
    _, _, records = next(fleet.machine_days())
    texts = {"telemetry": mapping_of("telemetry", records, "log_*.csv")}
    for kind in LISTS:
        if kind != "field_boundary":
            texts[kind] = mapping_of(kind, _lists_of(fleet, kind, 0, 0), f"{kind}_*.csv")
    outline = '[columns.field_id]\nfrom = "field_id"\n[columns.boundary]\nfrom = "geometry"\n'
    texts["field_boundary"] = f'kind = "field_boundary"\nfiles = ["outlines_*.geojson"]\n{outline}'
    for kind, text in texts.items():
        (workspace.mappings / f"{kind}.toml").write_text(text)
    return workspace


def stream(fleet: Fleet, inbox: Path, machines: int, days: int, first_day: int = 0) -> int:
    """Write a season's files, a machine-day after the other; returns how many records.

    Args:
        fleet: what they are made of.
        inbox: where they go.
        machines: a multiple of six.
        days: a multiple of five.
        first_day: where it begins, a multiple of five; lists of earlier periods are there already.
    """
    records = 0
    for period in range(first_day // PERIOD, (first_day + days) // PERIOD):
        for machine, day, rows in fleet.machine_days():
            for group in range(machines // GROUP):
                part = _of_block(rows, group, period)
                part.write_csv(inbox / f"log_G{group:02d}-{machine}_{period:02d}_{day}.csv")
                records += part.height
        _write_lists(fleet, inbox, machines // GROUP, period)
    return records


def main() -> None:
    folder, machines, days = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    with tempfile.TemporaryDirectory() as made:
        fleet = Fleet(Path(made))
        workspace = start_season(folder, fleet)
        print(f"{stream(fleet, workspace.inbox, machines, days):,} records in {workspace.inbox}")


if __name__ == "__main__":
    main()
