"""A grower's own sheet: own loads against what was expected of them, and an unnamed fleet. Nobody else's data reach it.

`grower_data` cuts each grower's rows out first; what writes a sheet is given those alone, with the quantiles of all.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from reports.charts.own_loads import own_loads
from reports.charts.own_place import own_place
from reports.charts.share_bars import share_bars
from reports.document import Column, Figure, Page, Prose, Row, Section, Table, figure, spanned, words
from reports.ending import footer
from reports.forms import HTML, Forms
from reports.page import write_page
from reports.text import mark, say, say_n, speaking, told
from reports.theme import local
from reports.units import NOTHING, Shown, number
from reports.words import capital, interval
from transforms.catalogue import DIRT
from transforms.naming import safe_name
from transforms.warehouse import Warehouse
from transforms.workspace import Season

WHY_KINDS = {
    "condition": mark("conditions"), "setting": mark("the machines' settings"), "field": mark("the fields' own level"),
    "machine": mark("the machines' own level"), "machine_day": mark("machines on their days"),
    "operator": mark("the operators' own level"), "site_day": mark("days at the factory"),
    "day": mark("days at the factory"), "season": mark("the season's own level"), "unexplained": mark("unexplained"),
    "lab": mark("measuring"),
}  # fmt: skip


@dataclass(frozen=True)
class GrowerData:
    """All that one sheet is made from.

    Attributes:
        grower: the grower's id.
        total: the grower's season.
        loads: own loads.
        fields: own fields.
        why: what each kind of source adds to own loads.
        place: own row of the comparison of growers; None where not compared.
        band: quantiles over all growers, at least ten; None where fewer are compared.
        footer: run, fingerprint, rows of the whole workspace.
    """

    grower: str
    total: dict[str, Any]
    loads: pl.DataFrame
    fields: pl.DataFrame
    why: pl.DataFrame
    place: dict[str, Any] | None
    band: dict[str, Any] | None
    footer: tuple[str, ...]


def grower_data(warehouse: Warehouse, season: Season) -> Iterator[GrowerData]:
    """Yield each grower's own data."""
    with speaking(season.locale, season.texts):
        ending = footer(warehouse)
    columns = ["load_id", "field_id", "shift_date", "lifted_at", "gross_t", "observed_pct", "expected_pct", "lo95",
        "hi95",
               "wetness_class"]  # fmt: skip
    loads = warehouse.query("season_load").select("grower_id", *columns)
    parts = {n: f.partition_by("grower_id", as_dict=True, include_key=False) for n, f in (
        ("loads", loads.drop_nulls("grower_id")), ("fields", warehouse.query("grower_field")), ("why",
            warehouse.query("grower_why")),
    )}  # fmt: skip
    compared = warehouse.table("benchmark").filter((pl.col("subject_kind") == "grower") & (pl.col("response") == DIRT))
    places = {r["subject_id"]: r for r in compared.iter_rows(named=True)}
    band = warehouse.query("grower_band").filter(pl.col("response") == DIRT)
    empty = pl.DataFrame(schema={"kind": pl.String, "points": pl.Float64, "n": pl.Int64})
    for total in warehouse.query("grower_total").iter_rows(named=True):
        key = (total["grower_id"],)
        yield GrowerData(
            total["grower_id"], total, parts["loads"][key], parts["fields"][key], parts["why"].get(key, empty),
            places.get(total["grower_id"]), band.row(0, named=True) if band.height else None, ending,
        )  # fmt: skip


def lead(data: GrowerData, shown: Shown) -> str:
    """Return how the grower's loads compare, in a sentence or two."""
    t = data.total
    first = say_n("{n} load, {mass}.", "{n} loads, {mass}.", t["loads"], mass=shown.quantity(t["gross_t"], "t"))
    if t["observed_pct"] is None:
        return first + " " + say("None is measured yet.")
    half, over = t["observed_half"] or 0.0, t["observed_pct"] - t["expected_pct"]
    told_of = say(
        "Those measured (n = {n}) held {observed} % dirt ({span}); {expected} % was expected for their soil, crop and "
        "weather: {over} points over.", n=number(t["measured"], 0), observed=number(t["observed_pct"]),
        span=interval(t["observed_pct"] - half, t["observed_pct"] + half, 1), expected=number(t["expected_pct"]),
        over=number(over, 1, sign=True),
    )  # fmt: skip
    return f"{first} {told_of}"


