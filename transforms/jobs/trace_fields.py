"""Incremental tracing of a season: only fields whose tickets, work or clocks changed are traced again."""

import datetime as dt
import hashlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Season
from transforms.contracts.haulage import TRUCK_COLUMNS
from transforms.jobs.trace_field import FieldJob, sample_field, setting_columns, trace_job
from transforms.jobs.truck_stops import stops_by_field
from transforms.parallel import Executor, serial
from transforms.storage.lake import NO_BINS, Lake
from transforms.storage.warehouse import Warehouse
from transforms.trace.calibration import SeasonCalibration, calibrate_season
from transforms.trace.clock_use import clocks_fingerprint, latest_clocks, select_clocks
from transforms.trace.day_clocks import DayClocks
from transforms.trace.grade_evidence import picks_fingerprint, sampling_step
from transforms.trace.haul_distance import add_haul_distance
from transforms.trace.lag_model import LagModel
from transforms.trace.lag_samples import SAMPLE
from transforms.trace.load_settings import audit_settings
from transforms.trace.mass_streams import Signals, machine_signals
from transforms.trace.truck_home import HOME_VEHICLE, add_home_vehicle
from transforms.trace.truck_keeping import SeasonKeeping
from transforms.trace.truck_trips import add_trips

TRACE_VERSION = "7"
"""Part of every fingerprint. Increase it if the method changes, so that all fields are traced again."""
FIELDS_PER_TRANSACTION = 64
USUAL_TANK_T = 20.0


