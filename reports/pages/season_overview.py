"""Tables of the season in the appendix: cost by cause, change since the previous season, classes of conditions."""

from typing import Any

import polars as pl

from reports.language.display_units import DisplayUnits, number
from reports.language.labels import RESPONSES, capital, conditions_label
from reports.language.precision import money_range, plain_money
from reports.language.translate import mark, say
from reports.page.links import loads_link
from reports.page.model import Prose, Section
from reports.page.tables import Cell, Column, Table, build_table, mean_cell, number_cell, text_cell
from reports.page.theme import FEW
from reports.pages.season_data import OverviewData
from reports.sections.season_cost import PARTS
from transforms.advice.cost import OVER_TOPPED_LOSS
from transforms.advice.season_cost import CUT, LEAF, PILE, ROOTS, SOIL
from transforms.config.response_catalogue import ROOT_LOSS

COUNTED = {
    SOIL: mark("loads measured"),
    ROOTS: mark("plots dug"),
    LEAF: mark("loads with top tare"),
    CUT: mark("quality checks"),
    PILE: mark("loads measured"),
}
"""Part of the cost -> the measurements that its n counts."""


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


def _money_cell(r: dict[str, Any]) -> Cell:
    """Return the cost of a part to two significant digits; an assumed part has no interval."""
    lo, hi = (None, None) if r["part"] == PILE else (r["money_lo95"], r["money_hi95"])
    text = plain_money(r["money"])
    if lo is not None and hi is not None:
        text = say("{value} ({span})", value=text, span=money_range(lo, hi))
    return Cell(text, r["money"], lo, hi)


def _cost_table(costs: pl.DataFrame, shown: DisplayUnits) -> Table:
    t = shown.convert(1.0, "t")

    def mass(r: dict[str, Any]) -> Cell:
        if r["part"] == PILE:
            return number_cell(r["mass_t"] * t, 0)
        return number_cell(r["mass_t"] * t, 0, *(v and v * t for v in (r["mass_lo95"], r["mass_hi95"])))

    return build_table(
        "cost-table",
        say("cost of the season"),
        (
            Column(say("Cause"), lambda r: text_cell(capital(say(PARTS[r["part"]])))),
            Column(say("Mass, {t}", t=shown.sign("t")), mass),
            Column(say("Cost, about, {unit}", unit=shown.currency), _money_cell),
            Column("n", lambda r: number_cell(r["n"], 0)),
            Column(say("n counts"), lambda r: text_cell(say(COUNTED[r["part"]])), numeric=False),
        ),
        costs.sort("money", descending=True).iter_rows(named=True),
        caption=say(
            "Brackets are 95 % intervals of the measured values; loads not measured are assigned the mean dirt and top "
            "tare. A root topped too deep is counted as losing {share} % of its mass, a published figure. Sugar lost "
            "in piles depends on assumed days and temperatures and has no interval.",
            share=number(100 * OVER_TOPPED_LOSS, 0),
        ),
    )


def _dirt_cell(r: dict[str, Any]) -> Cell:
    """Return the mean dirt of a class with its interval; marked as uncertain if few loads are behind it."""
    if r["n"] >= FEW:
        return mean_cell(r["dirt_pct"], r["dirt_half"])
    return Cell(say("{value}, uncertain: few loads", value=number(r["dirt_pct"])), r["dirt_pct"])


def _class_table(classes: pl.DataFrame, shown: DisplayUnits) -> Table:
    def loads_of(r: dict[str, Any]) -> str:
        return loads_link("season-loads.html", wetness=r["wetness_class"], soil=r["soil_class"])

    return build_table(
        "classes-table",
        say("classes of conditions"),
        (
            Column(
                say("Conditions"), lambda r: text_cell(capital(conditions_label(r["wetness_class"], r["soil_class"])))
            ),
            Column(say("n loads measured"), lambda r: number_cell(r["n"], 0, href=loads_of(r))),
            Column(
                say("Delivered (with soil), {t}", t=shown.sign("t")),
                lambda r: number_cell(shown.convert(r["delivered_t"], "t"), 0),
            ),
            Column(say("Dirt, %"), _dirt_cell),
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
    """Return the section with the season's tables: cost, sugar, change since the previous season, conditions."""
    changed = [change_finding(r, shown) for r in data.changes.iter_rows(named=True)]
    sentences = tuple(Prose(s) for s in (_sugar(data.total), *changed) if s)
    tables = (_cost_table(data.costs, shown), _class_table(data.classes, shown))
    return Section("glance", say("The season in tables"), (*sentences, *tables))