def place_finding(place: dict[str, Any] | None) -> str:
    """Return where the grower stands among all, as far as that can be told."""
    if place is None or place["shrunken"] is None:
        reason = told(place["says"]) if place else say("too few measured loads")
        return say("Not compared with others: {reason}.", reason=reason)
    low, high = place["shrunken_lo95"], place["shrunken_hi95"]
    side = (
        say("clearly above the middle")
        if low > 0
        else say("clearly below the middle")
        if high < 0
        else say("not clearly apart from the middle")
    )
    return say(
        "What neither conditions nor settings explain: {own} points ({span}), {side}; rank {rank} ({rank_lo} to "
        "{rank_hi}) of {all}, 1 being the cleanest.",
        own=number(place["shrunken"], 2, sign=True), span=interval(low, high, 2),
        side=side,
        rank=place["rank"], rank_lo=place["rank_lo95"], rank_hi=place["rank_hi95"], all=place["subjects"],
    )  # fmt: skip


def _place(data: GrowerData) -> Figure | Prose:
    p = data.place
    if p is None or p["shrunken"] is None:
        return Prose(place_finding(p))
    own = {"value": p["shrunken"], "lo": p["shrunken_lo95"], "hi": p["shrunken_hi95"]}
    band = {k: data.band[k] for k in ("p10", "p25", "p50", "p75", "p90")} if data.band else None
    rows = [Row((words(say("you")), figure(p["shrunken"], 2, p["shrunken_lo95"], p["shrunken_hi95"], sign=True)))]
    names = {"p10": say("a tenth of growers below"), "p25": say("a quarter below"), "p50": say("half below"),
             "p75": say("three quarters below"), "p90": say("nine tenths below")}  # fmt: skip
    rows += [Row((words(names[k]), figure(v, 2, sign=True))) for k, v in (band or {}).items()]
    table = Table("place-table", say("place"), (Column(say("Who")), Column(say("Unexplained, points"))), tuple(rows),
                  say("All growers compared, without names; nothing where they are fewer than ten."))  # fmt: skip
    reading = say("Dot: you, with the 95 % interval. Dark band: the middle half of all growers; light: eight tenths.")
    chart = own_place(own, band, say("unexplained, points of dirt tare"))
    return Figure("place", place_finding(p), reading, chart, say("Your place among all growers"), table)


def loads_finding(loads: pl.DataFrame) -> str:
    """Return how many own loads held more dirt than was expected of them."""
    known = loads.drop_nulls(["observed_pct", "expected_pct"])
    if not known.height:
        return say("No load is measured yet.")
    above = known.filter(pl.col("observed_pct") > pl.col("expected_pct")).height
    return say(
        "{above} of {n} measured loads held more dirt than was expected of them, {below} no more.",
        above=above,
        n=known.height,
        below=known.height - above,
    )


def _loads(data: GrowerData, shown: Shown) -> Figure:
    known = local(data.loads.drop_nulls(["observed_pct", "expected_pct"]), shown.zone, "lifted_at")
    table = Table(
        "own-loads", say("each load"),
        (Column(say("Load")), Column(say("Shift"), numeric=False), Column(say("Field"), numeric=False),
         Column(say("Topsoil"), numeric=False), Column(say("Gross, {t}", t=shown.sign("t"))),
         Column(say("Dirt observed, %")), Column(say("Dirt expected, %"))),
        tuple(
            Row((
                words(r["load_id"]), words(shown.day(r["shift_date"])), words(r["field_id"]),
                words(told(r["wetness_class"] or NOTHING)),
                figure(shown.convert(r["gross_t"], "t"), 2), figure(r["observed_pct"]), figure(r["expected_pct"], 1,
                    r["lo95"], r["hi95"]),
            ))
            for r in data.loads.iter_rows(named=True)
        ),
        say("Brackets: 95 % interval of what is expected, not of a single load."),
    )  # fmt: skip
    reading = say(
        "Dots: your loads. Grey: what is expected of such loads at the fleet's usual settings, with its 95 % interval."
    )
    chart = (
        own_loads(known.select("lifted_at", "load_id", "observed_pct", "expected_pct", "lo95", "hi95"))
        if known.height
        else None
    )
    return Figure("loads-chart", loads_finding(data.loads), reading, chart, say("Your loads through the season"), table)


