"""Answer of a grower's sheet: what to ask the contractor, and which sums are the grower's own."""

from typing import Any

import polars as pl

from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.precision import about_money, mass_words, plain_money
from reports.language.translate import say, say_n
from reports.page.model import Prose, Section
from reports.page.summary import BarRow, BarRows, Tile, Tiles, Tone
from reports.page.theme import FEW
from reports.sections.cautions import CAUTION
from reports.sections.prices import assumption_words
from transforms.advice.cost import soil_cost_per_t
from transforms.config.workspace import Season

PER_TONNES = 100
"""Tonnes delivered for which the cost of a point of dirt is shown."""


def answer_title(total: dict[str, Any], dirty: pl.DataFrame) -> str:
    """Return the heading: what to do.

    Args:
        total: the grower's season totals.
        dirty: own fields with more dirt than expected, from `fields_above_expected`.
    """
    observed = total["observed_pct"]
    if observed is None:
        return say("Ask for tare samples: your loads are not measured yet")
    if total["expected_pct"] is None:
        return say("Your loads held {observed} % dirt", observed=number(observed))
    clear = dirty.filter("is_clear")
    if not dirty.height:
        return say("Keep this season's settings: no field was dirtier than expected")
    if not clear.height:
        return say("Keep this season's settings: no field was clearly dirtier than expected")
    if clear.height == 1:
        r = clear.row(0, named=True)
        return say(
            "Ask how {field} was lifted: {over} points more dirt than expected",
            field=r["field_id"],
            over=number(r["over_points"]),
        )
    return say("Ask how {n} of your fields were lifted: they were dirtier than expected", n=clear.height)


def _asked_of_dirt(total: dict[str, Any], dirty: pl.DataFrame) -> str:
    """Return what to ask the contractor about the dirt; empty without an expected value."""
    if total["observed_pct"] is None or total["expected_pct"] is None:
        return ""
    if not dirty.height:
        return say("Ask the contractor to keep this season's settings on your fields.")
    if dirty["is_clear"].any():
        return say("Ask the contractor about share depth, speed and wet patches in these fields.")
    return say(
        "Ask the contractor to keep this season's settings. The fields below had more dirt than expected, but that is "
        "not certain: ask for a tare sample of every load there next season."
    )


def _asked_of_roots(total: dict[str, Any]) -> str:
    """Return what to ask about roots left in the field; empty if enough plots were dug."""
    plots = total["plots"] or 0
    if not plots:
        return say("Ask for a dig-behind audit: nobody dug behind the machine on your fields, so losses are not known.")
    if plots < FEW:
        return say_n(
            "Ask for more dig-behind plots: {n} plot is too few to judge the roots left.",
            "Ask for more dig-behind plots: {n} plots are too few to judge the roots left.",
            plots,
        )
    return ""


def _rows(dirty: pl.DataFrame, season: Season, shown: DisplayUnits) -> BarRows:
    largest = float(dirty["soil_cost"].to_numpy().max())
    deduction = season.soil_deduction_per_t

    payer = say("deducted from your payment") if deduction else say("a cost of haulage, not yours")

    def small(r: dict[str, Any]) -> str:
        if r["is_clear"]:
            return say("({text})", text=payer)
        doubt = say("few loads") if r["measured"] < FEW else say("not certain: few visits, or they differ")
        return say("({text}; {doubt})", text=payer, doubt=doubt)

    rows = tuple(
        BarRow(
            r["field_id"],
            None,
            say_n("{n} load, {mass}", "{n} loads, {mass}", r["loads"], mass=mass_words(r["delivered_t"], shown)),
            r["soil_cost"] / largest if largest > 0 else 0.0,
            about_money(r["soil_t"] * deduction if deduction else r["soil_cost"], shown),
            say("{over} points more dirt than expected", over=number(r["over_points"])),
            more=small(r),
        )
        for r in dirty.iter_rows(named=True)
    )
    return BarRows(rows, first=3, more=say("Further fields"))


def action_section(total: dict[str, Any], dirty: pl.DataFrame, season: Season, shown: DisplayUnits) -> Section:
    """Return the section with what to ask the contractor, the fields concerned, and the cautions.

    Args:
        total: the grower's season totals.
        dirty: own fields with more dirt than expected, from `fields_above_expected`.
        season: the season, for its deduction.
        shown: units.
    """
    asked = [Prose(text) for text in (_asked_of_dirt(total, dirty), _asked_of_roots(total)) if text]
    nothing = [] if asked else [Prose(say("There is nothing to ask for yet."))]
    rows = [_rows(dirty, season, shown)] if dirty.height else []
    return Section(
        "answer", say("What to do"), (*asked[:1], *rows, *asked[1:], *nothing, Prose(say(CAUTION), note=True))
    )


