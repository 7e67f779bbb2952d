"""Offices of the fourth group (61 to 80): their files, with the truth, and the writer of what the others lack."""

import datetime as dt
from pathlib import Path
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

from tests.validation.dialects.arrange import grouped
from tests.validation.dialects.fourth_columns import FourthColumns
from tests.validation.dialects.fourth_extras import fourth_extras
from tests.validation.dialects.fourth_style import FourthStyle, fourth_style, shorten
from tests.validation.dialects.fourth_words import read_fourth_words
from tests.validation.dialects.invented_season import draw_season
from tests.validation.dialects.kind_columns import SOURCES, draw_columns
from tests.validation.dialects.office import WIDE_TARE, Office
from tests.validation.dialects.truth import Constant, DialectFile, FileColumn, FileTable, KindTruth, Meaning
from tests.validation.dialects.write_files import write_file

FIRST_FOURTH = 61
FOURTH_GROUP = range(FIRST_FOURTH, FIRST_FOURTH + 20)
LABELS = {"machine_id": "machine", "station_id": "station", "issued_at": "issued"}
PLACED_IN = {
    "machine_id": ("telemetry",),
    "station_id": ("weather_hour", "weather_day", "forecast_hour"),
    "site_id": ("load",),
    "issued_at": ("forecast_hour",),
}
"""Column whose value may be outside the rows -> kinds in which it may."""
SUFFIXES = {"sheet": ".xlsx", "parquet": ".parquet"}


