"""Each machine of the shift: observed against expected, its course over the day, its decisions and its passes."""

import datetime as dt
from typing import Any

import polars as pl

from reports.charts.machine_dirt import machine_dirt
from reports.charts.shift_course import MOST_SETTINGS, shift_course
from reports.charts.shift_passes import shift_passes
from reports.language.bidi import isolated
from reports.language.display_units import Shown, number
from reports.language.labels import interval, listed, setting_label, value_words
from reports.language.translate import say, say_n
from reports.page.links import loads_link
from reports.page.model import Column, Figure, Fold, Prose, Row, Section, Table, figure, spanned, words
from reports.page.theme import local
from reports.sections.shift_cards import sentence
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.naming import safe_name
from transforms.storage.warehouse import Warehouse

METRES_PER_DEG = 111_320.0
LEAST_PASSES = 5


def machine_finding(machines: pl.DataFrame) -> str:
    """Return which machines are clearly dirtier or cleaner than their conditions explain."""
    rows = machines.drop_nulls("observed_pct")
    if not rows.height:
        return say("No load of this shift is measured yet.")
    low, high = pl.col("observed_pct") - pl.col("observed_half"), pl.col("observed_pct") + pl.col("observed_half")
    above = rows.filter(low > pl.col("expected_hi95"))["machine_id"].to_list()
    below = rows.filter(high < pl.col("expected_lo95"))["machine_id"].to_list()
    parts = [
        say("clearly dirtier than their conditions explain: {machines}", machines=listed(above))
        if above
        else say("no machine is clearly dirtier than its conditions explain")
    ]
    if below:
        parts.append(say("clearly cleaner: {machines}", machines=listed(below)))
    return sentence("; ".join(parts))


def machine_table(machines: pl.DataFrame, shown: Shown) -> Table:
    """Return the machines of the shift, a row each."""
    rows = []
    for r in machines.iter_rows(named=True):
        half, loss_half, told_of = r["observed_half"], r["root_loss_half"], r["observed_pct"] is not None
        loss = None if r["root_loss_t_ha"] is None else shown.convert(r["root_loss_t_ha"], "t/ha")
        link = loads_link(machine=r["machine_id"])
        rows.append(
            Row(
                (
                    words(r["machine_id"], link),
                    words(r["generation"]),
                    figure(r["loads"], 0, href=link),
                    figure(shown.convert(r["gross_t"], "t"), 0),
                    figure(r["measured"], 0),
                    spanned(r["observed_pct"], half),
                    figure(r["expected_pct"], 1, r["expected_lo95"], r["expected_hi95"]),
                    figure(r["observed_pct"] - r["expected_pct"], sign=True) if told_of else words(None),
                    spanned(loss, None if loss_half is None else shown.convert(loss_half, "t/ha")),
                    figure(r["audits"], 0),
                    figure(r["trace_quality"], 2),
                ),
                {"machine": r["machine_id"], "site": r["sites"]},
            )
        )
    return Table(
        "machine-table",
        say("machines in the shift"),
        (
            Column(say("Machine")),
            Column(say("Generation"), numeric=False),
            Column(say("Loads")),
            Column(say("Gross, {t}", t=shown.sign("t"))),
            Column(say("n measured")),
            Column(say("Dirt observed, %")),
            Column(say("Dirt expected, %")),
            Column(say("Over, points")),
            Column(say("Root loss, {unit}", unit=shown.sign("t/ha"))),
            Column(say("n dug")),
            Column(say("Trace quality, 0 to 1")),
        ),
        tuple(rows),
        say("Dirt tare in % of gross; brackets are 95 % intervals; n is the loads measured or plots dug."),
    )


def fleet_figure(machines: pl.DataFrame, day: str, shown: Shown) -> Figure:
    """Return the fleet's chart of the shift with its table."""
    finding = machine_finding(machines)
    drawn = machines.drop_nulls("observed_pct").height > 0
    return Figure(
        "machines-dirt",
        finding,
        say(
            "Dot: observed with 95 % interval. Band: expected for the conditions and field at the fleet's usual "
            "settings, 95 %."
        ),
        machine_dirt(machines) if drawn else None,
        say("Observed and expected dirt tare by machine in the shift of {day}", day=day),
        machine_table(machines, shown),
        open=True,
    )