@dataclass
class SeasonTrace:
    """Incremental tracing of the season of a workspace.

    Attributes:
        warehouse: the warehouse.
        lake: the lake with the bins.
        season: the season.
        executor: the executor.
    """

    warehouse: Warehouse
    lake: Lake
    season: Season
    executor: Executor = serial

    def __post_init__(self) -> None:
        """Read the input that all fields share."""
        fields = self.warehouse.table("field")
        self.yields = dict(fields.select("field_id", "yield_t_ha").iter_rows())
        loads = add_haul_distance(self.warehouse.table("load"), fields, self.season.sites)
        loads = add_home_vehicle(add_trips(loads))
        kept = ("load_id", "site_id", "km", "machine_id", "left_field_at", "weighed_at", "delivered_t")
        self.no_loads = loads.select(kept).clear()
        parts = loads.sort("load_id").partition_by("field_id", as_dict=True)
        self.loads = {
            str(f): part.select(*kept, *_known(part, (*TRUCK_COLUMNS, "trip_id", HOME_VEHICLE)))
            for (f,), part in parts.items()
        }
        self.stops = stops_by_field(self.warehouse.table("truck_stop"))
        self.days: dict[str, list[tuple[str, str]]] = {}
        day_prints = {(m, d): f for m, d, f in self.warehouse.table("binned_day").iter_rows()}
        prints: dict[str, list[str]] = {}
        for machine, day, field_id in self.warehouse.table("field_day").sort("field_id", "machine", "day").iter_rows():
            self.days.setdefault(field_id, []).append((machine, day))
            prints.setdefault(field_id, []).append(f"{machine}:{day}:{day_prints.get((machine, day), '')}")
        self.step = sampling_step(len(self.days))
        self.inputs = {f: self._inputs(f, prints.get(f, [])) for f in sorted({*self.loads, *self.days})}
        setups = self.warehouse.table("machine_setup").sort("machine_id", "valid_from_at")
        self.tanks = {m: t or USUAL_TANK_T for m, t in setups.select("machine_id", "tank_capacity_t").iter_rows()}
        self._signals: dict[str, Signals] | None = None

        empty = pl.DataFrame(schema=setting_columns(self.season.catalogue))
        if not self.warehouse.has("load_setting") or self.warehouse.table("load_setting").columns != empty.columns:
            self.warehouse.store("load_setting", empty)

    def _inputs(self, field_id: str, prints: list[str]) -> str:
        """Return the fingerprint of a field's tickets, work and season settings."""
        shared = [
            TRACE_VERSION,
            repr(self.yields.get(field_id)),
            self.season.time_zone,
            str(self.season.shift_starts),
            ",".join(self.season.catalogue),
        ]
        stops = [self.stops[field_id].write_csv()] if field_id in self.stops else []
        text = "\n".join([*shared, *prints, self.loads.get(field_id, self.no_loads).write_csv(), *stops])
        return hashlib.sha256(text.encode()).hexdigest()

    @property
    def signals(self) -> dict[str, Signals]:
        """Emptyings and tank of each machine, read once and only if a field is traced."""
        if self._signals is None:
            self._signals = machine_signals(self.warehouse.table("unload_event"), self.tanks)
        return self._signals

    def job_of(self, field_id: str, clocks: dict[dt.date, DayClocks] | None = None) -> FieldJob:
        """Return the job that traces a field.

        Args:
            field_id: the field.
            clocks: lags and clocks of each of its shift days; None before they are estimated.
        """
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
            self.stops.get(field_id),
            self.step,
        )

    def job_with_clocks(self, field_id: str, learnt: LagModel) -> FieldJob:
        """Return the job that traces a field with the lags and clocks that its last tracing used."""
        uses = dict(self.warehouse.table("traced_field").select("field_id", "uses").iter_rows()).get(field_id, "[]")
        return self.job_of(
            field_id, select_clocks(field_id, json.loads(uses), learnt.by_day, self.keeping().of(field_id))
        )

    def keeping(self) -> SeasonKeeping:
        """Return how far trucks keep to machines, by the fields that are traced."""
        return SeasonKeeping(self.warehouse.table("truck_keeping"))

    def stale(self) -> list[str]:
        """Return the fields whose tickets or work changed since they were traced."""
        before = dict(self.warehouse.table("traced_field").select("field_id", "inputs").iter_rows())
        return [f for f, fingerprint in self.inputs.items() if before.get(f) != fingerprint]

    def learn(self, stale: list[str], advance: Callable[[], None]) -> LagModel:
        """Update the lag samples of changed fields and return the lag model of all fields.

        Args:
            stale: the changed fields.
            advance: called after each field.
        """
        removed = sorted(set(self.warehouse.table("traced_field")["field_id"].to_list()) - set(self.inputs))
        samples, marks = [pl.DataFrame(schema=SAMPLE)], []
        results = self.executor(sample_field, [self.job_of(f) for f in stale])
        for field_id, (sample, uses) in zip(stale, results, strict=True):
            samples.append(sample)
            marks.append((field_id, self.inputs[field_id], "", uses))
            advance()
        with self.warehouse.transaction():
            keys = pl.DataFrame({"field_id": [*stale, *removed]}, schema={"field_id": pl.String})
            self.warehouse.delete_matching("lag_sample", keys)
            self.warehouse.append("lag_sample", pl.concat(samples))
            self._drop(pl.DataFrame({"field_id": removed}, schema={"field_id": pl.String}))
            self._mark(marks)
        return LagModel(self.warehouse.table("lag_sample").select(list(SAMPLE)))

    def _mark(self, marks: list[tuple[str, str, str, str]]) -> None:
        """Store (field, input fingerprint, clock fingerprint, clocks used) of fields."""
        rows = pl.DataFrame(marks, schema=["field_id", "inputs", "used", "uses"], orient="row") if marks else None
        if rows is not None:
            self.warehouse.delete_matching("traced_field", rows.select("field_id"))
            self.warehouse.append("traced_field", rows)

    def _drop(self, fields: pl.DataFrame) -> None:
        """Delete the stored results of fields."""
        loads = self.warehouse.matching("load_trace_grade", fields).select("load_id")
        self.warehouse.delete_matching("load_trace", loads)
        for name in ("load_trace_grade", "mass_balance", "load_setting", "trace_replicate", "truck_keeping"):
            self.warehouse.delete_matching(name, fields)
        self.warehouse.delete_matching("traced_field", fields)

    def pending_fields(self, learnt: LagModel) -> list[tuple[str, str, str]]:
        """Return (field, fingerprint of its clocks, clocks used) of the fields to trace.

        The trucks of fields that were traced may change the prior of others: these are then pending again, once.
        """
        out, keeping = [], self.keeping()
        for field_id, _, used, uses in self.warehouse.table("traced_field").sort("field_id").iter_rows():
            fingerprint = clocks_fingerprint(field_id, json.loads(uses), learnt.by_day, keeping.of(field_id))
            days = [dt.date.fromisoformat(day) for day, _, _ in json.loads(uses)]
            fingerprint += f":{picks_fingerprint(field_id, days, self.step)}"
            if fingerprint != used:
                out.append((field_id, fingerprint, uses))
        return out

    def trace(self, pending: list[tuple[str, str, str]], learnt: LagModel, advance: Callable[[], None]) -> None:
        """Trace fields and store the results in several transactions, so that a crash loses only the current one.

        Args:
            pending: result of `pending_fields`.
            learnt: the lag model.
            advance: called after each field.
        """
        keeping = self.keeping()
        jobs = [
            self.job_of(f, select_clocks(f, json.loads(uses), learnt.by_day, keeping.of(f))) for f, _, uses in pending
        ]
        traced = self.executor(trace_job, jobs)  # runs on while results are stored
        for chunk in _chunks(pending, FIELDS_PER_TRANSACTION):
            found = []
            for field_id, _, _ in chunk:
                found.append((field_id, next(traced)))
                advance()
            with self.warehouse.transaction():
                self._drop(pl.DataFrame({"field_id": [f for f, _, _ in chunk]}))
                self.warehouse.append("load_trace", pl.concat([t.trace.load_trace for _, t in found]))
                grades = [t.trace.grade.with_columns(pl.lit(f).alias("field_id")) for f, t in found]
                self.warehouse.append("load_trace_grade", pl.concat(grades))
                self.warehouse.append("mass_balance", pl.concat([t.trace.balance for _, t in found]))
                self.warehouse.append("load_setting", pl.concat([t.settings for _, t in found]))
                self.warehouse.append("trace_replicate", pl.concat([t.replicates for _, t in found]))
                self.warehouse.append("truck_keeping", pl.concat([t.trace.keeping for _, t in found]))
                self._mark([(f, self.inputs[f], used, uses) for f, used, uses in chunk])

    def calibration(self) -> SeasonCalibration:
        """Return the calibration of grades by the drawn and hidden loads of all fields."""
        return calibrate_season(self.warehouse.table("trace_replicate").sort("field_id", "shift_date", "load_id"))

    def grade_again(self) -> None:
        """Calibrate the grades of all loads by the drawn and hidden loads of all fields."""
        graded = self.warehouse.table("load_trace_grade").sort("load_id")
        sites = pl.concat([part.select("load_id", "site_id") for part in (self.no_loads, *self.loads.values())])
        rows = graded.join(sites, on="load_id", how="left", maintain_order="left")
        graded = graded.with_columns(pl.Series("trace_quality", self.calibration().quality(rows)))
        self.warehouse.replace("load_trace_grade", graded)