def _difference(over: float) -> str:
    if over > 0:
        return say("{over} points more than expected", over=number(over))
    return say("{over} points less than expected", over=number(-over))


def _dirt_tiles(total: dict[str, Any]) -> tuple[Tile, Tile]:
    observed, expected = total["observed_pct"], total["expected_pct"]
    over = None if observed is None or expected is None else round(round(observed, 1) - expected, 1)
    is_few = observed is not None and total["measured"] < FEW
    tone: Tone = "plain" if not over or is_few else "worse" if over > 0 else "better"
    words = [_difference(over)] if over else []
    own = Tile(
        say("Your dirt"),
        NO_VALUE if observed is None else say("{value} %", value=number(observed)),
        word=", ".join([*words, *([say("few loads")] if is_few else [])]),
        arrow="none" if not over else "up" if over > 0 else "down",
        tone=tone,
        is_pale=is_few,
    )
    return own, Tile(say("Expected"), NO_VALUE if expected is None else say("{value} %", value=number(expected)))


def _roots_tile(total: dict[str, Any], season: Season, shown: DisplayUnits) -> Tile | None:
    """Return the tile of the beet left in the grower's fields: a sum of the grower's own; None without plots."""
    loss, plots, area = total["root_loss_t_ha"], total["plots"], total["lifted_ha"]
    if loss is None:
        return None
    price, is_few = season.prices.beet_per_t, plots < FEW
    lost = say(
        "{loss} left, {money} per {area}; n = {n} plots",
        loss=shown.quantity(loss, "t/ha"),
        money=about_money(shown.per_area(loss * price), shown),
        area=shown.sign("ha"),
        n=number(plots, 0),
    )
    if area is None:
        label, money = say("Yours: beet left per {area}, about", area=shown.sign("ha")), shown.per_area(loss * price)
    else:
        label, money = say("Yours: beet left in the field, about"), loss * price * area
    word = say("{text}, few plots", text=lost) if is_few else lost
    return Tile(label, f"{plain_money(money)} {shown.currency}", word=word, is_pale=is_few)


def _soil_tile(season: Season, shown: DisplayUnits) -> Tile:
    """Return the tile of what a point of dirt costs: the grower if a deduction is set, else haulage alone."""
    deduction = season.soil_deduction_per_t
    per_t = deduction or soil_cost_per_t(season.prices.haul_km, season.prices)
    mass = mass_words(PER_TONNES / shown.convert(1.0, "t"), shown)
    value = f"{plain_money(PER_TONNES * per_t / 100 * shown.per_tonne)} {shown.currency}"
    if deduction:
        return Tile(say("Yours: a point of dirt, about"), value, word=say("deducted per {mass} delivered", mass=mass))
    word = say("cost of haulage per {mass} delivered", mass=mass)
    return Tile(say("Not yours: a point of dirt, about"), value, word=word)


def worth_section(total: dict[str, Any], season: Season, shown: DisplayUnits) -> Section:
    """Return the section with the grower's dirt, and the sums that are the grower's own and those of haulage.

    Args:
        total: the grower's season totals.
        season: the season, for its prices and its deduction.
        shown: units.
    """
    roots = _roots_tile(total, season, shown)
    tiles = (*_dirt_tiles(total), *((roots,) if roots is not None else ()), _soil_tile(season, shown))
    own = say("Beet left in the field is your own crop, counted with the price paid per t of clean beet.")
    if season.soil_deduction_per_t:
        soil = say(
            "For soil, {amount} {unit} is deducted from your payment; its freight, unloading and disposal are borne by "
            "haulage.",
            amount=plain_money(season.soil_deduction_per_t * shown.per_tonne),
            unit=shown.money_per_t,
        )
    else:
        soil = say(
            "You are paid for clean beet: freight, unloading and disposal of soil are borne by haulage. No deduction "
            "from your payment is set here; if your contract has one, it applies."
        )
    return Section(
        "worth", say("What it is worth, and to whom"), (Tiles(tiles), Prose(f"{own} {soil} {assumption_words(season)}"))
    )