def why_finding(why: pl.DataFrame) -> str:
    """Return what sets the grower's loads apart from the season's typical load."""
    if not why.height:
        return say("What set your loads apart cannot be told yet.")
    total = float(why["points"].sum())
    parts = [say("{kind} {points}", kind=say(WHY_KINDS[r["kind"]]), points=number(r["points"], 1, sign=True))
             for r in why.head(3).iter_rows(named=True)]  # fmt: skip
    return say("On average your loads held {total} points against the season's typical load: {parts}.",
               total=number(total, 1, sign=True), parts=", ".join(parts))  # fmt: skip


def _why(data: GrowerData) -> Figure:
    labels = [capital(say(WHY_KINDS[k])) for k in data.why["kind"]]
    drawn = data.why.select(pl.Series("label", labels, dtype=pl.String), pl.col("points").alias("value"),
                            pl.lit(None, pl.Float64).alias("lo"), pl.lit(None, pl.Float64).alias("hi"))  # fmt: skip
    table = Table(
        "why-table", say("why"), (Column(say("Source")), Column(say("Points")), Column(say("n loads"))),
        tuple(Row((words(n), figure(r["points"], 2, sign=True), figure(r["n"], 0)))
              for n, r in zip(labels, data.why.iter_rows(named=True), strict=True)),
        say("Means over your measured loads; they add up to the whole. Settings are those of the machines that came "
            "to you."),
    )  # fmt: skip
    title = say("points of dirt tare")
    chart = share_bars(drawn, title, say("What set your loads apart, by kind of source.")) if labels else None
    return Figure("why", why_finding(data.why), "", chart, say("What set your loads apart"), table)


def _loss(t_ha: float | None, shown: Shown) -> float | None:
    return None if t_ha is None else shown.convert(t_ha, "t/ha")


def _fields(data: GrowerData, shown: Shown) -> Table:
    return Table(
        "fields", say("each field"),
        (Column(say("Field")), Column(say("Loads")), Column(say("Gross, {t}", t=shown.sign("t"))),
            Column(say("n measured")),
         Column(say("Dirt observed, %")), Column(say("Dirt expected, %")),
         Column(say("Root loss, {unit}", unit=shown.sign("t/ha"))), Column(say("n dug"))),
        tuple(
            Row((
                words(r["field_id"]), figure(r["loads"], 0), figure(shown.convert(r["gross_t"], "t"), 0),
                figure(r["measured"], 0),
                spanned(r["observed_pct"], r["observed_half"]), figure(r["expected_pct"]),
                spanned(_loss(r["root_loss_t_ha"], shown), _loss(r["root_loss_half"], shown)),
                figure(r["plots"], 0),
            ))
            for r in data.fields.iter_rows(named=True)
        ),
        say("Means with 95 % intervals; n is the loads measured or plots dug."),
    )  # fmt: skip


def grower_page(data: GrowerData, season: Season) -> Page:
    """Return one grower's sheet."""
    shown = Shown(season.units, season.currency, season.time_zone)
    when = say("{season} · up to the shift of {day} · your own loads alone; others stand here without name or number",
        season=season.name,
               day=shown.day(data.total["last_day"]))  # fmt: skip
    reading = say("Expected dirt allows for soil, crop and weather, so that a wet field is not held against anybody. "
                  "What is left may be the machine that came, its settings, or what nobody logs: an association, not "
                  "a verdict.")  # fmt: skip
    return Page(
        say("Your season: grower {grower}", grower=data.grower), when, lead(data, shown), None,
        (
            Section("loads", say("Your loads"), (_loads(data, shown), Prose(reading))),
            Section("own-why", say("What set them apart"), (_why(data),)),
            Section("own-place", say("You and the others"), (_place(data),)),
            Section("own-fields", say("Your fields"), (_fields(data, shown),)),
        ),
        data.footer, static=True,
    )  # fmt: skip


def sheet_name(grower: str) -> str:
    """Return a grower's file name: ids are untrusted text."""
    return f"grower-{safe_name(grower)}"


def write_grower_sheet(data: GrowerData, season: Season, out: Path, forms: Forms = HTML) -> list[Path]:
    """Write one grower's sheet into `out` and return its paths."""
    with speaking(season.locale, season.texts):
        return write_page(grower_page(data, season), out / f"{sheet_name(data.grower)}.html", forms)