AUDIT_COLUMNS: dict[str, pl.DataType | type[pl.DataType]] = {
    "audit_id": pl.String,
    "machine_id": pl.String,
    "at": pl.Datetime("us", "UTC"),
}


def audits_settings(audits: pl.DataFrame, lake: Lake, learnt: LagModel, catalogue: Catalogue) -> pl.DataFrame:
    """Return the settings in force at the plots of audits, from the machine-days of the audits.

    Args:
        audits: `audit_id, machine_id, audited_at` (UTC).
        lake: the lake with the bins.
        learnt: the lag model; converts the times to the machines' own clocks.
        catalogue: the settings catalogue.

    Returns:
        `audit_id, <setting>`, each setting in its unit; an audit without telemetry has no row.

    Raises:
        DamagedError: a bin file is damaged.
    """
    rows = []
    for audit, machine, at in audits.select("audit_id", "machine_id", "audited_at").iter_rows():
        ahead = latest_clocks(learnt.by_day, at.date()).machine_ahead_min.get(machine, 0.0)
        rows.append((audit, machine, at + dt.timedelta(minutes=ahead)))
    plots = pl.DataFrame(rows, schema=AUDIT_COLUMNS, orient="row")
    days = sorted({(m, at.date()) for _, m, at in rows if m is not None})
    bins = pl.concat([pl.DataFrame(schema=NO_BINS), *(lake.bins_of_day(m, d) for m, d in days)], how="diagonal_relaxed")
    return audit_settings(plots, bins, catalogue)


def _known(rows: pl.DataFrame, columns: tuple[str, ...]) -> list[str]:
    """Return the columns that there are and of which a row has a value."""
    return [c for c in columns if c in rows.columns and rows[c].null_count() < rows.height]


def _chunks(items: list[tuple[str, str, str]], size: int) -> Iterator[list[tuple[str, str, str]]]:
    for k in range(0, len(items), size):
        yield items[k : k + size]
