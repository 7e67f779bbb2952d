"""Tracing stages: loads to minutes, field conditions, marts, shift timeline."""

import datetime as dt

import polars as pl

from flows.runtime.progress import Reporter
from flows.stages.context import open_warehouse, require_facts, run_checks, timeline_span
from reports.language.translate import mark, mark_n
from transforms.conditions.field_hours import field_hours
from transforms.conditions.weather import fill_hours, hours_of_days
from transforms.config.workspace import Season, Workspace
from transforms.contracts.result_tables import schema_of
from transforms.jobs.machine_days import machine_days_of_bins
from transforms.jobs.missing_data import is_current, missing_data
from transforms.jobs.root_check_settings import root_check_settings
from transforms.jobs.trace_fields import SeasonTrace, audits_settings
from transforms.jobs.truck_stops import update_truck_stops
from transforms.model.audit_findings import audit_findings
from transforms.model.root_check import root_check_outcomes
from transforms.model.root_loss import root_loss
from transforms.parallel import Executor, serial
from transforms.storage.lake import NO_BINS, Lake, read_frame
from transforms.storage.lake_record import require_lake
from transforms.storage.warehouse import Warehouse
from transforms.telemetry.set_points import set_point_offsets
from transforms.telemetry.setting_changes import build_shift_timeline
from transforms.trace.lag_model import LagModel
from transforms.trace.lag_samples import SAMPLE

READING_WORK = mark_n("Reading field work of {n} field", "Reading field work of {n} fields")
TRACING = mark_n("Tracing loads of {n} field", "Tracing loads of {n} fields")
TRACING_AGAIN = mark_n("Tracing {n} field again with its trucks", "Tracing {n} fields again with their trucks")


def trace_loads(workspace: Workspace, reporter: Reporter, executor: Executor = serial) -> int:
    """Trace the loads of every field whose tickets, field work or clocks changed; return the number of fields."""
    season, lake = workspace.season, Lake(workspace.lake)
    with open_warehouse(workspace) as warehouse:
        require_lake(warehouse, lake)
        with reporter.stage(mark("Finding stops of trucks")):
            update_truck_stops(warehouse, lake, season)
        season_trace = SeasonTrace(warehouse, lake, season, executor)
        stale = season_trace.stale()
        with reporter.stage(READING_WORK, len(stale)) as advance:
            learned = season_trace.learn(stale, advance)
        due = season_trace.pending_fields(learned)
        with reporter.stage(TRACING, len(due)) as advance:
            season_trace.trace(due, learned, advance)
        again = season_trace.pending_fields(learned)
        if again:
            with reporter.stage(TRACING_AGAIN, len(again)) as advance:
                season_trace.trace(again, learned, advance)
        with warehouse.transaction():
            season_trace.grade_again()
            warehouse.replace("clock_offset", learned.offsets())
            _measure_audits(warehouse, lake, learned, season)
            _measure_root_checks(warehouse, lake, learned, season)
    return len({field for field, _, _ in (*due, *again)})


def assess_missing_data(workspace: Workspace, reporter: Reporter, executor: Executor = serial) -> None:
    """Estimate how many more loads the fit could use if every ticket named its machine, or its truck."""
    with open_warehouse(workspace) as warehouse, reporter.stage(mark("Estimating what missing data costs")):
        if is_current(warehouse.table("missing_data"), warehouse.table("traced_field")):
            return
        season_trace = SeasonTrace(warehouse, Lake(workspace.lake), workspace.season, executor)
        learned = LagModel(warehouse.table("lag_sample").select(list(SAMPLE)))
        found = missing_data(season_trace, learned)
        with warehouse.transaction():
            warehouse.replace("missing_data", found)


def _measure_audits(warehouse: Warehouse, lake: Lake, learned: LagModel, season: Season) -> None:
    """Compute losses, settings and findings of all dig-behind audits."""
    ground = warehouse.query("audit_ground")
    warehouse.replace("audit_loss", root_loss(ground).select(schema_of("audit_loss").names()))
    warehouse.replace("audit_finding", audit_findings(ground))
    warehouse.store("audit_setting", audits_settings(ground, lake, learned, season.catalogue))


def _measure_root_checks(warehouse: Warehouse, lake: Lake, learned: LagModel, season: Season) -> None:
    """Compute outcomes and settings of all root checks."""
    warehouse.replace("root_check_outcome", root_check_outcomes(warehouse.table("root_check")))
    warehouse.store("root_check_setting", root_check_settings(warehouse, lake, learned, season.catalogue))


def compute_conditions(workspace: Workspace, reporter: Reporter) -> None:
    """Compute the hourly topsoil wetness of every field."""
    season = workspace.season
    with open_warehouse(workspace) as warehouse, reporter.stage(mark("Computing topsoil wetness")):
        hours = hours_of_days(warehouse.table("weather_hour"), warehouse.table("weather_day"), season.time_zone)
        filled = fill_hours(hours)
        with warehouse.transaction():
            warehouse.replace("weather_filled", filled)
            warehouse.replace("field_hour", field_hours(filled, warehouse.table("field")))


def build_marts(workspace: Workspace, reporter: Reporter) -> None:
    """Join all sources into one row per load, audit and root check, and run the consistency checks."""
    with open_warehouse(workspace) as warehouse, reporter.stage(mark("Joining loads, tares and conditions")):
        require_lake(warehouse, Lake(workspace.lake))
        machine_days_of_bins(warehouse, Lake(workspace.lake))
        with warehouse.transaction():
            build_facts(warehouse, workspace.season)
            offsets = set_point_offsets(warehouse.table("set_point_day"), workspace.season.catalogue)
            warehouse.replace("set_point_offset", offsets)
        run_checks(warehouse)


def build_facts(warehouse: Warehouse, season: Season) -> None:
    """Build the fact tables of loads, audits and root checks, and the classes of loads."""
    starts = season.shift_starts
    shift = {"zone": season.time_zone, "shift_starts": dt.timedelta(hours=starts.hour, minutes=starts.minute)}
    warehouse.build("field_root_mass")
    for name in ("load_fact", "audit_fact", "root_check_fact"):
        warehouse.build(name, **shift)
    warehouse.build("load_class")


def compute_shift_timeline(workspace: Workspace) -> None:
    """Compute the timeline of the last shift: settings per five minutes, passes and setting changes."""
    season, lake = workspace.season, Lake(workspace.lake)
    with open_warehouse(workspace) as warehouse:
        require_facts(warehouse, workspace, "load_class")
        shift: dt.date | None = warehouse.query("last_shift")["shift_date"][0]
        begins, ends = timeline_span(shift, season)
        days = warehouse.query("binned_between", first=str(begins.date()), last=str(ends.date()))
        frames = [read_frame(lake.bin_path(m, d)) for m, d in days.iter_rows()]
        position = {"lat_deg": pl.Float64, "lon_deg": pl.Float64}
        bins = pl.concat([pl.DataFrame(schema={**NO_BINS, **position}), *frames], how="diagonal")
        timeline = build_shift_timeline(
            bins.filter((pl.col("bin_at") >= begins) & (pl.col("bin_at") < ends)).sort("machine_id", "bin_at"),
            warehouse.query("shift_trace", shift_date=shift),
            warehouse.query("shift_dirt", shift_date=shift),
            warehouse.table("field_hour"),
            season.catalogue,
        )
        with warehouse.transaction():
            warehouse.store("shift_course", timeline.course)
            warehouse.store("shift_pass", timeline.passes)
            warehouse.replace("setting_decision", timeline.decisions)
