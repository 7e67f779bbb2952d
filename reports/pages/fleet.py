"""Fleet page: comparison of machines, operators, growers and fields, with names; for the manager only."""

from pathlib import Path

import polars as pl

from reports.charts.funnel import funnel
from reports.charts.subject_groups import subject_groups
from reports.language.basis_messages import earlier_note
from reports.language.display_units import DisplayUnits
from reports.language.labels import RESPONSES, UNJUDGED, capital, counted_label
from reports.language.translate import mark, say, say_n, use_language
from reports.page.formats import HTML, OutputFormats
from reports.page.html import write_page
from reports.page.links import loads_link
from reports.page.model import Chart, Figure, Fold, Page, Prose, Section
from reports.page.theme import FEW
from reports.pages.fleet_data import FleetPageData
from reports.pages.fleet_tables import (
    benchmark_table,
    comparison_count,
    comparison_finding,
    effect_digits,
    in_shown_units,
    shown_amount,
)
from reports.sections.data_health import footer, health_section
from reports.sections.district_map import district_map, map_reading
from reports.sections.prices import price_section
from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.config.workspace import Season
from transforms.storage.product_basis import BENCHMARK

KINDS = {
    "machine": mark("machine"),
    "operator": mark("operator"),
    "grower": mark("grower"),
    "field": mark("field"),
    "season": mark("season"),
}
MANY = {"grower", "field"}
"""Kinds with too many subjects for a row each: they have a funnel instead."""
FEW_GROUP = {UNJUDGED: mark("Few, not judged")}
GROUPS = {"higher": mark("Above usual"), "usual": mark("Usual"), "lower": mark("Below usual"), **FEW_GROUP}
DIRT_GROUPS = {"higher": mark("Dirtier"), "usual": mark("Usual"), "lower": mark("Cleaner"), **FEW_GROUP}
"""Code of a standing -> name of the group; texts and charts share the code."""


