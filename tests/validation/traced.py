"""Invented seasons traced without files: sensors -> bins and emptyings -> tracing, beside their truth."""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from transforms.arrays import to_float
from transforms.config.settings_catalogue import load_catalogue
from transforms.demo.district import LOCAL_ZONE, MACHINE_TYPES
from transforms.demo.exports import tickets_of
from transforms.demo.operation import STATE_NAMES
from transforms.demo.scenario import Plan
from transforms.demo.season import DemoSeason, invent_season
from transforms.demo.sensors import at, logged
from transforms.telemetry.bins import make_bins
from transforms.telemetry.sensor_faults import fault_stretches
from transforms.telemetry.unloads import find_unloads
from transforms.trace.calibration import calibrate_season
from transforms.trace.clock_use import NO_KEEPING, clock_uses, select_clocks
from transforms.trace.field_trace import trace_field
from transforms.trace.field_work import TracedFieldWork
from transforms.trace.grade_evidence import grade_evidence, sampling_step
from transforms.trace.haul_distance import add_haul_distance
from transforms.trace.lag_model import LagModel
from transforms.trace.lag_samples import lag_samples
from transforms.trace.mass_streams import Stretch, field_stretches, machine_signals
from transforms.trace.truck_keeping import SeasonKeeping

STARTS = dt.time(5)


@dataclass(frozen=True)
class TracedSeason:
    """A season traced in memory, and its truth."""

    season: DemoSeason
    bins: pl.DataFrame
    unloads: pl.DataFrame
    faults: pl.DataFrame
    loads: pl.DataFrame
    load_trace: pl.DataFrame
    grade: pl.DataFrame
    balance: pl.DataFrame
    offsets: pl.DataFrame
    settings: list[str]

    @property
    def truth(self) -> pl.DataFrame:
        ids = self.season.district.machines.select("machine_id", pl.int_range(pl.len()).alias("machine"))
        moment = at(self.season, pl.col("bin_s")).alias("bin_at")
        true = self.season.true_trace.join(ids, on="machine").with_columns(moment)
        ahead = dict(self.season.district.machines.select("machine_id", "clock_offset_s").iter_rows())
        # Truth counts true time, bins the machine's own: brought together for the comparison alone.
        shift = pl.col("machine_id").replace_strict(ahead, return_dtype=pl.Int64)
        return true.join(self.loads.select("load_id"), on="load_id").with_columns(
            (pl.col("bin_at") + pl.duration(seconds=shift)).dt.truncate("30s")
        )

    def true_settings(self) -> pl.DataFrame:
        """Per load the true mean of each setting."""
        by_bin = self.season.true_bins.select("bin", *self.settings)
        joined = self.season.true_trace.join(self.loads.select("load_id"), on="load_id").join(by_bin, on="bin")
        return joined.group_by("load_id").agg(
            (pl.col(n).fill_nan(None) * pl.col("share")).sum()
            / pl.col("share").filter(pl.col(n).fill_nan(None).is_not_null()).sum()
            for n in self.settings
        )


