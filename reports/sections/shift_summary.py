"""First screen after a shift: the fleet's common move, its worth, dirt and roots before and after, and machines."""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from reports.language.basis_messages import advice_words
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import capital
from reports.language.move_phrases import is_increase, move_command, move_values
from reports.language.number_words import count_words
from reports.language.precision import about_money, money_range, plain_money
from reports.language.translate import mark, say, say_n, translated
from reports.page.links import machine_anchor
from reports.page.summary import BarRow, BarRows, Strip, Tile, Tiles
from reports.page.theme import FEW
from reports.sections.shift_summary_data import ShiftSummaryData
from transforms.advice.price_sensitivity import BreakEven, PriceSensitivity, price_sensitivity
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Season

COMMON_SHARE = 0.5
"""A move is the fleet's common move if at least this share of the machines with moves is to make it."""
MIN_IN_COMMON = 3
FIRST_ROWS = 4
VISIBLE_PCT, VISIBLE_T_HA = 0.1, 0.05
"""Smaller changes of dirt and root loss do not show on the tiles."""


class FleetMove(NamedTuple):
    """Advice for the fleet in one line.

    Attributes:
        code: `no_advice`, `leave`, `common` or `several`.
        machines: machines with a move (`several`), or with the common move (`common`).
        setting: setting of the common move.
        is_up: True if the common move raises its setting.
    """

    code: str
    machines: int = 0
    setting: str = ""
    is_up: bool = False


def fleet_move(advice: pl.DataFrame) -> FleetMove:
    """Return the advice for the fleet in one line, from rows of `advice`."""
    if not advice.height:
        return FleetMove("no_advice")
    moves = advice.filter(pl.col("verdict") == "move")
    moving = moves["machine_id"].n_unique() if moves.height else 0
    if not moving:
        return FleetMove("leave")
    is_up = (pl.col("to_value") > pl.col("from_value")).alias("is_up")
    counted = moves.group_by("setting", is_up, maintain_order=True).agg(
        pl.col("machine_id").n_unique().alias("machines"), pl.len()
    )
    most = counted.sort("machines", "setting", descending=[True, False]).row(0, named=True)
    if most["machines"] >= max(MIN_IN_COMMON, COMMON_SHARE * moving):
        return FleetMove("common", most["machines"], most["setting"], most["is_up"])
    return FleetMove("several", moving)


def heading(move: FleetMove, fleet: int, catalogue: Catalogue) -> str:
    """Return the heading of the page; `fleet` is the number of machines with advice."""
    if move.code == "no_advice":
        return say("No advice yet")
    if move.code == "leave":
        return say("Leave everything as it is")
    if move.code == "several":
        (count,) = count_words(move.machines)
        return capital(say_n("{count} machine to change", "{count} machines to change", move.machines, count=count))
    command = move_command(move.setting, is_up=move.is_up, catalogue=catalogue)
    count, all_of = count_words(move.machines, fleet)
    if move.machines == fleet:
        return say("{command} on all {n} machines", command=command, n=count)
    return say("{command} on {n} of {all} machines", command=command, n=count, all=all_of)


def weather_words(weather: pl.DataFrame, shown: DisplayUnits) -> str:
    """Return wetness, rain and air temperature of the next shift in a few words; empty if unknown."""
    row = weather.row(0, named=True) if weather.height else {}
    if not row or row["topsoil_wetness"] is None:
        return ""
    parts = [say("topsoil {wetness}", wetness=translated(row["wetness_class"]))]
    if row["rain_mm"] is None or row["forecast_share"] < COMMON_SHARE:
        parts.append(say("no forecast"))
    elif row["rain_mm"] < 0.5:
        parts.append(say("no rain"))
    else:
        parts.append(say("{rain} of rain", rain=shown.quantity(row["rain_mm"], "rain")))
    if row["air_temp_c"] is not None:
        parts.append(shown.quantity(row["air_temp_c"], "degC"))
    return " · ".join(parts)


