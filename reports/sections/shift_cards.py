"""Section on the moves advised for the next shift, with the evidence: one card per machine."""

from dataclasses import dataclass
from typing import Any

import polars as pl

from reports.language.basis_messages import advice_words, basis_line
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import capital, conditions_label, format_probability, interval
from reports.language.move_phrases import is_increase, move_command, move_step, move_values
from reports.language.precision import about_money, money_range, plain_money
from reports.language.reason_text import reason_text, row_reason
from reports.language.translate import say, translated
from reports.page.links import ShiftPages, machine_anchor
from reports.page.model import Card, Cards, Fold, MoveCard, Prose, Section
from reports.sections.prices import assumption_words
from reports.sections.set_points import reached_note, sides_note
from transforms.advice.advice_rows import TRADE_OFF_CODES
from transforms.advice.outlook import FORECAST, PERSISTENCE
from transforms.config.response_catalogue import DAMAGED, ROOT_LOSS
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Season
from transforms.contracts.reason import codes_of
from transforms.storage.product_basis import BasisCode, ProductStatus


@dataclass(frozen=True)
class MachineAdvice:
    """Advice for one machine.

    Attributes:
        machine: machine id.
        rows: its rows of `advice`.
        worth: its row of `advice_worth`: gain of all its moves together; None if missing.
        sites: factories that receive its loads, separated by `|`.
        offsets: rows of `set_point_offset`, of all machines.
    """

    machine: str
    rows: tuple[dict[str, Any], ...]
    worth: dict[str, Any] | None
    sites: str
    offsets: pl.DataFrame

    @property
    def head(self) -> dict[str, Any]:
        """Row with the values common to all rows: verdict, field, classes, outlook."""
        return self.rows[0]

    @property
    def moves(self) -> list[dict[str, Any]]:
        """Rows that advise a move or a trial."""
        return [r for r in self.rows if r["verdict"] != "hold"]

    @property
    def marks(self) -> dict[str, str]:
        """Marks that filters use."""
        marks = {
            "machine": self.machine,
            "site": self.sites,
            "wetness": self.head["wetness_class"],
            "soil": self.head["soil_class"],
        }
        return {k: v for k, v in marks.items() if v}


def machine_advice(
    advice: pl.DataFrame, worth: pl.DataFrame, sites: dict[str, str], offsets: pl.DataFrame
) -> list[MachineAdvice]:
    """Return the advice of each machine, largest gain first.

    Args:
        advice: rows of `advice`.
        worth: rows of `advice_worth`.
        sites: machine -> factories that receive its loads, separated by `|`.
        offsets: rows of `set_point_offset`.
    """
    by_machine = {r["machine_id"]: r for r in worth.iter_rows(named=True)}
    order = {m: i for i, m in enumerate(by_machine)}
    found = [
        MachineAdvice(str(m), tuple(rows.iter_rows(named=True)), by_machine.get(str(m)), sites.get(str(m), ""), offsets)
        for (m,), rows in advice.group_by("machine_id", maintain_order=True)
    ]
    return sorted(found, key=lambda a: (order.get(a.machine, len(order)), a.machine))


def _shift_gain(total: dict[str, Any], shown: DisplayUnits) -> str:
    """Return the gain of a machine's moves in a shift like the last."""
    return say("{worth} a shift", worth=about_money(total["gain_per_shift"], shown))


def _total_gain(total: dict[str, Any], shown: DisplayUnits) -> str:
    """Return the gain of a machine's moves per tonne, with its likely range."""
    t = shown.per_tonne
    return say(
        "about {gain} {unit}, likely {span}",
        gain=plain_money(total["gain_per_t"] * t),
        unit=shown.money_per_t,
        span=money_range(total["lo95"] * t, total["hi95"] * t),
    )


def _amounts(total: dict[str, Any], name: str, prefix: str, shown: DisplayUnits) -> list[str]:
    """Return an amount per area, for a shift like the last and for the season, as far as it can be computed."""
    area = f"{shown.currency}/{shown.sign('ha')}"
    parts = (
        ("ha", shown.per_area(1.0), area, ""),
        ("shift", 1.0, shown.currency, say("a shift like the last")),
        ("season", 1.0, shown.currency, say("all it lifted this season in such conditions")),
    )
    out = []
    for part, factor, unit, of in parts:
        if total[f"{name}_per_{part}"] is None:
            continue
        low, high = (total[f"{prefix}{part}_{end}"] * factor for end in ("lo95", "hi95"))
        amount = say(
            "about {amount} {unit}, likely {span}",
            amount=plain_money(total[f"{name}_per_{part}"] * factor),
            unit=unit,
            span=money_range(low, high),
        )
        out.append(f"{of}: {amount}" if of else amount)
    return out


