"""Columns of a file of the fourth group: cells as the office writes them, and their truth."""

import datetime as dt
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

from tests.validation.dialects.fourth_style import FourthStyle
from tests.validation.dialects.fourth_units import METRIC, conversion, decimals, quantity, usual_spelling
from tests.validation.dialects.time_styles import EXCEL_EPOCH
from tests.validation.dialects.truth import FileColumn, Meaning, Row

DATE_ONLY = ("day_at", "valid_from_at")
FIRST_TIMES = ("logged_at", "weighed_at", "hour_at", "audited_at", "checked_at")
"""Times that may have their date and time of day in columns of their own."""
FLAGS = {"unloading": ("no", "yes"), "rear_roller_reversed": ("forward", "reverse"), "cancelled": ("no", "yes")}
WORDY = {"work_state": ("working", "turning", "road", "idle"), "place": ("tank", "pile", "yard")}
EPOCHS = {"epoch_s": 1, "epoch_ms": 1000}
EMPTY_MARKS = ("", "-")
"""Marks that every reader takes for an empty cell."""


class FourthColumns:
    """Builder of the columns of a kind.

    Args:
        rng: source of the draws.
        style: habits of the source of the file.
        kind: kind of file.
        rows: rows of the season, in stored units.
        is_text: True for a text file; sheets and Parquet hold numbers and times.

    Attributes:
        truth: the rows as they should be stored, filled column by column.
        day: day above the header as text, for times without a date; else empty.
    """

    def __init__(self, rng: Random, style: FourthStyle, kind: str, rows: list[Row], *, is_text: bool) -> None:
        self.rng, self.style, self.kind, self.rows, self.is_text = rng, style, kind, rows, is_text
        self.words = style.lexicon
        self.truth: list[Row] = [{} for _ in rows]
        self.day = ""

    def build(self, column: str) -> list[FileColumn]:
        """Return the columns of the file that hold a table column."""
        name = self.words.name(self.kind, column)
        if column.endswith("_at"):
            return self._time(column, name)
        if column in FLAGS:
            return [self._flag(column, name)]
        if column in WORDY:
            return [self._wordy(column, name)]
        if column == "share_depth_cm" and self.words.raw.get("has_pairs", False):
            return self._pair(column, name)
        of = quantity(column)
        return [self._plain(column, name)] if of is None else [self._number(column, name, of)]

    def _put(self, column: str, values: list[Any]) -> None:
        for row, value in zip(self.truth, values, strict=True):
            row[column] = value

    def _plain(self, column: str, name: str) -> FileColumn:
        values: list[Any] = [r[column] for r in self.rows]
        self._put(column, values)
        # A workbook holds a ticket number of digits as a number.
        is_number = column == "load_id" and not self.is_text and all(v.isdecimal() and v[0] != "0" for v in values)
        cells = [int(v) for v in values] if is_number else list(values)
        return FileColumn(name, cells, decimals=0, meanings=(Meaning(self.kind, column),))

    def _unit(self, column: str, of: str) -> str:
        return self.words.unit(self.kind, column, of) or METRIC[of]

    def _number(self, column: str, name: str, of: str) -> FileColumn:
        values: list[Any] = [r[column] for r in self.rows]
        if column == "delivered_t" and "truck_empty_t" in self.truth[0]:  # a weighbridge subtracts what it has printed
            values = [r["truck_full_t"] - r["truck_empty_t"] for r in self.truth]
        cells, shape = self._cells(column, values, of)
        factor, offset = conversion(self._unit(column, of), column)
        self._put(column, [None if c is None else c * factor + offset for c in cells])
        return FileColumn(name, cells, meanings=(Meaning(self.kind, column, factor=factor, offset=offset),), **shape)

    def _cells(self, column: str, values: list[Any], of: str) -> tuple[list[Any], dict[str, Any]]:
        """Return the numbers of a column in its unit, and the text of the unit and the decimals."""
        code = self._unit(column, of)
        factor, offset = conversion(code, column)
        places = decimals(code, of)
        spelled = self.words.spelling(code)
        text = usual_spelling(code) if spelled is None else spelled
        cells = [None if v is None else round((v - offset) / factor, places) for v in values]
        return cells, {"unit": text, "decimals": places}

    def _pair(self, column: str, name: str) -> list[FileColumn]:
        """Return the columns of a left and a right sensor, whose mean is the value."""
        factor, offset = conversion(self._unit(column, "length"), column)
        sides = []
        for part in ("left", "right"):
            cells, shape = self._cells(column, [r[column] + self.rng.uniform(-0.4, 0.4) for r in self.rows], "length")
            meaning = Meaning(self.kind, column, part=part, factor=factor, offset=offset)
            sides.append(FileColumn(f"{name} {self.words.words[part]}", cells, meanings=(meaning,), **shape))
        self._put(column, [(a + b) / 2 * factor + offset for a, b in zip(*(s.cells for s in sides), strict=True)])
        return sides

    def _flag(self, column: str, name: str) -> FileColumn:
        off, on = (self.words.words[w] for w in FLAGS[column])
        if column == "cancelled":
            off, on = self.words.raw.get("cancelled", [off, on])
        elif column == "unloading":
            off, on = self.words.raw.get("unloading", [off, on])
        is_bool = column == "cancelled"
        values = [r[column] for r in self.rows]
        self._put(column, [bool(v) if is_bool else float(v) for v in values])
        written = off or (self.style.empty_mark if self.style.empty_mark not in EMPTY_MARKS else "")
        stored = ("false", "true") if is_bool else ("0", "1")
        words = {on if v else written: stored[bool(v)] for v in values}
        cells = [(on if v else off) or None for v in values]
        return FileColumn(name, cells, decimals=0, meanings=(Meaning(self.kind, column, words=words),))

    def _wordy(self, column: str, name: str) -> FileColumn:
        values = [r[column] for r in self.rows]
        self._put(column, values)
        words = {self.words.words[k]: k for k in WORDY[column] if k in values}
        cells = [self.words.words[v] for v in values]
        return FileColumn(name, cells, decimals=0, meanings=(Meaning(self.kind, column, words=words),))

    def _time(self, column: str, name: str) -> list[FileColumn]:
        if column in DATE_ONLY:
            return [self._date(column, name)]
        when, zone = self.style.when, self.style.zone
        has_seconds = any(mark in when for mark in ("%S", "epoch", "excel")) or not self.is_text
        times = [r[column].replace(microsecond=0) for r in self.rows]
        times = times if has_seconds else [t.replace(second=0) for t in times]
        self._put(column, list(times))
        local = [t.astimezone(ZoneInfo(zone)) for t in times]
        note = " (UTC)" if zone == "UTC" and "Z" not in when and when not in EPOCHS else ""
        if not self.is_text:
            native: list[Any] = [t.replace(tzinfo=None) for t in local]
            note = " (UTC)" if zone == "UTC" else ""
            return [FileColumn(name + note, native, meanings=self._of_time(column, "native"))]
        if "%" not in when:
            return [self._numeric(column, name, local, when)]
        date, bar, clock = when.removeprefix("^").partition("|")
        if bar and column in FIRST_TIMES and (when[0] != "^" or column == "logged_at"):
            return self._split(column, local, date, clock)
        form = f"{date} {clock}" if bar else when
        cells: list[Any] = [t.strftime(form) for t in local]
        return [FileColumn(name + note, cells, meanings=self._of_time(column, form))]

    def _split(self, column: str, local: list[dt.datetime], date: str, clock: str) -> list[FileColumn]:
        """Return date and time of day in a column each, or the date above the header."""
        note = " (UTC)" if self.style.zone == "UTC" else ""
        parts = []
        for part, form in (("date", date), ("clock", clock)):
            cells: list[Any] = [t.strftime(form) for t in local]
            meanings = self._of_time(column, f"{date} {clock}", part)
            parts.append(FileColumn(self.words.words[part] + note, cells, meanings=meanings))
        if self.style.when[0] == "^":
            self.day = local[0].strftime(date)
            return parts[1:]
        return parts

    def _of_time(self, column: str, form: str, part: str = "whole") -> tuple[Meaning, ...]:
        plain = form.replace("%-", "%")
        return (Meaning(self.kind, column, part=part, format=plain, zone=self.style.zone),)

    def _numeric(self, column: str, name: str, local: list[dt.datetime], form: str) -> FileColumn:
        if form in EPOCHS:
            cells: list[Any] = [int(t.timestamp()) * EPOCHS[form] for t in local]
            return FileColumn(name, cells, decimals=0, meanings=(Meaning(self.kind, column, format=form, zone="UTC"),))
        day = dt.timedelta(days=1)
        serial: list[Any] = [round((t.replace(tzinfo=None) - EXCEL_EPOCH) / day, 6) for t in local]
        return FileColumn(name, serial, decimals=6, meanings=self._of_time(column, form))

    def _date(self, column: str, name: str) -> FileColumn:
        """Return days; each begins at midnight of the zone of the office."""
        zone = self.style.local
        days = [r[column].astimezone(ZoneInfo(zone)).replace(hour=0, minute=0, second=0) for r in self.rows]
        self._put(column, [d.astimezone(dt.UTC) for d in days])
        if not self.is_text:
            cells: list[Any] = [d.replace(tzinfo=None) for d in days]
            return FileColumn(name, cells, meanings=(Meaning(self.kind, column, format="native", zone=zone),))
        when = self.style.when
        form = when.removeprefix("^").replace("T", " ").replace("|", " ").split(" ")[0] if "%" in when else "%Y-%m-%d"
        texts: list[Any] = [d.strftime(form) for d in days]
        meaning = Meaning(self.kind, column, format=form.replace("%-", "%"), zone=zone)
        return FileColumn(name, texts, meanings=(meaning,))