def _moved(course: pl.DataFrame, decided: pl.DataFrame, catalogue: Catalogue, shown: Shown) -> pl.DataFrame:
    """The settings moved furthest in the shift, in practical steps from where each began."""
    far = (
        decided.group_by("setting", maintain_order=True)
        .agg(pl.col("steps").abs().max())
        .sort("steps", "setting", descending=[True, False])
    )
    names = [n for n in far["setting"].to_list() if n in course.columns][:MOST_SETTINGS]
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
        unit = catalogue[name].unit
        out.append(
            rows.select(
                "at",
                pl.lit(rank, pl.Int32).alias("rank"),
                pl.lit(setting_label(name, catalogue)).alias("label"),
                ((pl.col("v") - pl.col("v").first()) / catalogue[name].step).alias("steps"),
                pl.Series("shown", [shown.quantity(v, unit) for v in rows["v"]], dtype=pl.String),
            )
        )
    return pl.concat(out)


def _decision_table(name: str, machine: str, decided: pl.DataFrame, catalogue: Catalogue, shown: Shown) -> Table:
    return Table(
        f"decisions-{name}",
        say("decisions of {machine}", machine=machine),
        (
            Column(say("Time")),
            Column(say("Setting"), numeric=False),
            Column(say("From")),
            Column(say("To")),
            Column(say("Steps")),
            Column(say("Topsoil wetness, 0 to 1")),
            Column(say("Field"), numeric=False),
        ),
        tuple(
            Row(
                (
                    words(shown.clock(r["decided_at"])),
                    words(setting_label(r["setting"], catalogue)),
                    words(value_words(r["from_value"], r["unit"], shown)),
                    words(value_words(r["to_value"], r["unit"], shown)),
                    figure(r["steps"], 1, sign=True),
                    figure(r["topsoil_wetness"], 2),
                    words(r["field_id"]),
                )
            )
            for r in decided.iter_rows(named=True)
        ),
        say("Changes of a setting by a practical step or more that lasted four minutes of lifting."),
    )


def _load_table(name: str, machine: str, loads: pl.DataFrame, shown: Shown) -> Table:
    return Table(
        f"loads-{name}",
        say("loads of {machine}", machine=machine),
        (
            Column(say("Load")),
            Column(say("Lifted"), numeric=False),
            Column(say("Field"), numeric=False),
            Column(say("Dirt observed, %")),
            Column(say("Dirt expected, %")),
            Column(say("Trace quality, 0 to 1")),
        ),
        tuple(
            Row(
                (
                    words(r["load_id"]),
                    words(f"{shown.clock(r['from_at'])}–{shown.clock(r['to_at'])}"),
                    words(r["field_id"]),
                    figure(r["observed_pct"]),
                    figure(r["expected_pct"], 1, r["lo95"], r["hi95"]),
                    figure(r["trace_quality"], 2),
                )
            )
            for r in loads.drop_nulls("from_at").iter_rows(named=True)
        ),
        say("Lifted: from its first traced half minute to its last. Brackets: 95 % interval of what was expected."),
    )


def course_finding(loads: pl.DataFrame, decided: pl.DataFrame, course: pl.DataFrame) -> str:
    """Return how a machine's loads stood against what was expected, and how often its settings were moved."""
    known = loads.drop_nulls("observed_pct")
    above = known.filter(pl.col("observed_pct") > pl.col("hi95")).height
    parts = [
        say_n(
            "{n} load measured, {above} above the interval of what was expected",
            "{n} loads measured, {above} above the interval of what was expected",
            known.height,
            above=above,
        ),
        say_n("{n} decision", "{n} decisions", decided.height),
    ]
    wet = course["topsoil_wetness"].drop_nulls()
    if wet.len():
        span = interval(float(wet.min()), float(wet.max()), 2)  # type: ignore[arg-type]
        parts.append(say("topsoil wetness {span}", span=span))
    return sentence("; ".join(parts))


def map_finding(field: str, passes: pl.DataFrame) -> str:
    """Return how dirty the loads of one field were."""
    known = passes.drop_nulls("dirt_tare_pct")
    if not known.height:
        return say("Field {field}: none of its loads is measured.", field=field)
    low, high = float(known["dirt_tare_pct"].min()), float(known["dirt_tare_pct"].max())  # type: ignore[arg-type]
    return say("Field {field}: its loads hold {span} % dirt.", field=field, span=interval(low, high, 1))


def _maps(machine: str, name: str, passes: pl.DataFrame) -> list[Figure]:
    """A map a field; a stray half minute beside a field makes none."""
    reading = say("Half minutes of lifting (thinned), coloured by the dirt of their load; grey: not measured.")
    return [
        Figure(
            f"passes-{name}-{i}",
            map_finding(str(field), ground := _placed(mine)),
            reading,
            shift_passes(ground),
            say("Map of the passes of {machine} in {field}", machine=machine, field=field),
            _pass_table(f"{name}-{i}", machine, ground),
        )
        for i, ((field,), mine) in enumerate(passes.drop_nulls("field_id").group_by("field_id", maintain_order=True))
        if mine.height >= LEAST_PASSES
    ]