def _after_range(row: dict[str, Any], level: str, change: str, factor: float, digits: int) -> str:
    """Return the likely range of a level after a move: the level before it times the interval of its change."""
    before = row[level]
    if level == "dirt_before_pct":  # changes are of dirt over clean mass
        ratio = before / (100 - before)
        ends = [ratio * (1 + row[f"{change}_{end}"] / 100) for end in ("lo95", "hi95")]
        low, high = (100 * e / (1 + e) for e in ends)
    else:
        low, high = (before * (1 + row[f"{change}_{end}"] / 100) * factor for end in ("lo95", "hi95"))
    return interval(low, high, digits)


def _dirt_change(r: dict[str, Any]) -> str:
    before, after = (number(r[f"dirt_{k}_pct"], 1) for k in ("before", "after"))
    if before == after:
        span = _after_range(r, "dirt_before_pct", "dirt", 1.0, 1)
        return say("dirt stays {level} %, likely {span}", level=after, span=span)
    return say(
        "dirt {before} → {after} %, likely {span}",
        before=before,
        after=after,
        span=_after_range(r, "dirt_before_pct", "dirt", 1.0, 1),
    )


def _loss_change(r: dict[str, Any], catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return root loss before and after a move; a note if the setting does not act on it or no audit tells."""
    if ROOT_LOSS not in catalogue[r["setting"]].responses:
        return say("roots left: not affected")
    if r["root_loss_before_t_ha"] is None:
        return say("roots left: unknown without audits")
    factor = shown.convert(1.0, "t/ha")
    return say(
        "roots left {before} → {after} {unit}, likely {span}",
        before=number(r["root_loss_before_t_ha"] * factor, 1),
        after=number(r["root_loss_after_t_ha"] * factor, 1),
        unit=shown.sign("t/ha"),
        span=_after_range(r, "root_loss_before_t_ha", "root_loss", factor, 1),
    )


def _topping_change(r: dict[str, Any]) -> list[str]:
    """Return top tare and roots topped too deep before and after a move, those that it changes."""
    lines = []
    if r["tops_change_pct"] is not None:
        before, after = (number(r[f"tops_{k}_pct"], 1) for k in ("before", "after"))
        lines.append(say("top tare {before} → {after} %", before=before, after=after))
    if r["over_topped_change_pct"] is not None:
        before, after = (number(r[f"over_topped_{k}_pct"], 0) for k in ("before", "after"))
        lines.append(say("topped too deep: {before} → {after} % of the roots", before=before, after=after))
    return lines


def _damage_change(r: dict[str, Any], catalogue: Catalogue) -> list[str]:
    """Return the roots with damaged skin before and after a move that acts on them; nothing if none are checked."""
    if r["damaged_before_pct"] is None or DAMAGED not in catalogue[r["setting"]].responses:
        return []
    before, after = (number(r[f"damaged_{k}_pct"], 0) for k in ("before", "after"))
    return [say("damaged skin: {before} → {after} % of the roots", before=before, after=after)]


def _changes(r: dict[str, Any], catalogue: Catalogue, shown: DisplayUnits) -> list[str]:
    """Return all that a move changes; a setting of the lifter also states if it does not act on dirt or roots left."""
    setting, lines = catalogue[r["setting"]], []
    is_topper = setting.stage == "topping"
    if r["dirt_change_pct"] or not is_topper:
        lines.append(_dirt_change(r))
    if r["root_loss_change_pct"] or not is_topper:
        lines.append(_loss_change(r, catalogue, shown))
    return [*lines, *_topping_change(r), *_damage_change(r, catalogue)]


def _move(r: dict[str, Any], offsets: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> MoveCard:
    before, after = move_values(r, catalogue, shown)
    command = move_command(r["setting"], is_up=is_increase(r), catalogue=catalogue)
    words = say("{command}: {before} → {after}", command=command, before=before, after=after)
    step = move_step(r, catalogue, shown)
    t = shown.per_tonne
    gain = say(
        "worth about {gain} {unit}, likely {span} · pays in {sure} · n = {n} loads",
        gain=plain_money(r["gain_per_t"] * t),
        unit=shown.money_per_t,
        span=money_range(r["gain_lo95"] * t, r["gain_hi95"] * t),
        sure=format_probability(r["probability_better"]),
        n=number(r["n"], 0),
    )
    trade_offs = [c for c in codes_of(r["reason_code"], r["reason_args"]) if c in TRADE_OFF_CODES]
    traded = (reason_text(code, None, catalogue) for code in trade_offs)
    settings = [note(r, offsets, catalogue, shown) for note in (reached_note, sides_note)]
    lines = (step, *settings, *_changes(r, catalogue, shown), gain, *traded)
    return MoveCard(words, tuple(line for line in lines if line))


def card(a: MachineAdvice, catalogue: Catalogue, shown: DisplayUnits) -> Card:
    """Return the card of one machine: advised moves and their gain."""
    head = a.head
    where = (
        say(
            "field {field} · {conditions} ({wetness}, {outlook})",
            field=head["field_id"],
            outlook=translated(head["outlook"]),
            conditions=conditions_label(head["wetness_class"], head["soil_class"]),
            wetness=number(head["topsoil_wetness"], 2),
        )
        if head["topsoil_wetness"] is not None
        else ""
    )
    lines, badge = [where] if where else [], translated(head["verdict"])
    blocks: list[Fold] = []
    if a.worth is not None:
        gains = _amounts(a.worth, "gain", "", shown)
        badge = _total_gain(a.worth, shown) if a.worth["gain_per_shift"] is None else _shift_gain(a.worth, shown)
        money = [Prose(say("All changes together: {worth}.", worth="; ".join([_total_gain(a.worth, shown), *gains])))]
        if a.worth["cost_per_t"] is not None:
            costs = "; ".join(_amounts(a.worth, "cost", "cost_", shown))
            cost = say("Soil, lost roots, the pile and the hours at the current settings: {costs}.", costs=costs)
            money.append(Prose(cost))
        blocks.append(Fold(say("What it is worth"), tuple(money)))
    if head["verdict"] == "hold":
        lines.append(say("Keep the settings: {reason}.", reason=row_reason(head, catalogue)))
    if head["verdict"] == "try":
        lines.append(
            say("Not certain enough for advice. Try a split-run trial with alternate loads in the same field:")
        )
    moves = tuple(_move(r, a.offsets, catalogue, shown) for r in a.moves)
    return Card(a.machine, badge, tuple(lines), moves, tuple(blocks), a.marks, machine_anchor(a.machine))


def outlook_words(machines: list[MachineAdvice]) -> str:
    """Return a sentence on the source of the conditions assumed for the next shift."""
    outlooks = [a.head["outlook"] for a in machines]
    forecast, persistent = outlooks.count(FORECAST), outlooks.count(PERSISTENCE)
    if forecast and not persistent:
        return say("Conditions are taken from the forecast for the hours in which the fleet works.")
    if forecast:
        return say(
            "Conditions are taken from the forecast for {forecast} machines; {persistent} have no forecast and are "
            "assumed to keep the conditions of the last weather hour.",
            forecast=forecast,
            persistent=persistent,
        )
    return say("There is no forecast: conditions are assumed to stay as in the last weather hour.")


def moves_section(
    machines: list[MachineAdvice], status: ProductStatus, season: Season, shown: DisplayUnits, pages: ShiftPages
) -> Section:
    """Return the section with one card per machine."""
    title, about = say("What to change"), advice_words(status, shown, is_empty=not machines)
    if not machines:
        blocks = [Prose(about)]
        if status.code is BasisCode.TOO_FEW_LOADS:
            needed = say("Advice needs at least 120 loads that are measured and traced and have weather data;")
            blocks.append(Prose(needed, (say("see the data received"), pages.received)))
        return Section("moves", title, tuple(blocks), status.code)
    reading = say(
        "Machines with the largest gain come first. Each move is within the range this fleet has tried in such "
        "conditions; “likely” is the 95 % interval; money is per {t} of clean beet; n is the number of the fleet's "
        "measured loads in such conditions. Each machine is assumed to continue in the field it left.",
        t=shown.sign("t"),
    )
    prices = Prose(
        " ".join([reading, outlook_words(machines), basis_line(status, shown), assumption_words(season)]),
        (say("Prices used"), pages.prices),
    )
    cards = Cards(tuple(card(a, season.catalogue, shown) for a in machines))
    note = (Prose(about, note=True),) if about else ()
    return Section("moves", title, (*note, prices, cards), status.code)


def sentence(text: str) -> str:
    """Return a text as a sentence: first letter in upper case, full stop at the end."""
    return capital(text) + "."
