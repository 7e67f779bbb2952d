"""Sections on settings left undone and on the advised changes of the last shifts."""

from typing import Any

import polars as pl

from reports.language.display_units import DisplayUnits, number
from reports.language.labels import capital, setting_label
from reports.language.precision import setting_value
from reports.language.translate import say
from reports.language.uptake_words import UPTAKE, unknown_words, uptake_word
from reports.page.model import Filters, Prose, Section
from reports.page.tables import Cell, Column, Table, build_table, text_cell
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


def _value(r: dict[str, Any], column: str, catalogue: Catalogue, shown: DisplayUnits) -> Cell:
    """Return a value of a move in the unit of its setting; as stored if the setting is no longer in the catalogue."""
    if r["setting"] in catalogue:
        return text_cell(setting_value(r[column], catalogue[r["setting"]], shown))
    return text_cell(number(r[column]))


def _hours(r: dict[str, Any]) -> str:
    """Return the time with the change, of the time judged; empty if it is unknown."""
    if r["made_s"] is None:
        return ""
    return say("{made} of {all} h", made=number(r["made_s"] / HOUR_S), all=number(r["judged_s"] / HOUR_S))


def _outcome(r: dict[str, Any]) -> str:
    """Return the uptake in a word, with the reason if it is unknown."""
    word, why = uptake_word(r["uptake_code"]), unknown_words(r["reason_code"])
    return say("{outcome}: {reason}", outcome=word, reason=why) if why else word


def recent_section(recent: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> Section:
    """Return the section with the advised changes of the last seven shifts; `recent` is `uptake_recent`."""
    title = say("Changes of the last seven shifts")
    if not recent.height:
        return Section("recent", title, (Prose(say("No advised change can be followed yet.")),))
    machines = recent["machine_id"].unique(maintain_order=True).sort().to_list()
    filters = Filters(
        {
            "machine": (say("Machine"), tuple((m, m) for m in machines)),
            "uptake": (say("Outcome"), tuple((code, uptake_word(code)) for code in UPTAKE)),
        }
    )
    table = build_table(
        "recent-moves",
        say("changes of the last shifts"),
        (
            Column(say("Shift"), lambda r: text_cell(shown.short_day(r["shift_date"]))),
            Column(say("Machine"), lambda r: text_cell(r["machine_id"]), numeric=False),
            Column(say("Setting"), lambda r: text_cell(capital(setting_label(r["setting"], catalogue))), numeric=False),
            Column(say("Before"), lambda r: _value(r, "from_value", catalogue, shown)),
            Column(say("Advised"), lambda r: _value(r, "to_value", catalogue, shown)),
            Column(say("Done, on average"), lambda r: _value(r, "done_value", catalogue, shown)),
            Column(say("Since"), lambda r: text_cell(shown.clock(r["first_at"]) if r["first_at"] else None)),
            Column(say("For"), lambda r: text_cell(_hours(r))),
            Column(say("Outcome"), lambda r: text_cell(_outcome(r)), numeric=False, wrap=True),
        ),
        recent.iter_rows(named=True),
        caption=say(
            "Since and for: time with a quarter of the change or more, of the time judged: lifting in the field and on "
            "the topsoil that the advice was for, with a reading."
        ),
        marks=lambda r: {"machine": r["machine_id"], "uptake": r["uptake_code"]},
    )
    return Section("recent", title, (filters, table))
