"""First page of the season report: cost of the season by cause, three tiles, and savings with better settings."""

from collections.abc import Iterable
from typing import Any

import polars as pl

from reports.language.basis_messages import earlier_note
from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.labels import capital, interval
from reports.language.precision import about_money, decimals, mass_words, money_range, plain_money, round_significant
from reports.language.translate import mark, say
from reports.page.model import Prose, Section
from reports.page.summary import BarPart, PartBar, Tile, Tiles
from reports.page.theme import FEW
from reports.pages.season_data import OverviewData
from reports.sections.prices import assumption_words
from reports.sections.season_worth import share_words, worth_finding
from reports.sections.season_worth_data import SeasonGuideData
from transforms.advice.cost import OVER_TOPPED_LOSS
from transforms.advice.season_cost import CUT, LEAF, PILE, ROOTS, SOIL
from transforms.config.workspace import Prices, Season
from transforms.storage.product_basis import GUIDE

MILLION = 1e6
MASS_DIGITS = 3
"""Significant digits of masses, whose intervals are a few percent wide."""
PARTS = {
    SOIL: mark("soil hauled"),
    ROOTS: mark("roots left in the fields"),
    LEAF: mark("leaf and crown delivered"),
    CUT: mark("beet topped too deep"),
    PILE: mark("sugar lost in piles (assumed)"),
}
"""Part of the cost -> label, in the order shown."""
TOPPING = "topping"
HEADINGS = {
    frozenset({SOIL, ROOTS, TOPPING, PILE}): mark("The season cost {money} in soil, lost roots, topping and storage"),
    frozenset({SOIL, ROOTS, TOPPING}): mark("The season cost {money} in soil, lost roots and topping"),
    frozenset({SOIL, ROOTS, PILE}): mark("The season cost {money} in soil, lost roots and storage"),
    frozenset({SOIL, ROOTS}): mark("The season cost {money} in soil and lost roots"),
    frozenset({SOIL, TOPPING, PILE}): mark("The season cost {money} in soil, topping and storage"),
    frozenset({SOIL, TOPPING}): mark("The season cost {money} in soil and topping"),
    frozenset({SOIL, PILE}): mark("The season cost {money} in soil and storage"),
    frozenset({SOIL}): mark("The season cost {money} in soil"),
}
MEASURED = {
    frozenset({SOIL, ROOTS, TOPPING}): mark("Soil, lost roots and topping, which are measured, cost {money}."),
    frozenset({SOIL, ROOTS}): mark("Soil and lost roots, which are measured, cost {money}."),
    frozenset({SOIL, TOPPING}): mark("Soil and topping, which are measured, cost {money}."),
    frozenset({SOIL}): mark("Soil, which is measured, cost {money}."),
}
FILLED_BY = {
    ROOTS: mark("roots left in the fields (plots dug behind the machines would show it)"),
    LEAF: mark("leaf and crown delivered (top tare from the laboratory would show it)"),
    CUT: mark("beet topped too deep (quality checks that count such roots would show it)"),
    PILE: mark("sugar lost in piles (weather on the days of the measured loads would show it)"),
}
"""Part of the cost -> the part and the data that would fill it, if it has none."""
COUNTED = {
    SOIL: mark("{mass}, {n} loads measured"),
    ROOTS: mark("{mass}, {n} plots dug"),
    LEAF: mark("{mass}, {n} loads with top tare"),
    CUT: mark("{mass}, {n} quality checks; a root topped too deep loses {share} % (published)"),
}
"""Measured part of the cost -> its mass and the measurements that it rests on."""

Costs = dict[str, dict[str, Any]]


def costs_by_part(costs: pl.DataFrame) -> Costs:
    """Return the rows of `season_cost` by part."""
    return {r["part"]: r for r in costs.iter_rows(named=True)}


def unmeasured_parts(costs: pl.DataFrame) -> list[str]:
    """Return the parts of the cost for which the season has no data."""
    by = costs_by_part(costs)
    return [part for part in FILLED_BY if part not in by]


def _causes(parts: Iterable[str]) -> frozenset[str]:
    """Return the causes named in a sentence: both parts of topping are one."""
    return frozenset(TOPPING if part in {LEAF, CUT} else part for part in parts)