def _pass_table(name: str, machine: str, passes: pl.DataFrame) -> Table:
    by = (
        passes.group_by("field_id", "load_id", maintain_order=True)
        .agg(pl.len(), pl.col("at").min().alias("from"), pl.col("dirt_tare_pct").first())
        .sort("from", "load_id")
    )
    return Table(
        f"passes-table-{name}",
        say("passes of {machine} in {field}", machine=machine, field=passes["field_id"][0]),
        (
            Column(say("Field")),
            Column(say("Load"), numeric=False),
            Column(say("From"), numeric=False),
            Column(say("n half minutes drawn")),
            Column(say("Dirt of the load, %")),
        ),
        tuple(
            Row(
                (
                    words(r["field_id"]),
                    words(r["load_id"]),
                    words(f"{r['from']:%H:%M}"),
                    figure(r["len"], 0),
                    figure(r["dirt_tare_pct"]),
                )
            )
            for r in by.iter_rows(named=True)
        ),
    )


def _placed(passes: pl.DataFrame) -> pl.DataFrame:
    north = (pl.col("lat_deg") - pl.col("lat_deg").mean()) * METRES_PER_DEG
    east = (pl.col("lon_deg") - pl.col("lon_deg").mean()) * METRES_PER_DEG * pl.col("lat_deg").mean().radians().cos()
    return passes.select(
        east.round(0).alias("east_m"), north.round(0).alias("north_m"), "field_id", "at", "load_id", "dirt_tare_pct"
    )


def _fold(r: dict[str, Any], parts: dict[str, pl.DataFrame], catalogue: Catalogue, shown: Shown) -> Fold:
    machine, safe = r["machine_id"], safe_name(r["machine_id"])
    course, decided, loads, passes = (parts[k] for k in ("course", "decisions", "loads", "passes"))
    timed = local(loads.drop_nulls("from_at"), shown.zone, "from_at", "to_at")
    here = local(course, shown.zone, "at")
    timeline = Figure(
        f"course-{safe}",
        course_finding(loads, decided, course),
        say(
            "Above: bars are loads, over what their conditions lead one to expect (95 % interval). Middle: topsoil "
            "wetness of the field. Below: settings in practical steps from the shift's first value, those moved "
            "furthest."
        ),
        shift_course(
            timed.drop_nulls("observed_pct").select(
                "load_id", "from_at", "to_at", "observed_pct", "expected_pct", "lo95", "hi95"
            ),
            here.select("at", "topsoil_wetness").drop_nulls(),
            _moved(here, decided, catalogue, shown),
        ),
        say("Loads, topsoil and settings of {machine} through the shift", machine=machine),
        _load_table(safe, machine, loads, shown),
    )
    blocks: list[Any] = [timeline]
    if decided.height:
        count = say_n("The day's decision: {n}", "The day's decisions: {n}", decided.height)
        blocks.append(Fold(count, (_decision_table(safe, machine, decided, catalogue, shown),)))
    blocks += _maps(machine, safe, local(passes.rename({"bin_at": "at"}), shown.zone, "at"))
    over = (
        ""
        if r["observed_pct"] is None
        else say(
            "{observed} % dirt, {over} points over what was expected",
            observed=number(r["observed_pct"]),
            over=number(r["observed_pct"] - r["expected_pct"], 1, sign=True),
        )
    )
    summary = " · ".join(p for p in (isolated(machine), say_n("{n} load", "{n} loads", r["loads"]), over) if p)
    return Fold(summary, tuple(blocks), marks={"machine": machine, "site": r["sites"]})


def machines_section(
    warehouse: Warehouse,
    machines: pl.DataFrame,
    loads: pl.DataFrame,
    shift: dt.date,
    catalogue: Catalogue,
    shown: Shown,
) -> Section:
    """Return the part of the page on the shift as it was."""
    course, decisions, passes = (warehouse.table(n) for n in ("shift_course", "setting_decision", "shift_pass"))
    day = shown.day(shift)
    blocks: list[Any] = [fleet_figure(machines, day, shown)]
    if course.height:
        blocks.append(Prose(say("Open a machine for its day: loads, topsoil, settings, decisions and passes.")))
    by = {
        n: dict(iter(f.group_by("machine_id", maintain_order=True)))
        for n, f in (("course", course), ("decisions", decisions), ("loads", loads), ("passes", passes))
    }
    empty = {"course": course.clear(), "decisions": decisions.clear(), "loads": loads.clear(), "passes": passes.clear()}
    for r in machines.iter_rows(named=True):
        mine = {n: by[n].get((r["machine_id"],), empty[n]) for n in by}
        if mine["course"].height:
            blocks.append(_fold(r, mine, catalogue, shown))
    return Section("machines", say("Machines in the shift of {day}", day=day), tuple(blocks))
