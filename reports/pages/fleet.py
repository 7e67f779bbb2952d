"""Fleet page: comparison of machines, operators, growers and fields, with names; for the manager only."""

from pathlib import Path
from typing import Any

import polars as pl

from reports.charts.funnel import STANDING, funnel
from reports.language.basis_messages import earlier_note
from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.labels import COUNTED, RESPONSES, capital, interval
from reports.language.reason_text import row_reason
from reports.language.translate import mark, say, say_n, use_language
from reports.page.formats import HTML, OutputFormats
from reports.page.html import write_page
from reports.page.links import loads_link
from reports.page.model import Figure, Filters, Fold, Page, Prose, Section
from reports.page.tables import Cell, Column, Table, build_table, number_cell, text_cell
from reports.pages.fleet_data import FleetPageData
from reports.sections.cautions import CAUTION
from reports.sections.data_health import footer, health_section
from reports.sections.prices import price_section
from transforms.config.settings_catalogue import DIRT, ROOT_LOSS
from transforms.config.workspace import Season
from transforms.storage.product_basis import BENCHMARK

KINDS = {
    "machine": mark("machine"),
    "operator": mark("operator"),
    "grower": mark("grower"),
    "field": mark("field"),
    "season": mark("season"),
}


def in_shown_units(rows: pl.DataFrame, response: str, shown: DisplayUnits) -> tuple[pl.DataFrame, str]:
    """Return `benchmark` rows in displayed units, and the unit."""
    if response != ROOT_LOSS:
        return rows, say("points")
    factor = shown.convert(1.0, "t/ha")
    floats = [c for c, t in rows.schema.items() if t == pl.Float64 and c != "overdispersion"]
    return rows.with_columns(pl.col(floats) * factor), shown.sign("t/ha")


def comparison_finding(rows: pl.DataFrame, unit: str) -> str:
    """Return a sentence on the number of subjects compared, and those that clearly differ from the middle."""
    known = rows.drop_nulls("shrunken").sort("shrunken")
    if not known.height:
        return say("no comparison: {reason}.", reason=row_reason(rows.row(0, named=True)))
    different = known.filter(pl.col("standing") != "usual")
    counted = say("{compared} of {all} compared", compared=known.height, all=rows.height)
    if not different.height:
        return say("{counted}; none differs clearly from the middle.", counted=counted)
    ends = []
    if different["standing"][-1] == "higher":
        ends.append(say("highest {name}", name=_end(different, -1, unit)))
    if different["standing"][0] == "lower":
        ends.append(say("lowest {name}", name=_end(different, 0, unit)))
    return say_n(
        "{counted}; {n} differs clearly from the middle: {ends}.",
        "{counted}; {n} differ clearly from the middle: {ends}.",
        different.height,
        counted=counted,
        ends=", ".join(ends),
    )


def _end(different: pl.DataFrame, at: int, unit: str) -> str:
    r = different.row(at, named=True)
    span = interval(r["shrunken_lo95"], r["shrunken_hi95"], 2)
    return say(
        "{name}, {value} {unit} ({span})",
        name=r["subject_id"],
        value=number(r["shrunken"], 2, sign=True),
        unit=unit,
        span=span,
    )


def rank_cell(r: dict[str, Any]) -> Cell:
    """Return a cell with the rank, its interval and the number of subjects; a dash if there is no rank."""
    if r["rank"] is None:
        return Cell(NO_VALUE)
    text = say(
        "{rank} ({lo} to {hi} of {all})", rank=r["rank"], lo=r["rank_lo95"], hi=r["rank_hi95"], all=r["subjects"]
    )
    return Cell(text, r["rank"], r["rank_lo95"], r["rank_hi95"])


def _standing_words(r: dict[str, Any]) -> str:
    """Return where a subject is among all, or the reason why it is not compared."""
    return say(STANDING[r["standing"]]) if r["observed"] is not None else row_reason(r)