def worth_words(outcomes: pl.DataFrame, shown: DisplayUnits) -> str:
    """Return the worth of all moves in a shift like the last, with its likely range; empty if there is none."""
    known = outcomes.drop_nulls("gain_per_shift").filter(pl.col("verdict") == "move")
    if not known.height:
        return ""
    gain, low, high = (float(known[c].sum()) for c in ("gain_per_shift", "shift_lo95", "shift_hi95"))
    worth, span = about_money(gain, shown), money_range(low, high)
    return say("All changes together: {worth} this shift, likely {span}.", worth=worth, span=span)


@dataclass(frozen=True)
class FleetLevels:
    """Fleet means before and after all moves.

    Attributes:
        dirt_pct: dirt, % of the delivered weight, weighted by clean mass; None if unknown.
        root_loss_t_ha: root loss, weighted by area; None if unknown.
    """

    dirt_pct: tuple[float, float] | None
    root_loss_t_ha: tuple[float, float] | None


def fleet_levels(outcomes: pl.DataFrame) -> FleetLevels:
    """Return mean dirt and root loss of the fleet before and after all moves, from rows of `advice_outcome`."""

    def mean(before: str, after: str, weight: str) -> tuple[float, float] | None:
        known = outcomes.drop_nulls([before, after, weight])
        weights = known[weight].to_numpy()
        if not weights.sum() > 0:
            return None
        return float(np.average(known[before], weights=weights)), float(np.average(known[after], weights=weights))

    return FleetLevels(
        mean("dirt_before_pct", "dirt_after_pct", "soil_free_t"),
        mean("root_loss_before_t_ha", "root_loss_after_t_ha", "lifted_ha"),
    )


def trade_off_words(outcomes: pl.DataFrame) -> str:
    """Return a sentence if the moves trade dirt for roots, or roots for dirt; empty if they do not."""
    levels = fleet_levels(outcomes)
    if levels.dirt_pct is None or levels.root_loss_t_ha is None:
        return ""
    dirt, roots = (after - before for before, after in (levels.dirt_pct, levels.root_loss_t_ha))
    if dirt > VISIBLE_PCT and roots < 0:
        return say("The roots saved outweigh the extra dirt.")
    if roots > VISIBLE_T_HA and dirt < 0:
        return say("The soil saved outweighs the extra roots left.")
    return ""


def _tile(label: str, levels: tuple[float, float], digits: int, unit: str) -> Tile:
    before, after = (number(v, digits) for v in levels)
    if before == after:
        return Tile(label, f"{after} {unit}", None, say("unchanged"), "none", "same")
    is_less = levels[1] < levels[0]
    word = say("less") if is_less else say("more")
    return Tile(label, f"{after} {unit}", before, word, "down" if is_less else "up", "better" if is_less else "worse")


def tiles(outcomes: pl.DataFrame, shown: DisplayUnits) -> Tiles | None:
    """Return the tiles of roots left and dirt before and after all moves; None if neither is known."""
    levels, found = fleet_levels(outcomes), []
    if levels.root_loss_t_ha is not None:
        before, after = (shown.convert(v, "t/ha") for v in levels.root_loss_t_ha)
        found.append(_tile(say("Roots left"), (before, after), 1, shown.sign("t/ha")))
    if levels.dirt_pct is not None:
        found.append(_tile(say("Dirt"), levels.dirt_pct, 1, "%"))
    return Tiles(tuple(found)) if found else None


HOURS = {"hours": mark("a machine hour costs")}
PRICE_NAMES = {
    "metric": {
        "soil": mark("hauling a tonne of soil costs"),
        "roots": mark("a tonne of beet is worth"),
        "pile": mark("a tonne of sugar is worth"),
        "tops": mark("a tonne of leaf and crown costs"),
        **HOURS,
    },
    "us": {
        "soil": mark("hauling a short ton of soil costs"),
        "roots": mark("a short ton of beet is worth"),
        "pile": mark("a short ton of sugar is worth"),
        "tops": mark("a short ton of leaf and crown costs"),
        **HOURS,
    },
}
"""System of units -> cause of cost -> subject of the sentence on its price."""


