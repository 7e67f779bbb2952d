"""Columns of an invented file from the rows of a kind: cells as the office writes them, and their truth."""

import datetime as dt
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

from tests.validation.dialects.file_units import FileUnit, draw_spelling, draw_unit, full_scale, quantity
from tests.validation.dialects.kind_columns import NUMBERED
from tests.validation.dialects.style import Style
from tests.validation.dialects.time_styles import number_of, truncated, written
from tests.validation.dialects.truth import Censored, FileColumn, Meaning, Row

DATE_ONLY = ("day_at", "valid_from_at")
FLAGS = ("unloading", "rear_roller_reversed")
WORDY = ("work_state", "place")
CENSOR_BELOW = 2.0
UNITS_OF_SETTINGS = ("topper_speed_rpm", "cleaner_1_speed_rpm", "cleaner_2_speed_rpm", "cleaner_3_speed_rpm")


class ColumnBuilder:
    """Builder of the columns of a kind.

    Args:
        rng: source of the draws.
        style: habits of the source of the file.
        kind: kind of file.
        rows: rows of the season, in stored units.
        is_text: True for a text file; sheets and Parquet hold numbers and times.

    Attributes:
        truth: the rows as they should be stored, filled column by column.
        has_day_above: True if a log has times of day only, and its day above the header.
        day: that day as text, once the column of times is built.
    """

    def __init__(self, rng: Random, style: Style, kind: str, rows: list[Row], *, is_text: bool) -> None:
        self.rng, self.style, self.kind, self.rows, self.is_text = rng, style, kind, rows, is_text
        self.lexicon = style.lexicon
        self.truth: list[Row] = [{} for _ in rows]
        self.units: dict[str, FileUnit] = {}
        self.names: dict[str, str] = {}
        self.spelled: dict[str, str] = {}
        for group in NUMBERED:
            self.names.update(self.lexicon.numbered_names(group))
        self.has_day_above, self.day = False, ""
        self.has_percent_drives = rng.random() < 0.3

    def build(self, column: str, *, beside_truck: bool = False) -> list[FileColumn]:
        """Return the columns of the file that hold a table column."""
        key = "delivered_beside_truck" if beside_truck else column
        key = "forecast_issued_at" if (self.kind, column) == ("forecast_hour", "issued_at") else key
        name = self.names.get(column) or self.lexicon.name(key)
        if column.endswith("_at"):
            return self._time(column, name)
        if column in FLAGS or column == "cancelled":
            return [self._flag(column, name)]
        if column in WORDY:
            return [self._words(column, name)]
        if (of := quantity(column, self.kind)) is not None:
            is_pair = column == "share_depth_cm" and self.rng.random() < 0.4
            return self._pair(column, name) if is_pair else [self._number(column, name, of)]
        return [self._plain(column, name)]

    def _meaning(self, column: str, **details: Any) -> tuple[Meaning, ...]:
        return (Meaning(self.kind, column, **details),)

    def _put(self, column: str, values: list[Any]) -> None:
        for row, value in zip(self.truth, values, strict=True):
            row[column] = value

    def _plain(self, column: str, name: str) -> FileColumn:
        values = [r[column] for r in self.rows]
        self._put(column, values)
        return FileColumn(name, values, decimals=0, meanings=self._meaning(column))

    def _unit(self, column: str, of: str) -> FileUnit:
        """Return the unit of a column; masses of a load share theirs, as all columns of a quantity mostly do."""
        if of not in self.units:
            is_common = self.rng.random() < self.style.habit
            self.units[of] = draw_unit(self.rng, of, is_us=self.style.is_us, is_common=is_common)
        return FileUnit("kg", 0.001, 0) if column == "tank_t" and self.rng.random() < 0.3 else self.units[of]

    def spelling(self, code: str) -> str:
        """Return the text of a unit, which is the same in all columns of a file."""
        if code not in self.spelled:
            self.spelled[code] = draw_spelling(self.rng, code, self.lexicon)
        return self.spelled[code]

    def _number(self, column: str, name: str, of: str) -> FileColumn:
        if self.has_percent_drives and column in UNITS_OF_SETTINGS:
            scale = full_scale(self.rng, column)
            unit, details = FileUnit("pct", scale / 100, 1), {"full_scale": scale}
        else:
            unit = self._unit(column, of)
            details = {}
        values = [r[column] for r in self.rows]
        if column == "delivered_t" and "truck_empty_t" in self.truth[0]:  # a weighbridge subtracts what it has printed
            values = [r["truck_full_t"] - r["truck_empty_t"] for r in self.truth]
        cells = [self._file_number(v, unit) for v in values]
        self._put(column, [None if c is None else c * unit.factor + unit.offset for c in cells])
        meaning = self._meaning(column, factor=unit.factor, offset=unit.offset, **details)
        spelled = self.spelling(unit.code)
        made = FileColumn(name, list(cells), unit=spelled, decimals=unit.decimals, meanings=meaning)
        if column == "sodium_mmol_per_kg" and self.is_text and self.rng.random() < 0.5:
            self._censor(made, CENSOR_BELOW / unit.factor, column)
        return made

    def _file_number(self, value: float | None, unit: FileUnit) -> float | None:
        return None if value is None else round((value - unit.offset) / unit.factor, unit.decimals)

    def _censor(self, made: FileColumn, limit: float, column: str) -> None:
        """Write low values as "<2"."""
        for i, cell in enumerate(made.cells):
            if cell is not None and cell < limit:
                made.cells[i] = "<" + f"{limit:g}".replace(".", self.style.decimal)
                self.truth[i][column] = Censored(CENSOR_BELOW)

    def _pair(self, column: str, name: str) -> list[FileColumn]:
        """Return the columns of a left and a right sensor, whose mean is the value."""
        unit = self._unit(column, "depth_cm")
        spelled = self.spelling(unit.code)
        sides = []
        for part in ("left", "right"):
            wanted = [r[column] and r[column] + self.rng.uniform(-0.4, 0.4) for r in self.rows]
            cells = [self._file_number(value, unit) for value in wanted]
            meaning = self._meaning(column, part=part, factor=unit.factor, offset=unit.offset)
            text = f"{name} {self.lexicon.word(part)}"
            sides.append(FileColumn(text, list(cells), unit=spelled, decimals=unit.decimals, meanings=meaning))
        means = [None if a is None else (a + b) / 2 for a, b in zip(*(s.cells for s in sides), strict=True)]
        self._put(column, [None if m is None else m * unit.factor + unit.offset for m in means])
        return sides

    def _flag(self, column: str, name: str) -> FileColumn:
        """Return a flag in words or numbers; a direction in words of its own."""
        luck = self.rng.random()
        if column == "rear_roller_reversed":
            off, on = ("0", "1") if luck < 0.3 else self.lexicon.pair("forward", "reverse")
        elif column == "cancelled" and luck < 0.35:
            off, on = "", self.lexicon.cancel_mark()
        elif luck < 0.65:
            off, on = self.lexicon.pair("no", "yes")
        else:
            off, on = "0", "1"
        values = [r[column] for r in self.rows]
        self._put(column, [None if v is None else bool(v) if column == "cancelled" else float(v) for v in values])
        words = {off: "false", on: "true"} if column == "cancelled" else {off: "0", on: "1"}
        cells = [None if v is None else on if v else off for v in values]
        cells = [None if c == "" else c for c in cells]
        return FileColumn(name, cells, decimals=0, meanings=self._meaning(column, words=words))

    def _words(self, column: str, name: str) -> FileColumn:
        known = sorted({r[column] for r in self.rows if r[column] is not None})
        words = {self.lexicon.word(k): k for k in known}
        back = {v: k for k, v in words.items()}
        values = [r[column] for r in self.rows]
        self._put(column, values)
        cells = [None if v is None else back[v] for v in values]
        return FileColumn(name, cells, decimals=0, meanings=self._meaning(column, words=words))

    def _time(self, column: str, name: str) -> list[FileColumn]:
        style, zone = self.style.time, self.style.zone
        if column in DATE_ONLY:
            return [self._date(column, name)]
        times = [truncated(r[column], style) for r in self.rows]
        self._put(column, list(times))
        note = f" ({self.style.zone_note})" if self.style.zone_note else ""
        if not self.is_text:
            cells: list[Any] = [t.astimezone(ZoneInfo(zone)).replace(tzinfo=None) for t in times]
            return [FileColumn(name + note, cells, meanings=self._meaning(column, format="native", zone=zone))]
        if not style.date:
            numbers = [number_of(t, style.name, zone) for t in times]
            decimals = 6 if style.name == "excel_1900" else 0
            meaning = self._meaning(column, format=style.name, zone=zone if style.name == "excel_1900" else "UTC")
            return [FileColumn(name, list(numbers), decimals=decimals, meanings=meaning)]
        form = style.joined()
        local = [t.astimezone(ZoneInfo("UTC" if style.clock.endswith("Z") else zone)) for t in times]
        if self.has_day_above and column == "logged_at" and not style.is_utc:
            self.day = written(local[0], style.date, is_padded=style.is_padded)
            return self._split(column, local)[1:]
        if style.is_split and column in {"logged_at", "weighed_at", "hour_at", "audited_at", "checked_at"}:
            return self._split(column, local)
        zone_of = "UTC" if style.is_utc else zone
        meaning = self._meaning(column, format=form.replace("%:z", "%z"), zone=zone_of)
        cells = [written(t, form, is_padded=style.is_padded) for t in local]
        return [FileColumn(name + ("" if style.is_utc else note), cells, meanings=meaning)]

    def _split(self, column: str, local: list[dt.datetime]) -> list[FileColumn]:
        """Return date and time of day in a column each."""
        style = self.style.time
        made = []
        for part, form in (("date", style.date), ("clock", style.clock)):
            cells = [written(t, form, is_padded=style.is_padded) for t in local]
            meaning = self._meaning(column, part=part, format=f"{style.date} {style.clock}", zone=self.style.zone)
            made.append(FileColumn(self.lexicon.word(part), list(cells), meanings=meaning))
        return made

    def _date(self, column: str, name: str) -> FileColumn:
        """Return days; each begins at midnight of the zone of the file."""
        zone = ZoneInfo(self.style.zone)
        days = [r[column].astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0) for r in self.rows]
        self._put(column, [d.astimezone(dt.UTC) for d in days])
        if not self.is_text:
            cells: list[Any] = [d.replace(tzinfo=None) for d in days]
            return FileColumn(name, cells, meanings=self._meaning(column, format="native", zone=self.style.zone))
        form = self.style.time.date or "%Y-%m-%d"
        cells = [written(d, form, is_padded=self.style.time.is_padded) for d in days]
        return FileColumn(name, cells, meanings=self._meaning(column, format=form, zone=self.style.zone))
