"""Section on the moves advised for the next shift: overview table and one card per machine."""

from dataclasses import dataclass
from typing import Any

import polars as pl

from reports.language.basis_messages import advice_words, basis_line
from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.labels import capital, conditions_label, describe_move, format_probability, percent_change
from reports.language.reason_text import reason_text, row_reason
from reports.language.translate import say, say_n, translated
from reports.page.links import machine_anchor
from reports.page.model import Card, Cards, Fold, MoveCard, Prose, Section
from reports.page.tables import Cell, Column, Table, build_table, number_cell, text_cell
from reports.sections.prices import assumption_words
from transforms.advice.advice_rows import TRADE_OFF_CODES
from transforms.advice.outlook import FORECAST, PERSISTENCE
from transforms.config.settings_catalogue import ROOT_LOSS, Catalogue
from transforms.config.workspace import Season
from transforms.contracts.reason import codes_of
from transforms.storage.product_basis import BasisCode, ProductStatus

MAX_FIRST_MOVES = 5
"""Machines in the overview table."""


@dataclass(frozen=True)
class MachineAdvice:
    """Advice for one machine.

    Attributes:
        machine: machine id.
        rows: its rows of `advice`.
        worth: its row of `advice_worth`: gain of all its moves together; None if missing.
        sites: factories that receive its loads, separated by `|`.
    """

    machine: str
    rows: tuple[dict[str, Any], ...]
    worth: dict[str, Any] | None
    sites: str

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


def machine_advice(advice: pl.DataFrame, worth: pl.DataFrame, sites: dict[str, str]) -> list[MachineAdvice]:
    """Return the advice of each machine, largest gain first."""
    by_machine = {r["machine_id"]: r for r in worth.iter_rows(named=True)}
    order = {m: i for i, m in enumerate(by_machine)}
    found = [
        MachineAdvice(str(m), tuple(rows.iter_rows(named=True)), by_machine.get(str(m)), sites.get(str(m), ""))
        for (m,), rows in advice.group_by("machine_id", maintain_order=True)
    ]
    return sorted(found, key=lambda a: (order.get(a.machine, len(order)), a.machine))


