"""Sections on settings left undone and on the advised changes of the last shifts."""

from typing import Any

import polars as pl

from reports.language.display_units import DisplayUnits, number
from reports.language.labels import capital, setting_label
from reports.language.precision import setting_value
from reports.language.translate import say, say_n
from reports.language.uptake_words import UPTAKE, unknown_words, uptake_word
from reports.page.model import Filters, Fold, Prose, Section
from reports.page.tables import Column, Table, build_table, text_cell
from transforms.config.settings_catalogue import Catalogue

HOUR_S = 3600.0


def undone_table(machines: pl.DataFrame, undone: pl.DataFrame, unknown: pl.DataFrame, catalogue: Catalogue) -> Table:
    """Return the settings that each machine most often left undone, and why its other changes cannot be judged.

    Args:
        machines: rows of `uptake_machine`.
        undone: rows of `uptake_undone`.
        unknown: rows of `uptake_unknown`.
        catalogue: settings known.
    """
    left = _by_machine(
        undone,
        lambda r: say(
            "{setting} ({undone} of {n})",
            setting=setting_label(r["setting"], catalogue),
            undone=number(r["undone"], 0),
            n=number(r["moves"], 0),
        ),
    )
    why = _by_machine(
        unknown, lambda r: say("{reason} ({n})", reason=unknown_words(r["reason_code"]), n=number(r["moves"], 0))
    )
    return build_table(
        "undone",
        say("left undone"),
        (
            Column(say("Machine"), lambda r: text_cell(r["machine_id"])),
            Column(say("Most often left undone"), lambda r: text_cell(left.get(r["machine_id"])), False, wrap=True),
            Column(say("Cannot be judged"), lambda r: text_cell(why.get(r["machine_id"])), False, wrap=True),
        ),
        machines.iter_rows(named=True),
        caption=say(
            "Changes not made or made the other way, of those that can be judged; at most three settings each."
        ),
    )


def _by_machine(rows: pl.DataFrame, words: Any) -> dict[str, str]:
    """Return the words of each machine's rows, in their order."""
    found: dict[str, list[str]] = {}
    for r in rows.iter_rows(named=True):
        found.setdefault(r["machine_id"], []).append(words(r))
    return {machine: ", ".join(texts) for machine, texts in found.items()}


def _value(
    value: float | None, r: dict[str, Any], catalogue: Catalogue, shown: DisplayUnits, *, unit: bool = True
) -> str:
    """Return a value of a move in the unit of its setting; as stored if the setting is no longer in the catalogue."""
    if r["setting"] in catalogue:
        return setting_value(value, catalogue[r["setting"]], shown, unit=unit)
    return number(value)


def _advised(r: dict[str, Any], catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return the value before and the value advised."""
    before = _value(r["from_value"], r, catalogue, shown, unit=False)
    return f"{before} → {_value(r['to_value'], r, catalogue, shown)}"


def _times(r: dict[str, Any], shown: DisplayUnits) -> str:
    """Return the time of day of the change and the hours with it, of the hours judged; empty if it is unknown."""
    if r["made_s"] is None:
        return ""
    hours = say("{made} of {all} h", made=number(r["made_s"] / HOUR_S), all=number(r["judged_s"] / HOUR_S))
    if r["first_at"] is None:
        return hours
    return say("from {time}, {hours}", time=shown.clock(r["first_at"]), hours=hours)


def _outcome(r: dict[str, Any]) -> str:
    """Return the uptake in a word, with the reason if it is unknown."""
    word, why = uptake_word(r["uptake_code"]), unknown_words(r["reason_code"])
    return say("{outcome}: {reason}", outcome=word, reason=why) if why else word


def _shift_table(order: int, moves: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> Table:
    """Return the changes of one shift."""
    return build_table(
        f"recent-{order}",
        say("changes of {day}", day=shown.short_day(moves["shift_date"][0])),
        (
            Column(say("Machine"), lambda r: text_cell(r["machine_id"])),
            Column(say("Setting"), lambda r: text_cell(capital(setting_label(r["setting"], catalogue))), numeric=False),
            Column(say("Advised"), lambda r: text_cell(_advised(r, catalogue, shown))),
            Column(say("Done, on average"), lambda r: text_cell(_value(r["done_value"], r, catalogue, shown))),
            Column(say("Time with the change"), lambda r: text_cell(_times(r, shown))),
            Column(say("Outcome"), lambda r: text_cell(_outcome(r)), numeric=False, wrap=True),
        ),
        moves.iter_rows(named=True),
        marks=lambda r: {"machine": r["machine_id"], "uptake": r["uptake_code"]},
    )


def _shift_summary(moves: pl.DataFrame, shown: DisplayUnits) -> str:
    """Return the shift with the number of its changes that were made, of those that can be judged."""
    known = moves.filter(pl.col("uptake_code") != "unknown").height
    made = number(moves.filter(pl.col("uptake_code") == "followed").height, 0)
    count = say_n("{made} of {n} change made", "{made} of {n} changes made", known, made=made)
    return say("{day}: {count}", day=shown.short_day(moves["shift_date"][0]), count=count)


def recent_section(recent: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> Section:
    """Return the section with the advised changes of the last seven shifts; `recent` is `uptake_recent`."""
    machines = recent["machine_id"].unique().sort().to_list()
    filters = Filters(
        {
            "machine": (say("Machine"), tuple((m, m) for m in machines)),
            "uptake": (say("Outcome"), tuple((code, uptake_word(code)) for code in UPTAKE)),
        }
    )
    reading = say(
        "Time with the change: with a quarter of it or more, of the time judged, which is lifting in the field and on "
        "the topsoil that the advice was for, with a reading."
    )
    shifts = recent.partition_by("shift_date", maintain_order=True)
    folds = (
        Fold(_shift_summary(moves, shown), (_shift_table(k, moves, catalogue, shown),), open=k == 0)
        for k, moves in enumerate(shifts)
    )
    return Section("recent", say("Changes of the last seven shifts"), (Prose(reading), filters, *folds))
