"""The fleet compared: funnel and ranks of machines, operators, growers and fields; for the manager alone."""

from pathlib import Path
from typing import Any

import polars as pl

from reports.charts.funnel import STANDING, funnel
from reports.language.basis_messages import earlier_note
from reports.language.display_units import NOTHING, Shown, number
from reports.language.labels import COUNTED, RESPONSES, capital, interval
from reports.language.translate import mark, say, say_n, speaking, translate_stored
from reports.page.formats import HTML, Forms
from reports.page.html import write_page
from reports.page.links import loads_link
from reports.page.model import Cell, Column, Figure, Filters, Fold, Page, Prose, Row, Section, Table, figure, words
from reports.sections.cautions import CAUTION
from reports.sections.data_health import footer, health_section
from reports.sections.prices import price_section
from transforms.config.settings_catalogue import DIRT, ROOT_LOSS
from transforms.config.workspace import Season
from transforms.storage.product_basis import BENCHMARK, product_status
from transforms.storage.warehouse import Warehouse

KINDS = {
    "machine": mark("machine"),
    "operator": mark("operator"),
    "grower": mark("grower"),
    "field": mark("field"),
    "season": mark("season"),
}


def in_shown_units(rows: pl.DataFrame, response: str, shown: Shown) -> tuple[pl.DataFrame, str]:
    """Return `benchmark` rows in the units shown, and the unit."""
    if response != ROOT_LOSS:
        return rows, say("points")
    factor = shown.convert(1.0, "t/ha")
    floats = [c for c, t in rows.schema.items() if t == pl.Float64 and c != "overdispersion"]
    return rows.with_columns(pl.col(floats) * factor), shown.sign("t/ha")


def finding(rows: pl.DataFrame, unit: str) -> str:
    """Return how many are compared, and who is clearly apart."""
    known = rows.drop_nulls("shrunken").sort("shrunken")
    if not known.height:
        return say("None is compared: {reason}.", reason=translate_stored(rows["says"][0]))
    apart = known.filter(pl.col("standing") != "usual")
    counted = say("{told} of {all} compared", told=known.height, all=rows.height)
    if not apart.height:
        return say("{counted}; none is clearly apart from the middle.", counted=counted)
    ends = []
    if apart["standing"][-1] == "higher":
        ends.append(say("highest {who}", who=_end(apart, -1, unit)))
    if apart["standing"][0] == "lower":
        ends.append(say("lowest {who}", who=_end(apart, 0, unit)))
    return say_n(
        "{counted}; {n} clearly apart from the middle: {ends}.",
        "{counted}; {n} clearly apart from the middle: {ends}.",
        apart.height,
        counted=counted,
        ends=", ".join(ends),
    )


def _end(apart: pl.DataFrame, at: int, unit: str) -> str:
    r = apart.row(at, named=True)
    span = interval(r["shrunken_lo95"], r["shrunken_hi95"], 2)
    return say(
        "{who}, {value} {unit} ({span})",
        who=r["subject_id"],
        value=number(r["shrunken"], 2, sign=True),
        unit=unit,
        span=span,
    )


def rank_cell(r: dict[str, Any]) -> Cell:
    """Return a rank with its interval and of how many; a dash where there is none."""
    if r["rank"] is None:
        return Cell(NOTHING)
    text = say(
        "{rank} ({lo} to {hi} of {all})", rank=r["rank"], lo=r["rank_lo95"], hi=r["rank_hi95"], all=r["subjects"]
    )
    return Cell(text, r["rank"], r["rank_lo95"], r["rank_hi95"])


def benchmark_table(name: str, title: str, rows: pl.DataFrame, unit: str, link: str | None = None) -> Table:
    """Return `benchmark` rows of one response and kind; `link` is the mark that a subject's loads are found by."""
    body = []
    outliers = bool((rows["from_outliers"].fill_null(0.0) != 0).any())
    by_outliers = (Column(say("By outlying loads, {unit}", unit=unit)),) if outliers else ()
    for r in rows.iter_rows(named=True):
        is_told = r["observed"] is not None
        href = loads_link("season-loads.html", **{link: r["subject_id"]}) if link else None
        body.append(
            Row(
                (
                    words(r["subject_id"], href),
                    figure(r["observed"], 2),
                    figure(r["expected"], 2),
                    figure(r["from_settings"], 2, sign=True),
                    *((figure(r["from_outliers"], 2, sign=True),) if outliers else ()),
                    figure(r["unexplained"], 2, r["lo95"], r["hi95"], sign=True),
                    figure(r["shrunken"], 2, r["shrunken_lo95"], r["shrunken_hi95"], sign=True),
                    rank_cell(r),
                    words(say(STANDING[r["standing"]]) if is_told else translate_stored(r["says"])),
                    figure(r["n"], 0),
                ),
                {link: r["subject_id"]} if link else {},
            )
        )
    return Table(
        name,
        title,
        (
            Column(say("Who")),
            Column(say("Observed")),
            Column(say("Expected")),
            Column(say("By settings, {unit}", unit=unit)),
            *by_outliers,
            Column(say("Unexplained, {unit}", unit=unit)),
            Column(say("Own, {unit}", unit=unit)),
            Column(say("Rank")),
            Column(say("Against the middle"), numeric=False, wrap=True),
            Column("n"),
        ),
        tuple(body),
        say("Brackets are 95 % intervals; rank 1 is the lowest."),
    )


