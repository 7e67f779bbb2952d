"""Set points beside reached values, and left beside right: lasting differences, and the values to set for a move."""

from typing import Any

import polars as pl

from reports.language.display_units import DisplayUnits
from reports.language.labels import capital, setting_label
from reports.language.precision import setting_value
from reports.language.reason_text import row_reason
from reports.language.translate import mark, say, say_n, translated
from reports.page.model import Section
from reports.page.tables import Column, build_table, number_cell, text_cell
from transforms.config.settings_catalogue import Catalogue
from transforms.telemetry.set_points import OF_SET_POINT, OF_SIDES

KINDS = {OF_SET_POINT: mark("reached less set"), OF_SIDES: mark("left less right")}
"""Kind of difference -> label."""


def offset_words(r: dict[str, Any], catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return a row of `set_point_offset` as a clause, such as "share depth runs 0.8 cm deeper than set"."""
    setting = catalogue[r["setting"]]
    about = {
        "setting": setting_label(setting.name, catalogue),
        "gap": setting_value(abs(r["gap"]), setting, shown),
        "way": translated(setting.up if r["gap"] > 0 else setting.down),
    }
    if r["kind"] == OF_SET_POINT:
        return say("{setting} runs {gap} {way} than set", **about)
    return say("{setting} is {gap} {way} on the left than on the right", **about)


def lasting(offsets: pl.DataFrame) -> pl.DataFrame:
    """Return the differences that last."""
    return offsets.filter(pl.col("reason_code") == "offset_lasts") if offsets.height else offsets


def _of_move(move: dict[str, Any], offsets: pl.DataFrame, kind: str) -> dict[str, Any] | None:
    """Return the lasting difference of one kind of the setting that a move changes; None if there is none."""
    own = lasting(offsets).filter(
        (pl.col("machine_id") == move["machine_id"]) & (pl.col("setting") == move["setting"]) & (pl.col("kind") == kind)
    )
    return own.row(0, named=True) if own.height else None


def sides_note(move: dict[str, Any], offsets: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return a sentence on a lasting difference between the sides of the setting moved; empty if there is none.

    Args:
        move: row of `advice`, whose values are the means of both sides.
        offsets: rows of `set_point_offset`.
        catalogue: the settings known.
        shown: units of the page.
    """
    offset = _of_move(move, offsets, OF_SIDES)
    if offset is None:
        return ""
    words = capital(offset_words(offset, catalogue, shown))
    return say("{difference}: the values are the means of both sides; change both by the same step.", difference=words)


def reached_note(move: dict[str, Any], offsets: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return a sentence on the value to set if it lasts to differ from the reached one; empty if it does not.

    Args:
        move: row of `advice`, whose values are reached ones.
        offsets: rows of `set_point_offset`.
        catalogue: the settings known.
        shown: units of the page.
    """
    to_set, offset = dialled(move, offsets)
    if offset is None:
        return ""
    words, setting = capital(offset_words(offset, catalogue, shown)), catalogue[move["setting"]]
    value = setting_value(to_set["to_value"], setting, shown)
    return say("{difference}: set {value} to reach the value above.", difference=words, value=value)


def dialled(move: dict[str, Any], offsets: pl.DataFrame) -> tuple[dict[str, Any], dict[str, Any] | None]:
    """Return a move with the values to set instead of those to reach, and their difference; None if none lasts.

    Args:
        move: row of `advice`; its values are reached ones.
        offsets: rows of `set_point_offset`.
    """
    offset = _of_move(move, offsets, OF_SET_POINT)
    if offset is None:
        return move, None
    values = {key: move[key] - offset["gap"] for key in ("from_value", "to_value")}
    return {**move, **values}, offset


def set_points_section(offsets: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> Section | None:
    """Return the section with the differences of every machine; None if no machine logs set points or sides."""
    if not offsets.height:
        return None

    def converted(r: dict[str, Any], column: str) -> float | None:
        return None if r[column] is None else r[column] * shown.convert(1.0, catalogue[r["setting"]].unit)

    def figure(title: str, column: str) -> Column:
        return Column(title, lambda r: number_cell(converted(r, column), 2))

    table = build_table(
        "set-points",
        say("set points and reached values"),
        (
            Column(say("Machine"), lambda r: text_cell(r["machine_id"]), numeric=False),
            Column(say("Setting"), lambda r: text_cell(setting_label(r["setting"], catalogue)), numeric=False),
            Column(say("Unit"), lambda r: text_cell(shown.sign(catalogue[r["setting"]].unit)), numeric=False),
            Column(say("Difference"), lambda r: text_cell(say(KINDS[r["kind"]])), numeric=False),
            figure(say("Mean"), "gap"),
            figure(say("95 % from"), "lo95"),
            figure(say("to"), "hi95"),
            figure(say("SD between days"), "sd"),
            Column(say("n days"), lambda r: number_cell(r["days"], 0)),
            Column(say("Note"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
        ),
        offsets.iter_rows(named=True),
        caption=say(
            "Effects and advice are about reached values, the mean of both sides. Cab cards give the value to set."
        ),
        marks=lambda r: {"machine": r["machine_id"]},
    )
    return Section("set-points", say("Set and reached values"), (table,))


def days_words(days: int) -> str:
    """Return the number of days behind a difference."""
    return say_n("n = {n} day", "n = {n} days", days)