def about_amount(value: float, shown: DisplayUnits) -> str:
    """Return an amount of money to two significant digits, in millions if it is that large."""
    if abs(value) < MILLION:
        return about_money(value, shown)
    millions = round_significant(value) / MILLION
    return say("about {n} million {currency}", n=number(millions, decimals(millions)), currency=shown.currency)


def season_heading(costs: pl.DataFrame, shown: DisplayUnits) -> str:
    """Return the heading of the report: the cost of the season."""
    by = costs_by_part(costs)
    if SOIL not in by:
        return say("No load of the season is measured yet")
    return say(HEADINGS[_causes(by)], money=about_amount(sum(r["money"] for r in by.values()), shown))


def season_when(name: str, total: dict[str, Any], shown: DisplayUnits) -> str:
    """Return the line above the heading: season, loads, fields and days."""
    if total["last_day"] is None:
        return name
    return say(
        "{season} · {loads} loads, {mass}, from {fields} fields in {days} days, up to {day}",
        season=name,
        loads=number(total["loads"], 0),
        mass=mass_words(total["delivered_t"], shown, MASS_DIGITS),
        fields=number(total["fields"], 0),
        days=number(total["days"], 0),
        day=shown.day(total["last_day"]),
    )


def storage_sentence(pile: dict[str, Any], prices: Prices, shown: DisplayUnits) -> str:
    """Return a sentence on the expected cost of storage with the assumption that it depends on."""
    return say(
        "Storage is not measured: {money} if beets lie {days} days in piles at {temp}.",
        money=about_amount(pile["money"], shown),
        days=number(prices.storage_days, 0),
        temp=shown.quantity(prices.storage_temp_c, "degC"),
    )


def season_lead(costs: pl.DataFrame, prices: Prices, shown: DisplayUnits) -> str:
    """Return sentences on the measured part of the cost and on the assumed one."""
    by = costs_by_part(costs)
    measured = {part: r["money"] for part, r in by.items() if part != PILE}
    if not measured:
        return ""
    first = say(MEASURED[_causes(measured)], money=about_amount(sum(measured.values()), shown))
    return " ".join([first, *([storage_sentence(by[PILE], prices, shown)] if PILE in by else [])])


def _about_part(r: dict[str, Any], prices: Prices, shown: DisplayUnits) -> str:
    """Return the small text of a part: mass, and interval and n if it is measured."""
    if r["part"] == PILE:
        return say(
            "{mass} of sugar, if stored {days} days at {temp}",
            mass=mass_words(r["mass_t"], shown, 2),
            days=number(prices.storage_days, 0),
            temp=shown.quantity(prices.storage_temp_c, "degC"),
        )
    text = say(
        COUNTED[r["part"]],
        mass=mass_words(r["mass_t"], shown, MASS_DIGITS),
        n=number(r["n"], 0),
        share=number(100 * OVER_TOPPED_LOSS, 0),
    )
    if r["money_lo95"] is None or r["money_hi95"] is None:
        return text
    span = money_range(r["money_lo95"], r["money_hi95"])
    return say("{span} {currency}; {text}", span=span, currency=shown.currency, text=text)


def _bar(by: Costs, prices: Prices, shown: DisplayUnits) -> PartBar:
    total = sum(r["money"] for r in by.values())
    parts = tuple(
        BarPart(
            capital(say(PARTS[part])),
            say(
                "{money}, {share} %",
                money=about_amount(by[part]["money"], shown),
                share=number(100 * by[part]["money"] / total if total else 0.0, 0),
            ),
            by[part]["money"] / total if total else 0.0,
            _about_part(by[part], prices, shown),
            part == PILE,
        )
        for part in PARTS
        if part in by
    )
    return PartBar(parts, say("Cost of the season by cause"))


def _counted(n: int, span: str) -> str:
    """Return the interval of a figure with its n; a warning if there are few."""
    if n < FEW:
        return say("uncertain: only n = {n}", n=number(n, 0))
    return say("{span}; n = {n}", span=span, n=number(n, 0))