def _break_even_words(found: BreakEven, shown: DisplayUnits) -> str:
    factor = 1.0 if found.cause == "hours" else shown.per_tonne
    price, value = say(PRICE_NAMES[shown.system][found.cause]), f"{plain_money(found.price * factor)} {shown.currency}"
    if found.stops_below:
        return say("The first move stops paying if {price} under about {value}.", price=price, value=value)
    return say("The first move stops paying if {price} over about {value}.", price=price, value=value)


def price_strip(sensitivity: PriceSensitivity | None, shown: DisplayUnits, prices_href: str) -> Strip | None:
    """Return the strip that names the price at which the first move stops paying; None if no assumption matters."""
    if sensitivity is None or not sensitivity.is_order_at_risk:
        return None
    text = say("Assumed prices decide this order.")
    if sensitivity.break_even is not None:
        text += " " + _break_even_words(sensitivity.break_even, shown)
    return Strip(text, (say("Prices"), prices_href))


def _row(
    outcome: dict[str, Any],
    moves: list[dict[str, Any]],
    most: float,
    season: Season,
    shown: DisplayUnits,
    machines_href: str,
) -> BarRow:
    first, machine = moves[0], str(outcome["machine_id"])
    gain = outcome["gain_per_shift"]
    worth = (
        f"≈ {plain_money(gain)} {shown.currency}"  # the same as "about", in a sign
        if gain is not None
        else say(
            "about {amount} {currency}",
            amount=plain_money(outcome["gain_per_t"] * shown.per_tonne),
            currency=shown.money_per_t,
        )
    )
    before, after = move_values(first, season.catalogue, shown)
    command = move_command(first["setting"], is_up=is_increase(first), catalogue=season.catalogue)
    further, is_few = len(moves) - 1, any(m["n"] < FEW for m in moves)
    detail = say("{field} · {wetness}", field=outcome["field_id"], wetness=translated(outcome["wetness_class"]))
    few = say("few loads")
    return BarRow(
        machine,
        f"{machines_href}#{machine_anchor(machine)}",
        f"{detail} · {few}" if is_few else detail,
        0.0 if gain is None or most <= 0 else max(0.0, gain / most),
        worth,
        command,
        before,
        after,
        say_n("{n} more change", "{n} more changes", further) if further else "",
        is_few,
        f"+{number(further, 0)}" if further else "",
    )


def machine_rows(data: ShiftSummaryData, season: Season, shown: DisplayUnits, machines_href: str) -> BarRows | None:
    """Return one row per machine with moves, largest worth first; None if no machine has any."""
    moves: dict[str, list[dict[str, Any]]] = {}
    for r in data.advice.filter(pl.col("verdict") == "move").sort("machine_id", "move_number").iter_rows(named=True):
        moves.setdefault(r["machine_id"], []).append(r)
    moving = [o for o in data.outcomes.iter_rows(named=True) if o["machine_id"] in moves]
    if not moving:
        return None
    most = max((o["gain_per_shift"] or 0.0) for o in moving)
    rows = tuple(_row(o, moves[o["machine_id"]], most, season, shown, machines_href) for o in moving)
    folded = len(rows) - FIRST_ROWS
    return BarRows(rows, FIRST_ROWS, say("{n} more", n=number(max(folded, 1), 0)))


def unchanged_words(data: ShiftSummaryData) -> str:
    """Return a sentence on the machines without moves; empty if every machine has one."""
    still = data.outcomes.filter(pl.col("verdict") != "move").height
    return say_n("Leave {n} other machine as it is.", "Leave {n} other machines as they are.", still) if still else ""


def sensitivity_of(data: ShiftSummaryData, season: Season) -> PriceSensitivity | None:
    """Return how the ranking depends on assumed prices."""
    mass = {m: t for m, t in data.outcomes.select("machine_id", "soil_free_t").iter_rows() if t is not None}
    return price_sensitivity(data.advice, mass, season.prices, season.assumed)


def status_note(data: ShiftSummaryData, shown: DisplayUnits) -> str:
    """Return a sentence if advice is missing or belongs to an earlier fit or shift; empty if it is current."""
    return advice_words(data.status, shown, is_empty=not data.advice.height)
