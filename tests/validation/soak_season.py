"""A season as it comes day by day: logs, tickets, tares that are late or corrected, plots, weather, rubbish."""

import datetime as dt
import os
import random
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from flows import stages
from flows.pipeline.demo import write_demo
from flows.runtime.progress import Reporter
from tests.support.canonical import as_text, mapping_of, reported
from transforms.config.workspace import Workspace, init_workspace
from transforms.storage.lake import Lake, read_frame
from transforms.storage.warehouse import Warehouse

DATED = {"load": "weighed_at", "loss_audit": "audited_at", "weather_hour": "hour_at"}
LATE, CORRECTED = 0.3, 0.05
ONCE = ("field", "machine_setup")


@dataclass
class Deliveries:
    """Files by the day they come, counted from the first shift; where they come to; the date of the first shift."""

    workspace: Workspace
    first: dt.date
    days: dict[int, list[tuple[str, bytes]]] = field(default_factory=dict)

    def add(self, day: int, name: str, body: bytes) -> None:
        self.days.setdefault(max(day, 0), []).append((name, body))

    def drop(self, day: int, inbox: Path) -> int:
        """Put a day's files into an inbox; their times are the day's, wherever they are put."""
        for name, body in self.days.get(day, []):
            (inbox / name).write_bytes(body)
            stamp = dt.datetime.combine(self.first + dt.timedelta(days=day), dt.time(4), dt.UTC).timestamp()
            os.utime(inbox / name, (stamp, stamp))
        return len(self.days.get(day, []))


def _listed(rows: pl.DataFrame) -> pl.DataFrame:
    return reported(rows).drop("boundary", strict=False)


def _csv(rows: pl.DataFrame) -> bytes:
    return as_text(rows).write_csv().encode()


def deliveries(folder: Path, machines: int, days: int, seed: int) -> Deliveries:
    """Invent a season and cut it into what comes each day."""
    quiet, rng = Reporter(quiet=True), random.Random(seed)
    base = write_demo(folder / "base", machines=machines, days=days, seed=seed, hz=0.05, reporter=quiet)
    stages.receive_files(base, quiet)
    toml = (base.root / "season.toml").read_text("utf-8")
    made = init_workspace(folder / "season", toml)
    lake = Lake(base.lake)
    with Warehouse(base.warehouse) as warehouse:
        lists = {k: _listed(warehouse.table(f"received_{k}")) for k in (*ONCE, "tare", *DATED)}
        sources = {s[:16] for s in warehouse.table("source_file")["source_sha256"]}
    machine_days = lake.machine_days(sources)
    out = Deliveries(made, dt.date.fromisoformat(min(d for _, d in machine_days)))
    records = pl.DataFrame()
    for (machine, day), paths in machine_days.items():
        records = reported(pl.concat([read_frame(p) for p in paths], how="diagonal").sort("logged_at"))
        out.add(_day(out, dt.date.fromisoformat(day)), f"telemetry_{machine}_{day}.csv", _csv(records))
    for kind in ONCE:
        out.add(0, f"{kind}_all.csv", _csv(lists[kind]))
    for kind, at in DATED.items():
        for (day,), rows in lists[kind].group_by(pl.col(at).dt.date(), maintain_order=True):
            out.add(_day(out, day), f"{kind}_{day}.csv", _csv(rows))
    _add_tares(out, lists["tare"], lists["load"], rng)
    for k in rng.sample(range(1, days), max(1, days // 8)):
        out.add(k, f"telemetry_torn_{k:02d}.csv", rng.randbytes(20_000))
    for kind, rows in {**lists, "telemetry": records}.items():
        (made.mappings / f"{kind}.toml").write_text(mapping_of(kind, rows, f"{kind}_*.csv"))
    return out


def _day(out: Deliveries, date: dt.date) -> int:
    return (date - out.first).days


def _add_tares(out: Deliveries, tares: pl.DataFrame, loads: pl.DataFrame, rng: random.Random) -> None:
    """A day after the load; some days later; some wrong at first and corrected."""
    weighed = dict(loads.select("load_id", pl.col("weighed_at").dt.date()).iter_rows())
    by_day: dict[int, list[dict[str, object]]] = {}
    for row in tares.unique(["sample_id", "revision"], keep="first", maintain_order=True).iter_rows(named=True):
        if row["load_id"] not in weighed:
            continue
        day = _day(out, weighed[row["load_id"]]) + 1 + (rng.randint(1, 8) if rng.random() < LATE else 0)
        if rng.random() < CORRECTED and row["revision"] == 0:
            by_day.setdefault(day, []).append({**row, "dirt_tare_pct": row["dirt_tare_pct"] + 3})
            row, day = {**row, "revision": 2}, day + 3  # noqa: PLW2901
        by_day.setdefault(day, []).append(row)
    for day, rows in by_day.items():
        out.add(day, f"tare_{day:02d}.csv", _csv(pl.DataFrame(rows, schema=tares.schema)))
