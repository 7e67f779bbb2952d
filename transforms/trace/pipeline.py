"""Traces the fields of a season whose tickets, work or clocks changed; all others stay as they were traced before."""

import datetime as dt
import hashlib
import json
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Season
from transforms.parallel import Executor, serial
from transforms.storage.lake import NO_BINS, Lake, LakePath, read_frame
from transforms.storage.warehouse import Warehouse
from transforms.trace.field_trace import FieldTrace, trace_field
from transforms.trace.field_work import TracedFieldWork
from transforms.trace.lag_model import SAMPLE, DayClocks, Learning
from transforms.trace.lag_samples import lag_samples
from transforms.trace.load_settings import audit_settings, load_settings
from transforms.trace.mass_streams import Signals, field_stretches

TRACE_VERSION = "2"
"""Part of every fingerprint: raise it when tracing changes, and all fields are traced anew."""
ROAD_FACTOR, KM_PER_DEG, UNKNOWN_KM = 1.3, 111.32, 20.0
FIELDS_AT_ONCE = 64
USUAL_TANK_T = 20.0
BIN_COLUMNS = ("machine_id", "bin_at", "state", "area_ha", "silent_s", "field_id")


def road_km(lat: float | None, lon: float | None, site: tuple[float, float] | None) -> float:
    """Return the road distance to a site, km (common practice: 1.3 times the straight line)."""
    if site is None or lat is None or lon is None:
        return UNKNOWN_KM
    east = (lon - site[1]) * KM_PER_DEG * math.cos(math.radians(lat))
    return ROAD_FACTOR * math.hypot(east, (lat - site[0]) * KM_PER_DEG)


def with_distance(loads: pl.DataFrame, fields: pl.DataFrame, sites: dict[str, tuple[float, float]]) -> pl.DataFrame:
    """Add `km` from each load's field to its site."""
    pairs = loads.select("field_id", "site_id").unique()
    placed = pairs.join(fields.select("field_id", "lat_deg", "lon_deg"), on="field_id", how="left")
    km = [road_km(lat, lon, sites.get(s)) for s, lat, lon in placed.select("site_id", "lat_deg", "lon_deg").iter_rows()]
    known = placed.select("field_id", "site_id").with_columns(pl.Series("km", km, dtype=pl.Float64))
    return loads.join(known, on=["field_id", "site_id"], how="left", maintain_order="left")


def machine_signals(unloads: pl.DataFrame, tanks: dict[str, float]) -> dict[str, Signals]:
    """Return what is known of each machine beside its bins.

    Args:
        unloads: `machine_id, started_at, unloaded_t`.
        tanks: machine -> capacity of its tank, t.
    """
    ordered = unloads.sort("machine_id", "started_at")
    emptied = {str(m): part for (m,), part in ordered.group_by("machine_id", maintain_order=True)}
    none = ordered.clear()
    return {
        machine: Signals(
            emptied.get(machine, none)["started_at"].dt.timestamp("us").to_numpy(),
            emptied.get(machine, none)["unloaded_t"].cast(pl.Float64).fill_null(np.nan).to_numpy(),
            tank,
        )
        for machine, tank in tanks.items()
    }