def _block(rows: pl.DataFrame, response: str, kind: str, shown: Shown) -> Figure:
    rows, unit = in_shown_units(rows.sort("shrunken", "subject_id", nulls_last=True), response, shown)
    title = say("{response} by {kind}", response=say(RESPONSES[response]), kind=say(KINDS[kind]))
    drawn = rows.drop_nulls("unexplained").height > 2 and kind != "season"
    chart = funnel(rows, unit, say(COUNTED[response])) if drawn else None
    link = kind if kind in {"machine", "field"} and response == DIRT else None
    return Figure(
        f"{response}-{kind}",
        f"{capital(title)}: {finding(rows, unit)}",
        "",
        chart,
        say("Own level: {title}", title=title),
        benchmark_table(f"table-{response}-{kind}", title, rows, unit, link),
    )


def _when(table: pl.DataFrame, season: Season, shown: Shown) -> str:
    """Return whose page it is, and up to which shift it compares."""
    if not table.height:
        return say("{season} · names stand here: for the manager alone", season=season.name)
    return say(
        "{season} · up to the shift of {day} · names stand here: for the manager alone",
        season=season.name,
        day=shown.day(table["last_shift_date"][0]),
    )


def fleet_page(warehouse: Warehouse, season: Season) -> Page:
    """Return the page."""
    shown = Shown(season.units, season.currency, season.time_zone)
    table, sections = warehouse.table("benchmark"), []
    for response, name in RESPONSES.items():
        blocks: list[Figure | Fold] = []
        for kind in KINDS:
            rows = table.filter((pl.col("response") == response) & (pl.col("subject_kind") == kind))
            if rows.height:
                block = _block(rows, response, kind, shown)
                stands_open = kind == "machine" and response == DIRT
                blocks.append(block if stands_open else Fold(block.finding, (block,)))
        if blocks:
            sections.append(Section(f"by-{response}", capital(say(name)), tuple(blocks)))
    reading = say(
        "Observed less expected is what the settings explain plus what nothing here explains, in the units of the "
        "response, as a mean on the fitted scale; where a few loads lie far from all others, as a mislabelled sample "
        "does, their part is given apart. “Own” is the unexplained part drawn towards the others as far as the data "
        "say; ranks rest on it. Charts show it with its 95 % interval: if that excludes zero, the middle, the subject "
        "is clearly apart. Nobody is compared on fewer than {least} loads (10 dig-behind plots for root loss). "
        "Measured associations, not verdicts: unexplained may be wear, the operator, or what nobody logs.",
        least=season.advice.min_loads,
    )
    if not sections:
        reading = say("Nothing is compared yet: too few loads are measured and traced.")
    machines = table.filter((pl.col("response") == DIRT) & (pl.col("subject_kind") == "machine"))
    lead = finding(machines, say("points")) if machines.height else reading
    names = tuple((m, m) for m in machines["subject_id"].sort().to_list())
    earlier = earlier_note(BENCHMARK, product_status(warehouse, BENCHMARK))
    first = Section(
        "reading",
        say("How to read it"),
        (
            *earlier,
            Prose(reading),
            *((Filters({"machine": (say("Machine"), names)}),) if names else ()),
        ),
    )
    return Page(
        say("The fleet compared, each under its own conditions"),
        _when(table, season, shown),
        say("Dirt tare by machine: {finding}", finding=lead) if machines.height else lead,
        say(CAUTION),
        (first, *sections, health_section(warehouse, season.catalogue, shown), price_section(season)),
        footer(warehouse),
    )


def write_fleet(warehouse: Warehouse, season: Season, out: Path, forms: Forms = HTML) -> list[Path]:
    """Write `fleet.html`, with its PDF and workbook where wanted, and return the paths."""
    with speaking(season.locale, season.texts):
        return write_page(fleet_page(warehouse, season), out / "fleet.html", forms)
