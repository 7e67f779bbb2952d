"""Section on the machines of the shift: comparison, and each machine's timeline, setting changes and passes."""

import datetime as dt
from typing import Any

import polars as pl

from reports.charts.shift_timeline import MAX_SETTINGS, shift_timeline
from reports.language.bidi import isolated
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import interval, setting_label
from reports.language.precision import setting_value
from reports.language.translate import say, say_n
from reports.page.model import Figure, Fold, Prose, Section
from reports.page.tables import Column, Table, build_table, number_cell, text_cell
from reports.page.theme import local
from reports.sections.shift_cards import sentence
from reports.sections.shift_fleet import fleet_figure
from reports.sections.shift_machines_data import ShiftMachinesData
from reports.sections.shift_pass_maps import pass_maps
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.naming import safe_name


def _moved(course: pl.DataFrame, decided: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> pl.DataFrame:
    """Return the settings with the largest changes in the shift, in practical steps from their first value."""
    far = (
        decided.group_by("setting", maintain_order=True)
        .agg(pl.col("steps").abs().max())
        .sort("steps", "setting", descending=[True, False])
    )
    names = [n for n in far["setting"].to_list() if n in course.columns][:MAX_SETTINGS]
    if not names:
        names = [n for n in ("share_depth_cm", "ground_speed_kmh") if n in course.columns and course[n].count()]
    out = [
        pl.DataFrame(
            schema={
                "at": pl.Datetime("us"),
                "rank": pl.Int32,
                "label": pl.String,
                "steps": pl.Float64,
                "shown": pl.String,
            }
        )
    ]
    for rank, name in enumerate(names):
        rows = course.select("at", pl.col(name).alias("v")).drop_nulls("v")
        out.append(
            rows.select(
                "at",
                pl.lit(rank, pl.Int32).alias("rank"),
                pl.lit(setting_label(name, catalogue)).alias("label"),
                ((pl.col("v") - pl.col("v").first()) / catalogue[name].step).alias("steps"),
                pl.Series("shown", [setting_value(v, catalogue[name], shown) for v in rows["v"]], dtype=pl.String),
            )
        )
    return pl.concat(out)


def _decision_table(name: str, machine: str, decided: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> Table:
    return build_table(
        f"decisions-{name}",
        say("setting changes of {machine}", machine=machine),
        (
            Column(say("Time"), lambda r: text_cell(shown.clock(r["decided_at"]))),
            Column(say("Setting"), lambda r: text_cell(setting_label(r["setting"], catalogue)), numeric=False),
            Column(say("From"), lambda r: text_cell(setting_value(r["from_value"], catalogue[r["setting"]], shown))),
            Column(say("To"), lambda r: text_cell(setting_value(r["to_value"], catalogue[r["setting"]], shown))),
            Column(say("Steps"), lambda r: number_cell(r["steps"], 1, sign=True)),
            Column(say("Topsoil wetness, 0 to 1"), lambda r: number_cell(r["topsoil_wetness"], 2)),
            Column(say("Field"), lambda r: text_cell(r["field_id"]), numeric=False),
        ),
        decided.iter_rows(named=True),
        caption=say("Changes of a setting by a practical step or more that lasted four minutes of lifting."),
    )


def _load_table(name: str, machine: str, loads: pl.DataFrame, shown: DisplayUnits) -> Table:
    return build_table(
        f"loads-{name}",
        say("loads of {machine}", machine=machine),
        (
            Column(say("Load"), lambda r: text_cell(r["load_id"])),
            Column(
                say("Lifted"),
                lambda r: text_cell(f"{shown.clock(r['from_at'])}–{shown.clock(r['to_at'])}"),
                numeric=False,
            ),
            Column(say("Field"), lambda r: text_cell(r["field_id"]), numeric=False),
            Column(say("Dirt observed, %"), lambda r: number_cell(r["observed_pct"])),
            Column(say("Dirt expected, %"), lambda r: number_cell(r["expected_pct"], 1, r["lo95"], r["hi95"])),
            Column(say("Trace quality, 0 to 1"), lambda r: number_cell(r["trace_quality"], 2)),
        ),
        loads.drop_nulls("from_at").iter_rows(named=True),
        caption=say(
            "Lifted: first to last half minute traced to the load. Brackets: 95 % interval of the expected value."
        ),
    )


def timeline_finding(loads: pl.DataFrame, decided: pl.DataFrame, course: pl.DataFrame) -> str:
    """Return a sentence on a machine's loads above their expected interval and the number of its setting changes."""
    known = loads.drop_nulls("observed_pct")
    above = known.filter(pl.col("observed_pct") > pl.col("hi95")).height
    parts = [
        say_n(
            "{n} load measured, {above} above the expected interval",
            "{n} loads measured, {above} above the expected interval",
            known.height,
            above=above,
        ),
        say_n("{n} setting change", "{n} setting changes", decided.height),
    ]
    wetness = pl.col("topsoil_wetness")
    driest, wettest = course.select(wetness.min().alias("driest"), wetness.max().alias("wettest")).row(0)
    if driest is not None:
        span = interval(driest, wettest, 2)
        parts.append(say("topsoil wetness {span}", span=span))
    return sentence("; ".join(parts))


def _fold(r: dict[str, Any], parts: dict[str, pl.DataFrame], catalogue: Catalogue, shown: DisplayUnits) -> Fold:
    machine, safe = r["machine_id"], safe_name(r["machine_id"])
    course, decided, loads, passes = (parts[k] for k in ("course", "decisions", "loads", "passes"))
    timed = local(loads.drop_nulls("from_at"), shown.zone, "from_at", "to_at")
    local_course = local(course, shown.zone, "at")
    timeline = Figure(
        f"course-{safe}",
        timeline_finding(loads, decided, course),
        say(
            "Top: bars are loads, over the 95 % interval expected for their conditions. Middle: topsoil wetness of the "
            "field. Bottom: settings with the largest changes, in practical steps from the first value of the shift."
        ),
        shift_timeline(
            timed.drop_nulls("observed_pct").select(
                "load_id", "from_at", "to_at", "observed_pct", "expected_pct", "lo95", "hi95"
            ),
            local_course.select("at", "topsoil_wetness").drop_nulls(),
            _moved(local_course, decided, catalogue, shown),
        ),
        say("Loads, topsoil and settings of {machine} through the shift", machine=machine),
        _load_table(safe, machine, loads, shown),
    )
    blocks: list[Any] = [timeline]
    if decided.height:
        count = say_n("Setting change of the day: {n}", "Setting changes of the day: {n}", decided.height)
        blocks.append(Fold(count, (_decision_table(safe, machine, decided, catalogue, shown),)))
    blocks += pass_maps(machine, safe, local(passes.rename({"bin_at": "at"}), shown.zone, "at"))
    over = (
        ""
        if r["observed_pct"] is None
        else say(
            "{observed} % dirt, {over} points compared with expected",
            observed=number(r["observed_pct"]),
            over=number(r["observed_pct"] - r["expected_pct"], 1, sign=True),
        )
    )
    summary = " · ".join(p for p in (isolated(machine), say_n("{n} load", "{n} loads", r["loads"]), over) if p)
    return Fold(summary, tuple(blocks), marks={"machine": machine, "site": r["sites"]})


def machines_section(
    data: ShiftMachinesData,
    loads: pl.DataFrame,
    shift: dt.date,
    catalogue: Catalogue,
    shown: DisplayUnits,
    loads_page: str,
) -> Section:
    """Return the section on the machines of the shift."""
    course, decisions, passes = data.course, data.decisions, data.passes
    day = shown.day(shift)
    blocks: list[Any] = [fleet_figure(data.machines, day, shown, loads_page)]
    if course.height:
        blocks.append(
            Prose(say("Open a machine to see its day: loads, topsoil, settings, setting changes and passes."))
        )
    by = {
        n: dict(iter(f.group_by("machine_id", maintain_order=True)))
        for n, f in (("course", course), ("decisions", decisions), ("loads", loads), ("passes", passes))
    }
    empty = {"course": course.clear(), "decisions": decisions.clear(), "loads": loads.clear(), "passes": passes.clear()}
    for r in data.machines.iter_rows(named=True):
        own_parts = {n: by[n].get((r["machine_id"],), empty[n]) for n in by}
        if own_parts["course"].height:
            blocks.append(_fold(r, own_parts, catalogue, shown))
    return Section("machines", say("Machines in the shift of {day}", day=day), tuple(blocks))
