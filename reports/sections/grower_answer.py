"""Answer of a grower's sheet: fields to ask about, what their extra soil costs, and roots left in the ground."""

from typing import Any

import polars as pl

from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.precision import about_money, plain_money
from reports.language.translate import say, say_n
from reports.page.model import Prose
from reports.page.summary import BarRow, BarRows, Strip, Tile, Tiles, Tone
from reports.sections.cautions import CAUTION
from reports.sections.prices import assumption_words
from transforms.advice.cost import soil_cost_per_t
from transforms.config.workspace import Prices, Season

PER_TONNES = 100
"""Tonnes delivered for which the cost of a point of dirt is shown."""


def answer_title(total: dict[str, Any], dirty: pl.DataFrame, shown: DisplayUnits) -> str:
    """Return the heading: what to do and what it is worth.

    Args:
        total: the grower's season totals.
        dirty: own fields with more dirt than expected, from `fields_above_expected`.
        shown: units.
    """
    observed = total["observed_pct"]
    if observed is None:
        return say("Your loads are not measured yet")
    if total["expected_pct"] is None:
        return say("Your loads held {observed} % dirt", observed=number(observed))
    clear = dirty.filter("is_clear")
    if not dirty.height:
        return say("Keep lifting as now: no field was dirtier than expected")
    if not clear.height:
        return say("No field was clearly dirtier than expected")
    worth = about_money(float(clear["soil_cost"].sum()), shown)
    if clear.height == 1:
        return say("Ask how {field} was lifted: {worth} of extra soil", field=clear["field_id"][0], worth=worth)
    return say("Ask how {n} of your fields were lifted: {worth} of extra soil", n=clear.height, worth=worth)


def _difference(over: float) -> str:
    if over > 0:
        return say("{over} points more than expected", over=number(over))
    return say("{over} points less than expected", over=number(-over))


def _tiles(total: dict[str, Any], prices: Prices, shown: DisplayUnits) -> Tiles:
    """Return the tiles: dirt observed and expected, cost of a point of dirt, and roots left."""
    observed, expected = total["observed_pct"], total["expected_pct"]
    over = None if observed is None or expected is None else round(round(observed, 1) - expected, 1)
    tone: Tone = "plain" if not over else "worse" if over > 0 else "better"
    per_point = PER_TONNES * soil_cost_per_t(prices.haul_km, prices) / 100 * shown.per_tonne
    tiles = [
        Tile(
            say("Your dirt"),
            NO_VALUE if observed is None else say("{value} %", value=number(observed)),
            word=_difference(over) if over else "",
            arrow="none" if not over else "up" if over > 0 else "down",
            tone=tone,
        ),
        Tile(say("Expected"), NO_VALUE if expected is None else say("{value} %", value=number(expected))),
        Tile(
            say("One point of dirt costs about"),
            f"{plain_money(per_point)} {shown.currency}",
            word=say("per {mass} {t} delivered", mass=PER_TONNES, t=shown.sign("t")),
        ),
    ]
    if total["root_loss_t_ha"] is not None:
        money = about_money(shown.per_area(total["root_loss_t_ha"] * prices.beet_per_t), shown)
        tiles.append(
            Tile(
                say("Roots left, n = {n} plots", n=number(total["plots"], 0)),
                shown.quantity(total["root_loss_t_ha"], "t/ha"),
                word=say("{money} per {area}", money=money, area=shown.sign("ha")),
            )
        )
    return Tiles(tuple(tiles))


def _rows(dirty: pl.DataFrame, shown: DisplayUnits) -> BarRows:
    largest = float(dirty["soil_cost"].to_numpy().max())
    rows = tuple(
        BarRow(
            r["field_id"],
            None,
            say_n("{n} load, {mass}", "{n} loads, {mass}", r["loads"], mass=shown.quantity(r["gross_t"], "t")),
            r["soil_cost"] / largest if largest > 0 else 0.0,
            about_money(r["soil_cost"], shown),
            say("{over} points more dirt than expected", over=number(r["over_points"])),
            more="" if r["is_clear"] else say("not certain: few visits, or they differ"),
        )
        for r in dirty.iter_rows(named=True)
    )
    return BarRows(rows, first=3, more=say("Further fields"))


def answer_blocks(
    total: dict[str, Any], dirty: pl.DataFrame, season: Season, shown: DisplayUnits
) -> tuple[Tiles | BarRows | Prose | Strip, ...]:
    """Return the blocks below the heading: tiles, fields to ask about, and the cautions with the advice.

    Args:
        total: the grower's season totals.
        dirty: own fields with more dirt than expected, from `fields_above_expected`.
        season: the season, for its prices.
        shown: units.
    """
    tiles = _tiles(total, season.prices, shown)
    money = Prose(
        say(
            "Extra soil is counted with haulage, unloading and disposal at the season's prices, roots left with the "
            "price of beet. What is deducted from your payment is in your contract."
        )
        + " "
        + assumption_words(season)
    )
    caution = Prose(say(CAUTION), note=True)
    if not dirty.height:
        return tiles, money, caution
    asked = Prose(say("Ask the operator about share depth, speed and wet patches in these fields."))
    return tiles, asked, _rows(dirty, shown), caution, money