@dataclass
class SeasonTrace:
    """The tracing of a workspace's season, as far as it has to be done again."""

    warehouse: Warehouse
    lake: Lake
    season: Season
    spread: Executor = serial

    def __post_init__(self) -> None:
        """Read what all fields share."""
        fields = self.warehouse.table("field")
        self.yields = dict(fields.select("field_id", "yield_t_ha").iter_rows())
        loads = with_distance(self.warehouse.table("load"), fields, self.season.sites)
        kept = ("load_id", "site_id", "km", "machine_id", "left_field_at", "weighed_at", "gross_t")
        self.no_loads = loads.select(kept).clear()
        parts = loads.sort("load_id").partition_by("field_id", as_dict=True)
        self.loads = {str(f): part.select(kept) for (f,), part in parts.items()}
        self.days: dict[str, list[tuple[str, str]]] = {}
        printed = {(m, d): f for m, d, f in self.warehouse.table("binned_day").iter_rows()}
        prints: dict[str, list[str]] = {}
        for machine, day, field_id in self.warehouse.table("field_day").sort("field_id", "machine", "day").iter_rows():
            self.days.setdefault(field_id, []).append((machine, day))
            prints.setdefault(field_id, []).append(f"{machine}:{day}:{printed.get((machine, day), '')}")
        self.inputs = {f: self._inputs(f, prints.get(f, [])) for f in sorted({*self.loads, *self.days})}
        setups = self.warehouse.table("machine_setup").sort("machine_id", "valid_from_at")
        self.tanks = {m: t or USUAL_TANK_T for m, t in setups.select("machine_id", "tank_capacity_t").iter_rows()}
        self._signals: dict[str, Signals] | None = None

        empty = pl.DataFrame(schema=setting_columns(self.season.catalogue))
        if not self.warehouse.has("load_setting") or self.warehouse.table("load_setting").columns != empty.columns:
            self.warehouse.store("load_setting", empty)

    def _inputs(self, field_id: str, prints: list[str]) -> str:
        around = [
            TRACE_VERSION,
            repr(self.yields.get(field_id)),
            self.season.time_zone,
            str(self.season.shift_starts),
            ",".join(self.season.catalogue),
        ]
        text = "\n".join([*around, *prints, self.loads.get(field_id, self.no_loads).write_csv()])
        return hashlib.sha256(text.encode()).hexdigest()

    @property
    def signals(self) -> dict[str, Signals]:
        """What is known of each machine beside its bins, read once and only where something is traced."""
        if self._signals is None:
            self._signals = machine_signals(self.warehouse.table("unload_event"), self.tanks)
        return self._signals

    def job_of(self, field_id: str, clocks: dict[dt.date, DayClocks] | None = None) -> "FieldJob":
        """Return all that a field's tracing rests on."""
        days = self.days.get(field_id, [])
        folders = {machine for machine, _ in days}
        signals = {m: s for m, s in self.signals.items() if self.lake.folder_name(m) in folders}
        return FieldJob(
            field_id,
            [self.lake.bin_path(*d) for d in days],
            self.loads.get(field_id, self.no_loads),
            self.yields.get(field_id),
            signals,
            self.season.time_zone,
            self.season.shift_starts,
            self.season.catalogue,
            clocks or {},
        )

    def stale(self) -> list[str]:
        """Return the fields whose tickets or work are not those that were traced."""
        before = dict(self.warehouse.table("traced_field").select("field_id", "inputs").iter_rows())
        return [f for f, print_ in self.inputs.items() if before.get(f) != print_]

    def learn(self, stale: list[str], advance: Callable[[], None]) -> Learning:
        """Take what changed fields tell of lags and clocks, and learn from all fields."""
        gone = sorted(set(self.warehouse.table("traced_field")["field_id"].to_list()) - set(self.inputs))
        samples, marks = [pl.DataFrame(schema=SAMPLE)], []
        found = self.spread(sample_field, [self.job_of(f) for f in stale])
        for field_id, (of_field, uses) in zip(stale, found, strict=True):
            samples.append(of_field)
            marks.append((field_id, self.inputs[field_id], "", uses))
            advance()
        with self.warehouse.transaction():
            keys = pl.DataFrame({"field_id": [*stale, *gone]}, schema={"field_id": pl.String})
            self.warehouse.delete_matching("lag_sample", keys)
            self.warehouse.append("lag_sample", pl.concat(samples))
            self._drop(pl.DataFrame({"field_id": gone}, schema={"field_id": pl.String}))
            self._mark(marks)
        return Learning(self.warehouse.table("lag_sample").select(list(SAMPLE)))

    def _mark(self, marks: list[tuple[str, str, str, str]]) -> None:
        rows = pl.DataFrame(marks, schema=["field_id", "inputs", "used", "uses"], orient="row") if marks else None
        if rows is not None:
            self.warehouse.delete_matching("traced_field", rows.select("field_id"))
            self.warehouse.append("traced_field", rows)

    def _drop(self, fields: pl.DataFrame) -> None:
        """Forget what was traced of fields."""
        loads = self.warehouse.matching("load_trace_grade", fields).select("load_id")
        self.warehouse.delete_matching("load_trace", loads)
        for name in ("load_trace_grade", "mass_balance", "load_setting"):
            self.warehouse.delete_matching(name, fields)
        self.warehouse.delete_matching("traced_field", fields)

    def due(self, learnt: Learning) -> list[tuple[str, str, str]]:
        """Return the fields to trace: (field, fingerprint of the clocks it uses, what it uses)."""
        out = []
        for field_id, _, used, uses in self.warehouse.table("traced_field").sort("field_id").iter_rows():
            now = _clocks_used(json.loads(uses), learnt.by_day)
            if now != used:
                out.append((field_id, now, uses))
        return out

    def trace(self, due: list[tuple[str, str, str]], learnt: Learning, advance: Callable[[], None]) -> None:
        """Trace fields and store what was found, some fields at a time: a crash loses only those it was at."""
        jobs = [self.job_of(f, _clocks_for(json.loads(uses), learnt.by_day)) for f, _, uses in due]
        traced = self.spread(trace_one, jobs)  # goes on while what was found is stored
        for chunk in _chunks(due, FIELDS_AT_ONCE):
            found, settings = [], []
            for field_id, _, _ in chunk:
                one, of_loads = next(traced)
                found.append((field_id, one))
                settings.append(of_loads)
                advance()
            with self.warehouse.transaction():
                self._drop(pl.DataFrame({"field_id": [f for f, _, _ in chunk]}))
                self.warehouse.append("load_trace", pl.concat([t.load_trace for _, t in found]))
                grades = [t.grade.with_columns(pl.lit(f).alias("field_id")) for f, t in found]
                self.warehouse.append("load_trace_grade", pl.concat(grades))
                self.warehouse.append("mass_balance", pl.concat([t.balance for _, t in found]))
                self.warehouse.append("load_setting", pl.concat(settings))
                self._mark([(f, self.inputs[f], used, uses) for f, used, uses in chunk])


