"""Overview of the season: loads, dirt, weather, and the cost of soil and lost roots."""

from typing import Any

import polars as pl

from reports.charts.season_days import season_days
from reports.charts.share_bars import share_bars
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import RESPONSES, capital, conditions_label, mean_interval
from reports.language.translate import mark, say
from reports.page.links import loads_link
from reports.page.model import Figure, Prose, Section
from reports.page.tables import Column, Table, build_table, mean_cell, number_cell, text_cell
from reports.page.theme import midnight
from reports.pages.season_data import OverviewData
from transforms.config.settings_catalogue import ROOT_LOSS

PARTS = {"soil": mark("soil hauled"), "roots": mark("roots left or broken"), "pile": mark("sugar lost in piles")}
COUNTED = {"soil": mark("loads measured"), "roots": mark("plots dug"), "pile": mark("loads measured")}


def lead(total: dict[str, Any], costs: pl.DataFrame, shown: DisplayUnits) -> str:
    """Return two sentences on the season: loads and dirt tare, and costs."""
    if not total["measured"]:
        return say("No load of the season is measured yet.")
    first = say(
        "{loads} loads, {mass}, from {fields} fields over {days} days; dirt tare {dirt} % ({span}; n = {measured}).",
        loads=number(total["loads"], 0),
        mass=shown.quantity(total["gross_t"], "t"),
        fields=number(total["fields"], 0),
        days=total["days"],
        dirt=number(total["dirt_pct"]),
        span=mean_interval(total["dirt_pct"], total["dirt_half"]),
        measured=number(total["measured"], 0),
    )
    return " ".join(filter(None, (first, _sugar(total), cost_finding(costs, shown))))


def _sugar(total: dict[str, Any]) -> str:
    """Return the sugar of the season and the part that a factory can extract, if the laboratory measures impurities."""
    if not total["sugar_loads"]:
        return ""
    return say(
        "Sugar {sugar} % of clean beet, of which a factory can extract {extracted} % (n = {n}).",
        sugar=number(total["sugar_pct"]),
        extracted=number(total["recoverable_sugar_pct"]),
        n=number(total["sugar_loads"], 0),
    )


def cost_finding(costs: pl.DataFrame, shown: DisplayUnits) -> str:
    """Return a sentence on the soil hauled, the roots and sugar lost, and their cost."""
    by = {r["part"]: r for r in costs.iter_rows(named=True)}
    if "soil" not in by:
        return ""
    total = sum(r["money"] for r in by.values())
    parts = [say("{soil} of soil was hauled", soil=shown.quantity(by["soil"]["mass_t"], "t"))]
    if "roots" in by:
        parts.append(say("{roots} of roots stayed in the fields", roots=shown.quantity(by["roots"]["mass_t"], "t")))
    if "pile" in by:
        parts.append(
            say("{sugar} of sugar is expected to be lost in piles", sugar=shown.quantity(by["pile"]["mass_t"], "t"))
        )
    largest = max(by.values(), key=lambda r: r["money"])
    return say(
        "{parts}: {money} at the prices used, most of it {largest} ({part}).",
        parts=capital("; ".join(parts)),
        money=shown.money(total),
        largest=say(PARTS[largest["part"]]),
        part=shown.money(largest["money"]),
    )


def _cost_figure(costs: pl.DataFrame, shown: DisplayUnits) -> Figure:
    ordered = costs.sort("money", descending=True)
    labels = [say(PARTS[p]) for p in ordered["part"]]
    drawn = ordered.select(
        pl.Series("label", labels, dtype=pl.String),
        pl.col("money").alias("value"),
        pl.col("money_lo95").alias("lo"),
        pl.col("money_hi95").alias("hi"),
    )
    t = shown.convert(1.0, "t")
    table = build_table(
        "cost-table",
        say("cost of the season"),
        (
            Column(say("Cause"), lambda r: text_cell(say(PARTS[r["part"]]))),
            Column(
                say("Mass, {t}", t=shown.sign("t")),
                lambda r: number_cell(r["mass_t"] * t, 0, *(v and v * t for v in (r["mass_lo95"], r["mass_hi95"]))),
            ),
            Column(
                say("Cost, {unit}", unit=shown.currency),
                lambda r: number_cell(r["money"], 0, r["money_lo95"], r["money_hi95"]),
            ),
            Column("n", lambda r: number_cell(r["n"], 0)),
            Column(say("n counts"), lambda r: text_cell(say(COUNTED[r["part"]])), numeric=False),
        ),
        ordered.iter_rows(named=True),
        caption=say(
            "Brackets are 95 % intervals of the measured values; loads not measured are assigned the mean dirt."
        ),
    )
    chart = (
        share_bars(drawn, say("cost, {unit}", unit=shown.currency), say("Cost of the season by cause."))
        if labels
        else None
    )
    return Figure(
        "cost",
        cost_finding(costs, shown) or say("No load is measured yet."),
        say("Bars at the prices used; lines are 95 % intervals of the masses."),
        chart,
        say("Cost of the season by cause"),
        table,
        open=True,
    )