class _Drawing:
    """Drawing of the files of one office."""

    def __init__(self, seed: int) -> None:
        self.rng = Random(seed)
        self.words = read_fourth_words(seed)
        self.raw = self.words.raw
        self.season = draw_season(self.rng, self.words.ids(self.rng))
        self.styles = {s: fourth_style(self.words, s) for s in ("machine", "factory", "office", "weather")}

    def files(self) -> list[DialectFile]:
        """Draw one file of each kind; workbooks and wide files hold several."""
        books = [tuple(b) for b in self.raw.get("books", [])]
        inside = {kind for book in books for kind in book}
        out = [self._workbook(book) for book in books]
        if self.raw.get("is_wide", False):
            inside |= {"load", "tare"}
            out.append(self._wide())
        return out + [self._single(kind) for kind in self.season if kind not in inside]

    def _style(self, kind: str) -> FourthStyle:
        return self.styles[SOURCES[kind]]

    def _table(self, kind: str, form: str, sheet: str = "") -> FileTable:
        style, rows = self._style(kind), self.season[kind]
        columns = draw_columns(self.rng, kind)
        constants = self._constants(kind, columns)
        kept = [r for r in rows if all(r[c] == rows[0][c] for c in constants)]
        builder = FourthColumns(self.rng, style, kind, kept, is_text=form == "delimited")
        made = [c for name in columns if name not in constants for c in builder.build(name)]
        for extra in fourth_extras(self.rng, style, kind, len(kept)):
            made.insert(0 if extra.cells[:2] == [1, 2] else self.rng.randint(1, len(made)), extra)
        made = self._arranged(made, style, form)
        truth = [{**row, **{c: k.value for c, k in constants.items()}} for row in builder.truth]
        return FileTable(sheet, made, [KindTruth(kind, truth, constants, builder.day)])

    @staticmethod
    def _arranged(made: list[FileColumn], style: FourthStyle, form: str) -> list[FileColumn]:
        made = grouped(made, style) if style.has_groups and form != "parquet" else made  # type: ignore[arg-type]
        if style.is_short:
            shorten(made)
        return made

    def _constants(self, kind: str, columns: list[str]) -> dict[str, Constant]:
        """Return the values that no column contains."""
        out = {}
        for column, place in self.raw.get("constants", {}).items():
            if column not in columns or kind not in PLACED_IN[column]:
                continue
            value: Any = self.season[kind][0][column]
            text = str(value)
            if isinstance(value, dt.datetime):
                value = value.replace(second=0, microsecond=0)
                text = value.astimezone(ZoneInfo(self._style(kind).zone)).strftime("%d.%m.%Y %H:%M")
            out[column] = Constant(value, place, text)
        return out

    def _single(self, kind: str) -> DialectFile:
        form = next((f for f in SUFFIXES if kind in self.raw.get(f, [])), "delimited")
        return self._file(kind, form, [self._table(kind, form, self.words.words[kind] if form == "sheet" else "")])

    def _workbook(self, kinds: tuple[str, ...]) -> DialectFile:
        return self._file(kinds[0], "sheet", [self._table(k, "sheet", self.words.words[k]) for k in kinds])

    def _wide(self) -> DialectFile:
        """Draw a file whose rows are a ticket and its lab result."""
        style, loads = self._style("load"), self.season["load"]
        of_load = FourthColumns(self.rng, style, "load", loads, is_text=True)
        of_tare = FourthColumns(self.rng, style, "tare", self.season["tare"], is_text=True)
        made = [c for n in draw_columns(self.rng, "load") if n != "cancelled" for c in of_load.build(n)]
        lab = [c for c in draw_columns(self.rng, "tare") if c in WIDE_TARE]
        made += [c for name in lab for c in of_tare.build(name)]
        ticket = next(c for c in made if c.meanings and c.meanings[0].column == "load_id")
        ticket.meanings += (Meaning("tare", "load_id"), Meaning("tare", "sample_id"))
        for row, load in zip(of_tare.truth, loads, strict=True):
            row.update(load_id=load["load_id"], sample_id=load["load_id"])
        truths = [KindTruth("load", of_load.truth), KindTruth("tare", of_tare.truth)]
        return self._file("load", "delimited", [FileTable("", self._arranged(made, style, "delimited"), truths)])

    def _file(self, kind: str, form: str, tables: list[FileTable]) -> DialectFile:
        style, truth = self._style(kind), tables[0].truths[0]
        named = [k.text for k in truth.constants.values() if k.place == "file_name"]
        word = self.words.words[self.raw.get("misnamed", {}).get(kind, kind)]
        day = dt.date(2025, 10, self.rng.randint(10, 28))
        stem = self.raw["file_name"].format(kind="_".join([word, *named]), day=day, number=self.rng.randint(100, 999))
        file = DialectFile(stem.replace(" ", "_") + SUFFIXES.get(form, self.raw["suffix"]), form, style, tables)
        file.preamble = self._preamble(style, truth, form)
        if style.has_totals and form != "parquet":
            file.total_word = self.words.words["total"]
        return file

    def _preamble(self, style: FourthStyle, truth: KindTruth, form: str) -> list[str]:
        """Return lines above the header, which contain the values that belong there."""
        inside = {c: k for c, k in truth.constants.items() if k.place == "preamble"}
        if form == "parquet" or not (inside or truth.day or style.has_head):
            return []
        words = self.words.words
        lines = [line.format(kind=words[truth.kind]) for line in self.raw["head"]]
        lines += [f"{words[LABELS[c]]}: {k.text}" for c, k in inside.items()]
        return lines + ([f"{words['date']}: {truth.day}"] if truth.day else [])


def draw_fourth_office(seed: int) -> Office:
    """Return an office of the fourth group, whose words and habits are those of its file of words."""
    drawing = _Drawing(seed)
    return Office(seed, drawing.words.language, drawing.raw["zone"], drawing.files())


def write_fourth_office(office: Office, folder: Path) -> list[Path]:
    """Write all files of an office, with the lines below their rows; return their paths in order."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = [write_file(file, folder) for file in office.files]
    for file, path in zip(office.files, paths, strict=True):
        style = file.style
        if file.form == "delimited" and style.has_footer:
            lines = [line.format(count=len(file.tables[0].columns[0].cells)) for line in style.lexicon.raw["foot"]]
            text = path.read_bytes().decode(style.encoding) + "\r\n".join([*lines, ""])
            path.write_bytes(text.encode(style.encoding))
    return paths
