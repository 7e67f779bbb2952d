"""Sections on the loads of a shift: the dirtiest for their conditions with their causes, and the full list."""

import polars as pl

from reports.charts.load_contributions import load_contributions
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import interval, source_label
from reports.language.translate import say, translated
from reports.page.model import Card, Cards, Figure, LoadList, Prose, Section
from reports.page.tables import Column, Heading, build_table, number_cell, text_cell
from reports.sections.shift_loads_data import WorstLoadsData
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.classes import SOIL_CLASSES, WETNESS_CLASSES
from transforms.contracts.naming import safe_name


def _why(load: str, sources: pl.DataFrame) -> Figure:
    top = sources.filter(pl.col("points") > 0).sort("points", descending=True).head(3)
    mostly = ", ".join(f"{s} {number(p, 1, sign=True)}" for s, p in top.select("label", "points").iter_rows())
    finding = say("Main causes: {why} points.", why=mostly) if mostly else say("No source raised the dirt.")
    safe = safe_name(load)
    table = build_table(
        f"why-{safe}",
        say("causes for load {load}", load=load),
        (
            Column(say("Source"), lambda r: text_cell(r["label"])),
            Column(say("Points"), lambda r: number_cell(r["points"], 2, sign=True)),
        ),
        sources.iter_rows(named=True),
        caption=say("All sources; they add up to the load's difference from the season's typical load."),
    )
    return Figure(
        f"why-load-{safe}",
        finding,
        "",
        load_contributions(sources),
        say("Why load {load} was dirty, in percentage points", load=load),
        table,
    )


def worst_section(
    data: WorstLoadsData, loads: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits
) -> Section | None:
    """Return the section on the dirtiest loads for their conditions; None if no load is measured."""
    if not data.loads.height:
        return None
    reasons = data.sources.with_columns(
        pl.col("source").map_elements(lambda s: source_label(s, catalogue), return_dtype=pl.String).alias("label")
    )
    marks = {
        r["load_id"]: {
            "machine": r["machine_id"],
            "site": r["site_id"],
            "wetness": r["wetness_class"],
            "soil": r["soil_class"],
        }
        for r in loads.iter_rows(named=True)
    }
    cards = []
    for r in data.loads.iter_rows(named=True):
        sources = reasons.filter(pl.col("load_id") == r["load_id"])
        line = say(
            "{machine} in {field}, weighed {at} · expected {expected} % ({span}) · trace quality {quality}",
            machine=r["machine_id"],
            field=r["field_id"],
            at=shown.moment(r["weighed_true_at"]),
            expected=number(r["expected_pct"]),
            span=interval(r["lo95"], r["hi95"], 1),
            quality=number(r["trace_quality"], 2),
        )
        badge = say("{n} % dirt", n=number(r["observed_pct"]))
        blocks = (_why(r["load_id"], sources),) if sources.height else (Prose(say("No source raised the dirt.")),)
        own = {k: v for k, v in marks[r["load_id"]].items() if v}
        cards.append(Card(r["load_id"], badge, (line,), (), blocks, own))
    reading = say(
        "Each bar chart splits the load's difference from the season's typical load, in percentage points of dirt "
        "tare; the sources add up to it exactly. “Own effect” is the part of a field, a machine or an operator after "
        "conditions and settings are accounted for."
    )
    return Section("worst", say("Dirtiest loads for their conditions, and why"), (Prose(reading), Cards(tuple(cards))))


LOAD_DIGITS = (None, None, None, None, None, None, None, 2, 1, 1, 1, 2)


def load_columns(shown: DisplayUnits) -> tuple[Heading, ...]:
    """Return the column headers of a list of loads."""
    texts = (say("Load"), say("Machine"), say("Factory"), say("Topsoil"), say("Soil"), say("Field"), say("Shift"))
    numbers = (
        say("Delivered (with soil), {t}", t=shown.sign("t")),
        say("Dirt observed, %"),
        say("Dirt expected, %"),
        say("Difference, points"),
        say("Trace quality, 0 to 1"),
    )
    return (*(Heading(h, numeric=False) for h in texts), *(Heading(h) for h in numbers))


def load_list(loads: pl.DataFrame, shown: DisplayUnits, name: str = "loads-list") -> LoadList:
    """Return a list of loads that filters and links can narrow.

    Args:
        loads: `load_id, machine_id, site_id, wetness_class, soil_class, field_id, shift_date, delivered_t,
            observed_pct, expected_pct, trace_quality`.
        shown: units.
        name: id of the list.
    """
    factor = shown.convert(1.0, "t")
    classes = {c: translated(c) for c in (*WETNESS_CLASSES, *SOIL_CLASSES)}
    days = {d: shown.day(d) for d in loads["shift_date"].unique().to_list() if d is not None}
    rows = loads.select(
        "load_id",
        "machine_id",
        "site_id",
        "wetness_class",
        "soil_class",
        "field_id",
        pl.col("shift_date").replace_strict(days, return_dtype=pl.String),
        (pl.col("delivered_t") * factor).round(2),
        pl.col("observed_pct", "expected_pct").round(1),
        (pl.col("observed_pct") - pl.col("expected_pct")).round(1).alias("over"),
        pl.col("trace_quality").round(2),
    ).rows()
    marks = {"machine": 1, "site": 2, "wetness": 3, "soil": 4, "field": 5}
    return LoadList(name, load_columns(shown), marks, tuple(rows), LOAD_DIGITS, classes)


def loads_section(loads: pl.DataFrame, shown: DisplayUnits) -> Section:
    """Return the section with all loads of the shift."""
    reading = say("Linked numbers filter this list to the loads behind them.")
    more = say("For the minutes and the map of a load, run: taretrace report load LOAD.")
    return Section("loads", say("The loads behind it"), (Prose(f"{reading} {more}"), load_list(loads, shown)))