def _span(mean: float, half: float | None, digits: int) -> str:
    if half is None:
        return say("no interval: fewer than two visits")
    return interval(mean - half, mean + half, digits)


def _tiles(total: dict[str, Any], by: Costs, lifted_t: float, shown: DisplayUnits) -> Tiles:
    t = shown.sign("t")
    soil = shown.convert(by[SOIL]["mass_t"], "t")
    dirt = say(
        "dirt {dirt} % ({about})",
        dirt=number(total["dirt_pct"]),
        about=_counted(total["measured"], _span(total["dirt_pct"], total["dirt_half"], 1)),
    )
    soil_text = number(round_significant(soil, MASS_DIGITS), decimals(soil, MASS_DIGITS))
    tiles = [Tile(say("Soil hauled, {t}", t=t), soil_text, word=dirt)]
    if total["root_loss_t_ha"] is not None:
        digits = shown.digits("t/ha")
        loss, half = (v and shown.convert(v, "t/ha") for v in (total["root_loss_t_ha"], total["root_loss_half"]))
        about = _counted(total["plots"], _span(loss, half, digits))
        label = say("Roots left in the fields, {unit}", unit=shown.sign("t/ha"))
        tiles.append(Tile(label, number(loss, digits), word=about))
    money = sum(r["money"] for r in by.values())
    if lifted_t > 0:
        word = say("{share} % of it assumed", share=number(100 * by[PILE]["money"] / money, 0)) if PILE in by else ""
        label = say("Cost, {unit} of clean beet", unit=shown.money_per_t)
        per_t = plain_money(money / lifted_t * shown.per_tonne)
        tiles.append(Tile(label, say("about {amount}", amount=per_t), word=word))
    return Tiles(tuple(tiles))


def cost_section(overview: OverviewData, lifted_t: float, season: Season, shown: DisplayUnits) -> Section:
    """Return the section with the cost by cause and the three tiles."""
    by = costs_by_part(overview.costs)
    if SOIL not in by:
        return Section("cost", "", (Prose(say("No load is measured yet.")),))
    prices_link = (say("Prices to agree"), "#agree")
    unmeasured = [say(FILLED_BY[part]) for part in unmeasured_parts(overview.costs)]
    missing = say("Not in this sum, because not measured: {parts}.", parts="; ".join(unmeasured))
    reading = say(
        "Hatched: assumed, not measured. Ranges are 95 % intervals of what was measured; amounts are rounded."
    )
    return Section(
        "cost",
        "",
        (
            _bar(by, season.prices, shown),
            *((Prose(missing, note=True),) if unmeasured else ()),
            Prose(f"{reading} {assumption_words(season)}", prices_link),
            _tiles(overview.total, by, lifted_t, shown),
        ),
    )


def savings_section(data: SeasonGuideData, shown: DisplayUnits) -> Section:
    """Return the section on what better settings would have saved."""
    title = say("What better settings would have saved")
    total = data.worth.filter(pl.col("generation").is_null())
    earlier = earlier_note(GUIDE, data.status)
    if not total.height:
        nothing = Prose(worth_finding(data.worth, data.classes, data.lifted_t, shown))
        return Section("savings", title, (*earlier, nothing))
    r = total.row(0, named=True)
    tile = Tile(
        say("Saved at the guide's settings, {currency}", currency=shown.currency),
        say("about {amount}", amount=plain_money(r["saved"])),
        word=say(
            "likely {span}; about {per_t} {unit}",
            span=money_range(r["lo95"], r["hi95"]),
            per_t=plain_money(r["saved"] / r["soil_free_t"] * shown.per_tonne) if r["soil_free_t"] else NO_VALUE,
            unit=shown.money_per_t,
        ),
        tone="better" if r["lo95"] > 0 else "plain",
    )
    promise = say(
        "A scenario, not a promise: in simulated seasons, 93 % of such savings were realised. It covers {share} of the "
        "clean beet lifted.",
        share=share_words(r["soil_free_t"], data.lifted_t),
    )
    link = (say("Savings by conditions"), "season-appendix.html#worth")
    return Section("savings", title, (*earlier, Tiles((tile,)), Prose(promise, link)))
