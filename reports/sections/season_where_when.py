"""Second page of the season report: dirt by day with rain, and dirt by topsoil and soil."""

from typing import Any

import polars as pl

from reports.charts.season_days import season_days
from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.labels import capital, conditions_label, interval
from reports.language.translate import say, say_n, translated
from reports.page.links import loads_link
from reports.page.model import Figure, Prose, Section
from reports.page.summary import Grid, GridCell
from reports.page.tables import Cell, Column, Table, build_table, few_cell, mean_cell, number_cell, text_cell
from reports.page.theme import FEW, midnight
from reports.pages.season_data import OverviewData
from reports.sections.district_map import district_map
from reports.sections.district_map_data import DistrictMapData
from reports.sections.few_loads import pale_words
from transforms.contracts.classes import SOIL_CLASSES, WETNESS_CLASSES

STRENGTHS = 5
"""Number of tints of the grid."""


def days_finding(days: pl.DataFrame, shown: DisplayUnits) -> str:
    """Return sentences on dirt and weather: the dirtiest and cleanest day, and loads of days with and without rain.

    Only days with at least `FEW` measured loads are ranked, and only groups of days with as many are compared.
    """
    known = days.drop_nulls("observed_pct")
    ranked = known.filter(pl.col("measured") >= FEW).sort("observed_pct", "day")
    texts = [_ends_words(ranked, shown)] if ranked.height > 1 else []
    rained = pl.col("rain_mm") >= 1
    wet, dry = known.filter(rained), known.filter(~rained)
    n_wet, n_dry = int(wet["measured"].sum()), int(dry["measured"].sum())
    if min(n_wet, n_dry) >= FEW:
        texts.append(
            say(
                "Days with rain of {one} or more (n = {n_wet} loads) brought {wet} % on average, days without "
                "(n = {n_dry} loads) {dry} %.",
                one=shown.quantity(1.0, "rain"),
                n_wet=number(n_wet, 0),
                wet=number(float((wet["observed_pct"] * wet["measured"]).sum()) / n_wet),
                n_dry=number(n_dry, 0),
                dry=number(float((dry["observed_pct"] * dry["measured"]).sum()) / n_dry),
            )
        )
    return " ".join(texts) or say("No two days have {few} measured loads each, so none are compared.", few=FEW)


def _ends_words(ranked: pl.DataFrame, shown: DisplayUnits) -> str:
    """Return a sentence on the dirtiest and the cleanest of days that are sorted by dirt."""
    worst, best = ranked.row(-1, named=True), ranked.row(0, named=True)
    return say(
        "Dirt was highest on {worst}, {high} % (expected {expected} %, n = {n_high}), and lowest on {best}, {low} % "
        "(n = {n_low}).",
        worst=shown.day(worst["day"]),
        high=number(worst["observed_pct"]),
        expected=number(worst["expected_pct"]),
        n_high=number(worst["measured"], 0),
        best=shown.day(best["day"]),
        low=number(best["observed_pct"]),
        n_low=number(best["measured"], 0),
    )


def _observed_cell(r: dict[str, Any]) -> Cell:
    """Return the mean dirt of a day with its interval; pale if few loads are behind it."""
    return few_cell(mean_cell(r["observed_pct"], r["observed_half"]), r["measured"], FEW, say("few loads"))


def _days_table(days: pl.DataFrame, shown: DisplayUnits) -> Table:
    return build_table(
        "days-table",
        say("days of the season"),
        (
            Column(say("Day"), lambda r: text_cell(shown.day(r["day"]))),
            Column(say("Loads"), lambda r: number_cell(r["loads"], 0)),
            Column(
                say("Delivered (with soil), {t}", t=shown.sign("t")),
                lambda r: number_cell(shown.convert(r["delivered_t"], "t"), 0),
            ),
            Column(say("n measured"), lambda r: number_cell(r["measured"], 0)),
            Column(say("Dirt observed, %"), _observed_cell),
            Column(say("Dirt expected, %"), lambda r: number_cell(r["expected_pct"])),
            Column(
                say("Rain, {unit}", unit=shown.sign("rain")),
                lambda r: number_cell(shown.convert(r["rain_mm"], "rain"), shown.digits("rain")),
            ),
            Column(say("Topsoil wetness, 0 to 1"), lambda r: number_cell(r["topsoil_wetness"], 2)),
        ),
        days.iter_rows(named=True),
        caption=say("Brackets are 95 % intervals of the day's mean; rain is the mean of the stations."),
    )