def binned(season: DemoSeason) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Bins, emptyings and faults of every machine-day, as intake and binning make them."""
    catalogue, rng = load_catalogue(), np.random.default_rng(season.plan.seed + 7919)
    fields = season.district.fields.with_columns(pl.lit(None, dtype=pl.String).alias("boundary"))
    bins, unloads, faults = [], [], []
    for machine, info in enumerate(season.district.machines.iter_rows(named=True)):
        fitted = MACHINE_TYPES[info["generation"]]
        table = (
            logged(rng, season, catalogue, machine)
            .with_columns(
                pl.lit(info["machine_id"]).alias("machine_id"),
                pl.col("lat").alias("lat_deg"),
                pl.col("lon").alias("lon_deg"),
                pl.col("state")
                .replace_strict(dict(enumerate(STATE_NAMES)), return_dtype=pl.String)
                .alias("work_state"),
            )
            .drop("state", "lat", "lon", "visit", "second", "clean_t")
        )
        if info["generation"] == "A":
            table = table.drop("sections_on_pct")
        setup = {"rows_count": float(fitted.rows), "row_spacing_cm": float(fitted.row_spacing_cm)}
        for _, day in table.group_by(pl.col("logged_at").dt.date(), maintain_order=True):
            made, flagged, steps, _ = make_bins(day.drop("day"), catalogue, setup, fields)
            bins.append(made)
            unloads.append(find_unloads(flagged, float(fitted.tank_capacity_t)))
            faults += [fault_stretches(flagged), steps]
    known_faults = [f for f in faults if f.height]
    return (
        pl.concat(bins, how="diagonal"),
        pl.concat(unloads, how="diagonal"),
        pl.concat(known_faults, how="diagonal"),
    )


@dataclass(frozen=True)
class UntracedSeason:
    """A season binned in memory, before its loads are traced.

    Attributes:
        tickets: its weigh tickets with `km`, the road distance to the site.
        stretches: field -> its stretches of work.
        learnt: its lags and clocks, which do not depend on trucks.
    """

    season: DemoSeason
    bins: pl.DataFrame
    unloads: pl.DataFrame
    faults: pl.DataFrame
    tickets: pl.DataFrame
    stretches: dict[str, list[Stretch]]
    learnt: LagModel


def prepare_plan(plan: Plan) -> UntracedSeason:
    """Invent a season and cut its work into stretches."""
    season = invent_season(plan, load_catalogue())
    bins, unloads, faults = binned(season)
    tickets = tickets_of(np.random.default_rng(plan.seed + 4241), season).select(
        "load_id",
        "field_id",
        "site_id",
        "machine_id",
        pl.col("left_at").alias("left_field_at"),
        pl.col("weighed_at").dt.truncate("1m"),
        (pl.col("delivered_kg") / 1000).alias("delivered_t"),
    )
    fields = season.district.fields
    tickets = add_haul_distance(tickets, fields, season.district.sites)
    tanks = dict(season.district.machines.select("machine_id", "tank_capacity_t").iter_rows())
    signals = machine_signals(unloads, tanks)
    lean = bins.select("machine_id", "bin_at", "state", "area_ha", "silent_s", "field_id").sort("machine_id", "bin_at")
    by_field = {str(f): part for (f,), part in lean.filter(pl.col("field_id").is_not_null()).group_by("field_id")}
    yields = dict(fields.select("field_id", "forecast_t_ha").iter_rows())
    stretches = {f: field_stretches(b, signals, yields[f], LOCAL_ZONE, STARTS) for f, b in sorted(by_field.items())}
    learnt = LagModel(pl.concat([lag_samples(w) for w in _works(stretches, tickets, {})]))
    return UntracedSeason(season, bins, unloads, faults, tickets, stretches, learnt)


def _works(
    stretches: dict[str, list[Stretch]], tickets: pl.DataFrame, stops: dict[str, pl.DataFrame]
) -> list[TracedFieldWork]:
    """Return the work of every field that has work or tickets."""
    loads = {str(f): part for (f,), part in tickets.group_by("field_id", maintain_order=True)}
    return [
        TracedFieldWork(f, stretches.get(f, []), loads.get(f, tickets.clear()), stops.get(f))
        for f in sorted({*stretches, *loads})
    ]


def trace_tickets(
    ready: UntracedSeason, tickets: pl.DataFrame, stops: dict[str, pl.DataFrame] | None = None
) -> TracedSeason:
    """Trace a season with these tickets, which may have further columns than those of `ready`.

    Args:
        ready: the season.
        tickets: its tickets.
        stops: field -> stops of trucks, if positions are known.
    """
    works, learnt = _works(ready.stretches, tickets, stops or {}), ready.learnt
    uses = {w.field_id: clock_uses(w) for w in works}
    clocks = {f: select_clocks(f, u, learnt.by_day) for f, u in uses.items()}
    found = {w.field_id: trace_field(w, clocks[w.field_id]) for w in works}
    keeping = SeasonKeeping(pl.concat([t.keeping for t in found.values()]))
    for work in works:
        own = keeping.of(work.field_id)
        if own != NO_KEEPING:
            clocks[work.field_id] = select_clocks(work.field_id, uses[work.field_id], learnt.by_day, own)
            found[work.field_id] = trace_field(work, clocks[work.field_id])
    step = sampling_step(sum(bool(w.stretches) for w in works))
    drawn = pl.concat([grade_evidence(w, clocks[w.field_id], step) for w in works])
    return TracedSeason(
        ready.season,
        ready.bins,
        ready.unloads,
        ready.faults,
        tickets,
        pl.concat([t.load_trace for t in found.values()]),
        grade_again(pl.concat([t.grade for t in found.values()]), drawn, tickets),
        pl.concat([t.balance for t in found.values()]),
        learnt.offsets(),
        [n for n in load_catalogue() if n in ready.bins.columns],
    )


def grade_again(grade: pl.DataFrame, drawn: pl.DataFrame, loads: pl.DataFrame) -> pl.DataFrame:
    """Grades calibrated by the drawn and hidden loads of the season, as the stage calibrates them."""
    sites = grade.join(loads.select("load_id", "site_id"), on="load_id", how="left", maintain_order="left")
    return grade.with_columns(pl.Series("trace_quality", calibrate_season(drawn).quality(sites)))


def trace_plan(plan: Plan) -> TracedSeason:
    """Invent a season and trace it."""
    ready = prepare_plan(plan)
    return trace_tickets(ready, ready.tickets)


def overlap(found: pl.DataFrame, truth: pl.DataFrame) -> pl.DataFrame:
    """Per load the part of its mass that is where it is said to be: `load_id, overlap`."""
    both = (
        truth.group_by("load_id", "machine_id", "bin_at")
        .agg(pl.col("share").sum())
        .join(found.filter(pl.col("bin_at").is_not_null()), on=["load_id", "machine_id", "bin_at"], suffix="_found")
    )
    hit = both.group_by("load_id").agg(pl.min_horizontal("share", "share_found").sum().alias("overlap"))
    return (
        truth.select("load_id")
        .unique()
        .join(hit, on="load_id", how="left")
        .with_columns(pl.col("overlap").fill_null(0.0))
    )


def main_machine(trace: pl.DataFrame) -> pl.DataFrame:
    """Per load the machine of most of its mass."""
    return (
        trace.filter(pl.col("machine_id").is_not_null())
        .group_by("load_id", "machine_id")
        .agg(pl.col("share").sum())
        .sort("share", "machine_id")
        .unique("load_id", keep="last")
        .select("load_id", "machine_id")
    )


def right_machine(found: pl.DataFrame, truth: pl.DataFrame) -> float:
    """Share of loads whose main machine is the true one; a load without any counts as wrong."""
    both = main_machine(truth).join(main_machine(found), on="load_id", how="left", suffix="_found")
    return to_float((both["machine_id"] == both["machine_id_found"]).fill_null(value=False).mean())


def mean_settings(trace: pl.DataFrame, bins: pl.DataFrame, names: list[str]) -> pl.DataFrame:
    """Per load the share-weighted mean of each setting."""
    joined = trace.join(bins.select("machine_id", "bin_at", *names), on=["machine_id", "bin_at"])
    weighted = [
        (pl.col(n) * pl.col("share")).sum() / pl.col("share").filter(pl.col(n).is_not_null()).sum() for n in names
    ]
    return joined.group_by("load_id").agg(weighted)


def settings_r2(found: pl.DataFrame, true: pl.DataFrame, names: list[str]) -> dict[str, float]:
    """R2 of mean settings, setting by setting."""
    both = true.join(found, on="load_id", suffix="_found")
    out = {}
    for n in names:
        pair = both.select(n, f"{n}_found").fill_nan(None).drop_nulls()
        if pair.height > 50 and pair[n].std() > 0:
            out[n] = 1 - to_float(((pair[n] - pair[f"{n}_found"]) ** 2).mean()) / to_float(pair[n].var())
    return out


def baselines(bins: pl.DataFrame, loads: pl.DataFrame, unloads: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Without tracing: all the field's bins in the hour before weigh-in; the nearest unload and 20 min before."""
    day = pl.col("bin_at").dt.date().alias("day")
    work = bins.filter(pl.col("area_ha") > 0).select("machine_id", "bin_at", "field_id", "area_ha", day)
    loads = loads.select("load_id", "field_id", "weighed_at", pl.col("weighed_at").dt.date().alias("day"))
    hour = loads.join(work, on=["field_id", "day"]).filter(
        pl.col("bin_at").is_between(pl.col("weighed_at") - dt.timedelta(hours=1), "weighed_at")
    )
    events = unloads.sort("started_at").join_asof(
        work.sort("bin_at").select("machine_id", "bin_at", "field_id"),
        left_on="started_at",
        right_on="bin_at",
        by="machine_id",
        check_sortedness=False,
    )
    nearest = loads.sort("weighed_at").join_asof(
        events.sort("started_at").select("field_id", "machine_id", "started_at"),
        left_on="weighed_at",
        right_on="started_at",
        by="field_id",
        check_sortedness=False,
    )
    before = nearest.join(work.drop("field_id"), on=["machine_id", "day"]).filter(
        pl.col("bin_at").is_between(pl.col("started_at") - dt.timedelta(minutes=20), "started_at")
    )
    share = (pl.col("area_ha") / pl.col("area_ha").sum().over("load_id")).alias("share")
    keep = ["load_id", "machine_id", "bin_at", "share"]
    out = {"field's hour before weigh-in": hour.with_columns(share).select(keep)}
    if unloads.height:
        out["nearest unload in time"] = before.with_columns(share).select(keep)
    return out