def benchmark_table(name: str, title: str, rows: pl.DataFrame, unit: str, link: str | None = None) -> Table:
    """Return the table of one response and kind of subject; `link` is the mark that selects a subject's loads."""
    outliers = bool((rows["from_outliers"].fill_null(0.0) != 0).any())
    by_outliers = Column(
        say("By outlying loads, {unit}", unit=unit), lambda r: number_cell(r["from_outliers"], 2, sign=True)
    )
    return build_table(
        name,
        title,
        (
            Column(
                say("Name"),
                lambda r: text_cell(
                    r["subject_id"], loads_link("season-loads.html", **{link: r["subject_id"]}) if link else None
                ),
            ),
            Column(say("Observed"), lambda r: number_cell(r["observed"], 2)),
            Column(say("Expected"), lambda r: number_cell(r["expected"], 2)),
            Column(say("By settings, {unit}", unit=unit), lambda r: number_cell(r["from_settings"], 2, sign=True)),
            *((by_outliers,) if outliers else ()),
            Column(
                say("Unexplained, {unit}", unit=unit),
                lambda r: number_cell(r["unexplained"], 2, r["lo95"], r["hi95"], sign=True),
            ),
            Column(
                say("Own effect, {unit}", unit=unit),
                lambda r: number_cell(r["shrunken"], 2, r["shrunken_lo95"], r["shrunken_hi95"], sign=True),
            ),
            Column(say("Rank"), rank_cell),
            Column(say("Compared with the middle"), lambda r: text_cell(_standing_words(r)), numeric=False, wrap=True),
            Column("n", lambda r: number_cell(r["n"], 0)),
        ),
        rows.iter_rows(named=True),
        caption=say("Brackets are 95 % intervals; rank 1 is the lowest."),
        marks=lambda r: {link: r["subject_id"]} if link else {},
    )


def _block(rows: pl.DataFrame, response: str, kind: str, shown: DisplayUnits) -> Figure:
    rows, unit = in_shown_units(rows.sort("shrunken", "subject_id", nulls_last=True), response, shown)
    title = say("{response} by {kind}", response=say(RESPONSES[response]), kind=say(KINDS[kind]))
    drawn = rows.drop_nulls("unexplained").height > 2 and kind != "season"
    chart = funnel(rows, unit, say(COUNTED[response])) if drawn else None
    link = kind if kind in {"machine", "field"} and response == DIRT else None
    return Figure(
        f"{response}-{kind}",
        f"{capital(title)}: {comparison_finding(rows, unit)}",
        "",
        chart,
        say("Own effect: {title}", title=title),
        benchmark_table(f"table-{response}-{kind}", title, rows, unit, link),
    )


def _when(table: pl.DataFrame, season: Season, shown: DisplayUnits) -> str:
    """Return the line below the heading: season, last shift, and the restriction to the manager."""
    if not table.height:
        return say("{season} · contains names: for the manager alone", season=season.name)
    return say(
        "{season} · up to the shift of {day} · contains names: for the manager alone",
        season=season.name,
        day=shown.day(table["last_shift_date"][0]),
    )


def fleet_page(data: FleetPageData, season: Season) -> Page:
    """Return the fleet page."""
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    table, sections = data.comparison, []
    for response, name in RESPONSES.items():
        blocks: list[Figure | Fold] = []
        for kind in KINDS:
            rows = table.filter((pl.col("response") == response) & (pl.col("subject_kind") == kind))
            if rows.height:
                block = _block(rows, response, kind, shown)
                is_open = kind == "machine" and response == DIRT
                blocks.append(block if is_open else Fold(block.finding, (block,)))
        if blocks:
            sections.append(Section(f"by-{response}", capital(say(name)), tuple(blocks)))
    reading = say(
        "Observed minus expected is the part explained by settings plus the unexplained part, in the units of the "
        "response, as a mean on the fitted scale; if a few loads are far from all others, as with a mislabelled "
        "sample, their part is shown separately. “Own effect” is the unexplained part, shrunk towards the others "
        "according to its uncertainty; ranks use it. Charts show it with its 95 % interval: if that excludes zero, "
        "the middle, the subject clearly differs. Nobody is compared on fewer than {min_loads} loads (10 dig-behind "
        "plots for root loss). These are measured associations, not verdicts: the unexplained part may be wear, the "
        "operator, or something that nobody records.",
        min_loads=season.advice.min_loads,
    )
    if not sections:
        reading = say("No comparison yet: too few loads are measured and traced.")
    machines = table.filter((pl.col("response") == DIRT) & (pl.col("subject_kind") == "machine"))
    lead = comparison_finding(machines, say("points")) if machines.height else reading
    names = tuple((m, m) for m in machines["subject_id"].sort().to_list())
    earlier = earlier_note(BENCHMARK, data.status)
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
        say("Fleet comparison, each under its own conditions"),
        _when(table, season, shown),
        say("Dirt tare by machine: {finding}", finding=lead) if machines.height else lead,
        say(CAUTION),
        (first, *sections, health_section(data.health, season.catalogue, shown), price_section(season)),
        footer(data.footer),
    )


def write_fleet(data: FleetPageData, season: Season, out: Path, formats: OutputFormats = HTML) -> list[Path]:
    """Write `fleet.html`, with its PDF and workbook if requested, and return the paths."""
    with use_language(season.locale, season.texts):
        return write_page(fleet_page(data, season), out / "fleet.html", formats)