def _days_figure(days: pl.DataFrame, shown: DisplayUnits) -> Figure:
    factor, _ = shown.straight("rain")
    half = pl.col("observed_half")
    drawn = days.select(
        pl.Series("day", [midnight(d) for d in days["day"]], dtype=pl.String),
        "observed_pct",
        "expected_pct",
        "measured",
        "topsoil_wetness",
        (pl.col("observed_pct") - half).alias("lo"),
        (pl.col("observed_pct") + half).alias("hi"),
        (pl.col("rain_mm") * factor).alias("rain"),
    )
    reading = say(
        "Dots: mean of the day with its 95 % interval. Dashed line: value expected for the conditions and fields at "
        "the fleet's usual settings. Below: rain."
    )
    if ((days["measured"] > 0) & (days["measured"] < FEW)).any():
        reading += " " + pale_words()
    chart = season_days(drawn, shown.sign("rain")) if drawn.drop_nulls("observed_pct").height else None
    table = _days_table(days, shown)
    alt = say("Dirt and rain by day of the season")
    return Figure("days", days_finding(days, shown), reading, chart, alt, table, on_paper=False)


def classes_finding(classes: pl.DataFrame) -> str:
    """Return a sentence on the dirtiest and the cleanest class among those with enough measured loads."""
    known = classes.filter(pl.col("n") >= FEW).sort("dirt_pct")
    if known.height < 2:
        return say("Too few loads are measured to compare classes of topsoil and soil.")
    best, worst = known.row(0, named=True), known.row(-1, named=True)
    return say(
        "Dirt was highest in {worst}, {high} %, and lowest in {best}, {low} %.",
        worst=conditions_label(worst["wetness_class"], worst["soil_class"]),
        high=number(worst["dirt_pct"]),
        best=conditions_label(best["wetness_class"], best["soil_class"]),
        low=number(best["dirt_pct"]),
    )


def _strength(value: float, low: float, high: float) -> int:
    """Return the tint of a value between the lowest and the highest one."""
    return min(int(STRENGTHS * (value - low) / (high - low)), STRENGTHS - 1) if high > low else 0


def _classes_grid(classes: pl.DataFrame) -> Grid:
    by = {(r["wetness_class"], r["soil_class"]): r for r in classes.iter_rows(named=True)}
    known = [r["dirt_pct"] for r in by.values() if r["n"] >= FEW]
    low, high = (min(known), max(known)) if known else (0.0, 0.0)

    def cell(wetness: str, soil: str) -> GridCell:
        r = by.get((wetness, soil))
        if r is None:
            return GridCell(NO_VALUE, (say("no load"),), is_pale=True)
        value, href = number(r["dirt_pct"]), loads_link("season-loads.html", wetness=wetness, soil=soil)
        if r["n"] < FEW:
            few = say_n("only {n} load", "only {n} loads", r["n"])
            return GridCell(value, (few,), is_pale=True, href=href)
        half = r["dirt_half"]
        span = () if half is None else (interval(r["dirt_pct"] - half, r["dirt_pct"] + half, 1),)
        counted = say("n = {n}", n=number(r["n"], 0))
        return GridCell(value, (*span, counted), _strength(r["dirt_pct"], low, high), href=href)

    return Grid(
        "classes",
        say("Topsoil"),
        tuple(capital(say("{soil} soil", soil=translated(s))) for s in SOIL_CLASSES),
        tuple((capital(translated(w)), tuple(cell(w, s) for s in SOIL_CLASSES)) for w in WETNESS_CLASSES),
        say(
            "Mean dirt, %, of measured loads, with its 95 % interval; darker is dirtier. Pale: fewer than {few} loads, "
            "too few to rely on.",
            few=FEW,
        ),
    )


def where_when_section(data: OverviewData, district: DistrictMapData, shown: DisplayUnits) -> Section:
    """Return the section on the days and places of the dirt."""
    when = (_days_figure(data.days, shown),)
    fields = district_map(
        district, shown, say("Fields of the season"), lambda field: loads_link("season-loads.html", field=field)
    )
    where = (Prose(classes_finding(data.classes)), _classes_grid(data.classes), fields)
    return Section("where", say("Where and when"), (*when, *where), new_page=True)