def machine_rows(comparison: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of `benchmark` that compare the dirt of machines."""
    return comparison.filter((pl.col("response") == DIRT) & (pl.col("subject_kind") == "machine"))


def fleet_title(machines: pl.DataFrame) -> str:
    """Return the page's answer: the number of machines that are dirtier than their conditions explain."""
    known = machines.drop_nulls("standing")
    dirtier = known.filter(pl.col("standing") == "higher").height
    if not known.height:
        return say("No machine can be compared yet")
    if not dirtier:
        return say("No machine is dirtier than its conditions explain")
    return say_n(
        "{n} of {all} machines is dirtier than its conditions explain",
        "{n} of {all} machines are dirtier than their conditions explain",
        dirtier,
        all=known.height,
    )


def fleet_sentence(machines: pl.DataFrame) -> str:
    """Return one sentence on the dirtiest machine; on the fleet if none is clearly dirtier."""
    known = machines.drop_nulls("standing")
    if not known.height:
        return say("Too few loads are measured and traced for a comparison.")
    dirtier = known.filter(pl.col("standing") == "higher").sort("shrunken", "subject_id")
    if not dirtier.height:
        return say_n(
            "The interval of the one machine compared reaches the fleet's usual dirt tare or lies below it.",
            "The intervals of all {n} machines reach the fleet's usual dirt tare or lie below it.",
            known.height,
        )
    worst = dirtier.row(-1, named=True)
    return say(
        "{name} is highest: {amount} of dirt above the fleet's usual value, under the same conditions and settings.",
        name=worst["subject_id"],
        amount=shown_amount(worst, say("points"), effect_digits(known)),
    )


def _axis_title(response: str, unit: str) -> str:
    if response == ROOT_LOSS:
        return say("{unit} above or below usual", unit=unit)
    return say("points above or below usual")


def _chart(rows: pl.DataFrame, response: str, kind: str, unit: str) -> Chart | None:
    """Return the funnel of a kind with many subjects, or a row for each subject; None for fewer than three."""
    if rows.drop_nulls("unexplained").height < 3 or kind == "season":
        return None
    if kind in MANY:
        return funnel(rows, unit, counted_label(response))
    names = {code: say(text) for code, text in (DIRT_GROUPS if response == DIRT else GROUPS).items()}
    return subject_groups(rows, names, _axis_title(response, unit), counted_label(response))


def _reading(rows: pl.DataFrame, kind: str) -> str:
    """Return instructions for the marks of a chart with names; empty for a funnel."""
    if kind in MANY or kind == "season":
        return ""
    few = say("Paler: n below {few}.", few=FEW) if (rows["n"].fill_null(FEW) < FEW).any() else ""
    return " ".join(t for t in (say("Lines: 95 % intervals."), few) if t)


def _block(rows: pl.DataFrame, response: str, kind: str, shown: DisplayUnits, finding: str) -> Figure:
    title = say("{response} by {kind}", response=say(RESPONSES[response]), kind=say(KINDS[kind]))
    link = kind if kind in {"machine", "field"} and response == DIRT else None
    shown_rows, unit = in_shown_units(rows.sort("shrunken", "subject_id", nulls_last=True), response, shown)
    return Figure(
        f"{response}-{kind}",
        finding,
        _reading(rows, kind),
        _chart(shown_rows, response, kind, unit),
        say("Own effect: {title}", title=title),
        benchmark_table(f"table-{response}-{kind}", title, shown_rows, unit, link),
    )


def _is_clear(rows: pl.DataFrame) -> bool:
    """Return True if any subject of a comparison clearly differs from the usual value."""
    return bool((rows.drop_nulls("standing")["standing"] != "usual").any())


def other_comparisons(table: pl.DataFrame, shown: DisplayUnits) -> tuple[Fold, ...]:
    """Return a fold for each comparison that finds a difference, and one for all others, but not for machines' dirt."""
    folds, unclear = [], []
    for response, response_name in RESPONSES.items():
        for kind, kind_name in KINDS.items():
            rows = table.filter((pl.col("response") == response) & (pl.col("subject_kind") == kind))
            if not rows.height or (response, kind) == (DIRT, "machine"):
                continue
            title = say("{response} by {kind}", response=say(response_name), kind=say(kind_name))
            in_units, unit = in_shown_units(rows, response, shown)
            finding = f"{capital(title)}: {comparison_finding(in_units, unit)}"
            block = _block(rows, response, kind, shown, finding)
            if _is_clear(rows):
                folds.append(Fold(f"{capital(title)}: {comparison_count(rows)}", (block,)))
            else:
                unclear.append(block)
    if unclear:
        summary = say_n(
            "{n} comparison without a clear difference",
            "{n} comparisons without a clear difference",
            len(unclear),
        )
        folds.append(Fold(summary, tuple(unclear)))
    return tuple(folds)


def _when(table: pl.DataFrame, season: Season, shown: DisplayUnits) -> str:
    """Return the line above the heading: season, last shift, and the restriction to the manager."""
    if not table.height:
        return say("{season} · contains names: for the manager alone", season=season.name)
    return say(
        "{season} · up to the shift of {day} · contains names: for the manager alone",
        season=season.name,
        day=shown.day(table["last_shift_date"][0]),
    )


def _explanation(season: Season) -> Fold:
    reading = say(
        "Observed minus expected is the part explained by settings plus the unexplained part, in the units of the "
        "response, as a mean on the fitted scale; if a few loads are far from all others, as with a mislabelled "
        "sample, their part is shown separately. “Own effect” is the unexplained part, shrunk towards the others "
        "according to its uncertainty; ranks use it. Charts show it with its 95 % interval: if that excludes zero, "
        "the usual value, the subject clearly differs. Nobody is compared on fewer than {min_loads} loads (10 "
        "dig-behind plots for root loss), or judged and ranked on fewer than {few}: such values are pale. These are "
        "measured associations, not verdicts: the unexplained part may be wear, the operator, or something that nobody "
        "records.",
        min_loads=season.advice.min_loads,
        few=FEW,
    )
    return Fold(say("How to read it"), (Prose(reading),))


def fleet_page(data: FleetPageData, season: Season) -> Page:
    """Return the fleet page."""
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    machines = machine_rows(data.comparison)
    finding = say("Each machine against the fleet's usual dirt tare in the same conditions")
    figure = (_block(machines, DIRT, "machine", shown, finding),) if machines.height else ()
    others = other_comparisons(data.comparison, shown)
    other_section = (Section("others", say("Other comparisons"), others),) if others else ()
    fields = district_map(
        data.district, shown, say("Fields of the season"), lambda field: loads_link("season-loads.html", field=field)
    )
    return Page(
        fleet_title(machines),
        _when(data.comparison, season, shown),
        fleet_sentence(machines),
        None,
        (
            Section("machines", "", (*earlier_note(BENCHMARK, data.status), *figure)),
            Section("reading", "", (_explanation(season),)),
            *other_section,
            Section("map", "", (fields, Prose(map_reading()))),
            health_section(data.health, season.catalogue, shown),
            price_section(season),
        ),
        footer(data.footer),
        name=say("Fleet comparison"),
    )


def write_fleet(data: FleetPageData, season: Season, out: Path, formats: OutputFormats = HTML) -> list[Path]:
    """Write `fleet.html`, with its PDF and workbook if requested, and return the paths."""
    with use_language(season.locale, season.texts):
        return write_page(fleet_page(data, season), out / "fleet.html", formats)