def headline(machines: list[MachineAdvice], status: ProductStatus, catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return the main result, preceded by a note if advice is missing or belongs to an earlier fit or shift."""
    about = advice_words(status, shown, is_empty=not machines)
    return " ".join(s for s in (about, _answer(machines, catalogue, shown)) if s)


def _answer(machines: list[MachineAdvice], catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return the main result in a sentence; empty if there is no advice."""
    moving = [a for a in machines if a.head["verdict"] == "move"]
    if not machines:
        return ""
    if not moving:
        return say("Keep the settings: no tested change is better with sufficient certainty.")
    best, count = moving[0], sum(len(a.moves) for a in moving)
    first = describe_move(best.moves[0], catalogue, shown)
    return say_n(
        "{n} move on {moving} of {all} machines. The gain is on {machine}, {worth}: {first}.",
        "{n} moves on {moving} of {all} machines. The largest gain is on {machine}, {worth}; there, first: {first}.",
        count,
        moving=len(moving),
        all=len(machines),
        machine=best.machine,
        worth=_total_gain(best, shown),
        first=first[0].lower() + first[1:],
    )


def _money_span(
    row: dict[str, Any], keys: tuple[str, str, str], unit: str, digits: int = 0, factor: float = 1.0
) -> str:
    value, low, high = (number(row[k] * factor, digits) for k in keys)
    return say("{value} {unit} ({lo} to {hi})", value=value, unit=unit, lo=low, hi=high)


def _total_gain(a: MachineAdvice, shown: DisplayUnits) -> str:
    if a.worth is None:
        return NO_VALUE
    return _money_span(a.worth, ("gain_per_t", "lo95", "hi95"), shown.money_per_t, 2, shown.per_tonne)


def _gains(total: dict[str, Any], shown: DisplayUnits) -> list[str]:
    """Return the gain of a machine's moves per area, shift and season, as far as it lifted enough to compute them."""
    out, area = [], f"{shown.currency}/{shown.sign('ha')}"
    if total["gain_per_ha"] is not None:
        keys = ("gain_per_ha", "ha_lo95", "ha_hi95")
        out.append(_money_span(total, keys, area, 1, shown.per_area(1.0)))
    for key, prefix, of in (
        ("gain_per_shift", "shift", say("a shift like the last")),
        ("gain_per_season", "season", say("on all it lifted this season in such conditions")),
    ):
        if total[key] is not None:
            money = _money_span(total, (key, f"{prefix}_lo95", f"{prefix}_hi95"), shown.currency)
            out.append(f"{of}: {money}")
    return out


def _costs(total: dict[str, Any], shown: DisplayUnits) -> list[str]:
    """Return the cost of a machine at its current settings per tonne, area, shift and season."""
    if total["cost_per_t"] is None:
        return []
    first = _money_span(total, ("cost_per_t", "cost_lo95", "cost_hi95"), shown.money_per_t, 2, shown.per_tonne)
    out, area = [first], f"{shown.currency}/{shown.sign('ha')}"
    for part, factor, of in (
        ("ha", shown.per_area(1.0), ""),
        ("shift", 1.0, say("a shift like the last")),
        ("season", 1.0, say("on all it lifted this season in such conditions")),
    ):
        if total[f"cost_per_{part}"] is not None:
            keys = (f"cost_per_{part}", f"cost_{part}_lo95", f"cost_{part}_hi95")
            money = _money_span(total, keys, shown.currency if of else area, 0, factor)
            out.append(f"{of}: {money}" if of else money)
    return out


def _move(r: dict[str, Any], catalogue: Catalogue, shown: DisplayUnits) -> MoveCard:
    loss = say("not affected")
    if ROOT_LOSS in catalogue[r["setting"]].responses:
        loss = percent_change(r, "root_loss_change_pct", "root_loss_lo95", "root_loss_hi95")
    gain = _money_span(r, ("gain_per_t", "gain_lo95", "gain_hi95"), shown.money_per_t, 2, shown.per_tonne)
    trade_offs = [c for c in codes_of(r["reason_code"], r["reason_args"]) if c in TRADE_OFF_CODES]
    lines = [
        say(
            "dirt {dirt} · root loss {loss}",
            dirt=percent_change(r, "dirt_change_pct", "dirt_lo95", "dirt_hi95"),
            loss=loss,
        ),
        say(
            "gain {gain} · sure: {sure} · n = {n} loads",
            gain=gain,
            sure=format_probability(r["probability_better"]),
            n=number(r["n"], 0),
        ),
    ]
    lines += [reason_text(code, None, catalogue) for code in trade_offs]
    return MoveCard(describe_move(r, catalogue, shown), tuple(lines))


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
    lines, blocks, badge = [where] if where else [], [], translated(head["verdict"])
    if a.worth is not None:
        badge = f"{shown.per_t(a.worth['gain_per_t'])} {shown.money_per_t}"
        lines.append(say("together {worth}", worth="; ".join([_total_gain(a, shown), *_gains(a.worth, shown)])))
        if costs := _costs(a.worth, shown):
            text = say("Soil, lost roots, the pile and the hours: {costs}.", costs="; ".join(costs))
            blocks.append(Fold(say("Cost at the current settings"), (Prose(text),)))
    if head["verdict"] == "hold":
        lines.append(say("Keep the settings: {reason}.", reason=row_reason(head, catalogue)))
    if head["verdict"] == "try":
        lines.append(
            say("Not certain enough for advice. Try a split-run trial with alternate loads in the same field:")
        )
    moves = tuple(_move(r, catalogue, shown) for r in a.moves)
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


def _first_moves(machines: list[MachineAdvice], catalogue: Catalogue, shown: DisplayUnits) -> Table:
    """Return the first move of each machine with the largest total gain, in the order of the lead and the cards."""
    t = shown.per_tonne

    def all_moves(a: MachineAdvice) -> Cell:
        if a.worth is None:
            return text_cell(None)
        return number_cell(a.worth["gain_per_t"] * t, 2, a.worth["lo95"] * t, a.worth["hi95"] * t)

    def this_move(a: MachineAdvice) -> Cell:
        r = a.moves[0]
        return number_cell(r["gain_per_t"] * t, 2, r["gain_lo95"] * t, r["gain_hi95"] * t)

    return build_table(
        "first-moves",
        say("first moves"),
        (
            Column(say("Machine"), lambda a: text_cell(a.machine, f"#{machine_anchor(a.machine)}")),
            Column(say("Field"), lambda a: text_cell(a.moves[0]["field_id"]), numeric=False),
            Column(
                say("First change"),
                lambda a: text_cell(describe_move(a.moves[0], catalogue, shown), strong=True),
                numeric=False,
                wrap=True,
            ),
            Column(say("All its moves, {unit}", unit=shown.money_per_t), all_moves),
            Column(say("This move, {unit}", unit=shown.money_per_t), this_move),
            Column(say("Sure"), lambda a: text_cell(format_probability(a.moves[0]["probability_better"]))),
            Column(say("n loads"), lambda a: number_cell(a.moves[0]["n"], 0)),
        ),
        [a for a in machines if a.head["verdict"] == "move"][:MAX_FIRST_MOVES],
        caption=say(
            "The first move of each of the machines with the largest total gain; the cards below list every move. "
            "Brackets are 95 % intervals; “sure” is the chance that this move pays."
        ),
        marks=lambda a: a.marks,
    )


def moves_section(machines: list[MachineAdvice], status: ProductStatus, season: Season, shown: DisplayUnits) -> Section:
    """Return the first section of the page: overview table, then one card per machine."""
    title, about = say("What to change"), advice_words(status, shown, is_empty=not machines)
    if not machines:
        blocks = [Prose(about)]
        if status.code is BasisCode.TOO_FEW_LOADS:
            needed = say("Advice needs at least 120 loads that are measured and traced and have weather data;")
            blocks.append(Prose(needed, (say("see the data received"), "#arrived")))
        return Section("moves", title, tuple(blocks), status.code)
    first = _first_moves(machines, season.catalogue, shown)
    reading = say(
        "Machines with the largest gain come first. Each move is within the range this fleet has tried in such "
        "conditions; dirt and root loss are changes in percent with 95 % intervals; gain is per {t} of clean beet; n "
        "is the number of the fleet's measured loads in such conditions. Each machine is assumed to continue in the "
        "field it left.",
        t=shown.sign("t"),
    )
    prices = Prose(
        " ".join([reading, outlook_words(machines), basis_line(status, shown), assumption_words(season)]),
        (say("Prices used"), "#prices"),
    )
    cards = Cards(tuple(card(a, season.catalogue, shown) for a in machines))
    note = (Prose(about, note=True),) if about else ()
    return Section("moves", title, (*note, *((first,) if first.rows else ()), prices, cards), status.code)


def sentence(text: str) -> str:
    """Return a text as a sentence: first letter in upper case, full stop at the end."""
    return capital(text) + "."