def days_finding(days: pl.DataFrame, shown: DisplayUnits) -> str:
    """Return sentences on dirt and weather: the dirtiest and cleanest day, and days with and without rain."""
    known = days.drop_nulls("observed_pct")
    if known.height < 3:
        return say("Too few days are measured to compare them.")
    worst, best = known.sort("observed_pct").row(-1, named=True), known.sort("observed_pct").row(0, named=True)
    text = say(
        "Dirt was highest on {worst}, {high} % (expected {expected} %), and lowest on {best}, {low} %.",
        worst=shown.day(worst["day"]),
        high=number(worst["observed_pct"]),
        expected=number(worst["expected_pct"]),
        best=shown.day(best["day"]),
        low=number(best["observed_pct"]),
    )
    rained = pl.col("rain_mm") >= 1
    wet, dry = (known.filter(f)["observed_pct"] for f in (rained, ~rained))
    if wet.len() and dry.len():
        text += " " + say(
            "Days with rain of {one} or more ({n_wet}) brought {wet} % on average, days without ({n_dry}) {dry} %.",
            one=shown.quantity(1.0, "rain"),
            n_wet=wet.len(),
            wet=number(float(wet.sum()) / wet.len()),
            n_dry=dry.len(),
            dry=number(float(dry.sum()) / dry.len()),
        )
    return text


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
    table = build_table(
        "days-table",
        say("days of the season"),
        (
            Column(say("Day"), lambda r: text_cell(shown.day(r["day"]))),
            Column(say("Loads"), lambda r: number_cell(r["loads"], 0)),
            Column(say("Gross, {t}", t=shown.sign("t")), lambda r: number_cell(shown.convert(r["gross_t"], "t"), 0)),
            Column(say("n measured"), lambda r: number_cell(r["measured"], 0)),
            Column(say("Dirt observed, %"), lambda r: mean_cell(r["observed_pct"], r["observed_half"])),
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
    reading = say(
        "Dots: mean of the day with its 95 % interval. Dashed line: value expected for the conditions and fields at "
        "the fleet's usual settings. Below: rain."
    )
    chart = season_days(drawn, shown.sign("rain")) if drawn.drop_nulls("observed_pct").height else None
    return Figure("days", days_finding(days, shown), reading, chart, say("Dirt and rain by day of the season"), table)


def _class_table(classes: pl.DataFrame, shown: DisplayUnits) -> Table:
    def loads_of(r: dict[str, Any]) -> str:
        return loads_link("season-loads.html", wetness=r["wetness_class"], soil=r["soil_class"])

    return build_table(
        "classes",
        say("classes of conditions"),
        (
            Column(
                say("Conditions"), lambda r: text_cell(capital(conditions_label(r["wetness_class"], r["soil_class"])))
            ),
            Column(say("n loads measured"), lambda r: number_cell(r["n"], 0, href=loads_of(r))),
            Column(say("Gross, {t}", t=shown.sign("t")), lambda r: number_cell(shown.convert(r["gross_t"], "t"), 0)),
            Column(say("Dirt, %"), lambda r: mean_cell(r["dirt_pct"], r["dirt_half"])),
        ),
        classes.iter_rows(named=True),
        caption=say(
            "Mean dirt tare of measured loads; brackets are 95 % intervals with visits (machine, field and day) as "
            "sampling units, none with fewer than two visits."
        ),
        marks=lambda r: {"wetness": r["wetness_class"], "soil": r["soil_class"]},
    )


def change_finding(r: dict[str, Any], shown: DisplayUnits) -> str:
    """Return a sentence on the change of a response since the previous season and its explained parts."""
    scale, unit = (
        (shown.convert(1.0, "t/ha"), shown.sign("t/ha")) if r["response"] == ROOT_LOSS else (1.0, say("points"))
    )
    parts = ("observed_change", "from_conditions", "from_settings", "from_outliers")
    value = {k: number(r[k] * scale, 2, sign=True) for k in parts}
    own = say(
        "{value} ({lo} to {hi})",
        value=number(r["unexplained"] * scale, 2, sign=True),
        lo=number(r["lo95"] * scale, 2),
        hi=number(r["hi95"] * scale, 2),
    )
    settings = value["from_settings"]
    if r["from_outliers"]:
        settings = say("{settings}, outlying loads {outliers}", settings=settings, outliers=value["from_outliers"])
    return say(
        "{response}, season of {this} compared with {before}: {change} {unit}, of which conditions {conditions}, "
        "settings {settings}, unexplained {own}; n = {n}.",
        response=capital(say(RESPONSES[r["response"]])),
        this=r["season_start"],
        before=r["before"],
        change=value["observed_change"],
        unit=unit,
        conditions=value["from_conditions"],
        settings=settings,
        own=own,
        n=number(r["n"], 0),
    )


def overview_section(data: OverviewData, shown: DisplayUnits) -> Section:
    """Return the first section of the report."""
    changed = [Prose(change_finding(r, shown)) for r in data.changes.iter_rows(named=True)]
    return Section(
        "glance",
        say("The season at a glance"),
        (
            _cost_figure(data.costs, shown),
            *changed,
            _days_figure(data.days, shown),
            _class_table(data.classes, shown),
        ),
    )