@dataclass(frozen=True)
class FieldJob:
    """All that the tracing of a field rests on.

    Attributes:
        field_id: the field.
        bin_paths: bins of the machine-days that were in it.
        loads: its weigh tickets.
        yield_t_ha: what it yields; None where no list says.
        signals: what is known of each machine beside its bins.
        time_zone: where shifts are counted.
        shift_starts: when they begin.
        catalogue: the settings.
        clocks: clocks and lags of each of its shifts; nothing before they are learnt.
    """

    field_id: str
    bin_paths: list[LakePath]
    loads: pl.DataFrame
    yield_t_ha: float | None
    signals: dict[str, Signals]
    time_zone: str
    shift_starts: dt.time
    catalogue: Catalogue
    clocks: dict[dt.date, DayClocks]

    def bins(self, columns: list[str] | None = None) -> pl.DataFrame:
        """Return the field's bins, all columns or those named."""
        frames = [read_frame(p, columns).filter(pl.col("field_id") == self.field_id) for p in self.bin_paths]
        return pl.concat(frames, how="diagonal") if frames else pl.DataFrame()

    def work(self, bins: pl.DataFrame) -> TracedFieldWork:
        """Return the field's work and loads."""
        if not bins.height or self.yield_t_ha is None:
            return TracedFieldWork(self.field_id, [], self.loads)
        stretches = field_stretches(bins, self.signals, self.yield_t_ha, self.time_zone, self.shift_starts)
        return TracedFieldWork(self.field_id, stretches, self.loads)


def sample_field(job: FieldJob) -> tuple[pl.DataFrame, str]:
    """Return what a field tells of lags and clocks, and what its tracing will take from them."""
    work = job.work(job.bins(list(BIN_COLUMNS)))
    return lag_samples(work), json.dumps(_uses(work))


def trace_one(job: FieldJob) -> tuple[FieldTrace, pl.DataFrame]:
    """Trace a field; return what was found and the settings of its loads."""
    bins = job.bins()
    found = trace_field(job.work(bins), job.clocks)
    return found, _settings_of(job.field_id, found, bins, job.catalogue)


def setting_columns(catalogue: Catalogue) -> dict[str, pl.DataType | type[pl.DataType]]:
    """Return the columns of `load_setting`: ids, when it was lifted, mean and spread of every setting known."""
    out: dict[str, pl.DataType | type[pl.DataType]] = dict.fromkeys(("load_id", "field_id", "machine_id"), pl.String)
    out["lifted_at"] = pl.Datetime("us", "UTC")
    return out | {f"{n}{end}": pl.Float64 for n in catalogue for end in ("", "_sd")}


def _settings_of(field_id: str, found: FieldTrace, bins: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    columns = setting_columns(catalogue)
    if not bins.height:
        return pl.DataFrame(schema=columns)
    means = load_settings(found.load_trace, bins, catalogue).with_columns(pl.lit(field_id).alias("field_id"))
    absent = [pl.lit(None, dtype=kind).alias(name) for name, kind in columns.items() if name not in means.columns]
    return means.with_columns(absent).select(pl.col(n).cast(kind) for n, kind in columns.items())


Uses = list[tuple[str, list[str], list[str]]]


def _uses(work: TracedFieldWork) -> Uses:
    """What a field's tracing takes from the clocks: (day, sites, machines) for each stretch of work."""
    sites = sorted(work.loads["site_id"].unique().to_list())
    return [(str(s.shift_date), sites, sorted(t.machine_id for t in s.streams)) for s in work.stretches]


def clocks_on(by_day: dict[dt.date, DayClocks], day: dt.date) -> DayClocks:
    """Return what was learnt up to a day."""
    known = [d for d in by_day if d <= day]
    return by_day[max(known)] if known else DayClocks()


DUG: dict[str, pl.DataType | type[pl.DataType]] = {
    "audit_id": pl.String,
    "machine_id": pl.String,
    "at": pl.Datetime("us", "UTC"),
}


def audits_settings(audits: pl.DataFrame, lake: Lake, learnt: Learning, catalogue: Catalogue) -> pl.DataFrame:
    """Return the settings in force where audits were dug, read from the machine-days they were dug on."""
    rows = []
    for audit, machine, at in audits.select("audit_id", "machine_id", "audited_at").iter_rows():
        ahead = clocks_on(learnt.by_day, at.date()).machine_ahead_min.get(machine, 0.0)
        rows.append((audit, machine, at + dt.timedelta(minutes=ahead)))
    dug = pl.DataFrame(rows, schema=DUG, orient="row")
    days = sorted({(m, at.date()) for _, m, at in rows if m is not None})
    bins = pl.concat([pl.DataFrame(schema=NO_BINS), *(lake.bins_of_day(m, d) for m, d in days)], how="diagonal_relaxed")
    return audit_settings(dug, bins, catalogue)


def _clocks_for(uses: Uses, by_day: dict[dt.date, DayClocks]) -> dict[dt.date, DayClocks]:
    days = [dt.date.fromisoformat(day) for day, _, _ in uses]
    return {day: clocks_on(by_day, day) for day in days}


def _clocks_used(uses: Uses, by_day: dict[dt.date, DayClocks]) -> str:
    """Fingerprint of the clocks and lags a field's tracing rests on."""
    told = []
    for day, sites, machines in uses:
        c = clocks_on(by_day, dt.date.fromisoformat(day))
        common = (c.min_per_km, c.spread_min, c.leave_min, c.leave_spread_min, c.closure)
        told.append((day, common, [c.lag_min(s, 0.0) for s in sites], [c.machine_ahead_min.get(m) for m in machines]))
    return hashlib.sha256(repr(told).encode()).hexdigest()


def _chunks(items: list[tuple[str, str, str]], size: int) -> Iterator[list[tuple[str, str, str]]]:
    for k in range(0, len(items), size):
        yield items[k : k + size]
