"""An invented office: all its files, drawn from a seed."""

import datetime as dt
from dataclasses import dataclass
from random import Random

from tests.validation.dialects.arrange import built, draw_constants, grouped, numbered, without_sensors
from tests.validation.dialects.build_columns import ColumnBuilder
from tests.validation.dialects.invented_season import draw_ids, draw_season
from tests.validation.dialects.kind_columns import SOURCES, draw_columns
from tests.validation.dialects.lexicon import LANGUAGES, Lexicon
from tests.validation.dialects.second_lexicon import SecondLexicon
from tests.validation.dialects.second_set_aside import second_file_name, second_ids, second_preamble, second_style
from tests.validation.dialects.style import US_ZONE, ZONES, Style, draw_style
from tests.validation.dialects.truth import DialectFile, FileTable, KindTruth, Meaning

FIRST_SET_ASIDE, FIRST_SECOND_SET_ASIDE = 21, 41
PAIRS = (("load", "tare"), ("loss_audit", "root_check"), ("field", "machine_setup"))
DAY_ABOVE_SHARE = 0.25
WIDE_TARE = ("dirt_tare_pct", "top_tare_pct", "sugar_pct", "sodium_mmol_per_kg", "sample_kg")


@dataclass(frozen=True)
class Office:
    """Files of an invented office, and the time zone of its season."""

    seed: int
    language: str
    zone: str
    files: list[DialectFile]


class _Drawing:
    """Drawing of the files of one office."""

    def __init__(self, seed: int) -> None:
        self.rng = Random(seed)
        language = LANGUAGES[(seed - 1) % len(LANGUAGES)]
        is_us = language == "en" and self.rng.random() < 0.6
        self.zone = US_ZONE if is_us else ZONES[language]
        self.second: SecondLexicon | None = None
        if seed >= FIRST_SECOND_SET_ASIDE:
            self.second = SecondLexicon(language, False, self.rng, "us" if is_us else "")
        self.lexicon = self.second or Lexicon(language, seed >= FIRST_SET_ASIDE, self.rng)
        ids = second_ids(self.rng, "us" if is_us else language) if self.second else draw_ids(self.rng)
        self.season = draw_season(self.rng, ids)
        sources = ("machine", "factory", "office", "weather")
        self.styles = {s: draw_style(self.rng, self.lexicon, s, is_us=is_us) for s in sources}
        if self.second:
            self.styles = {s: second_style(self.rng, style, s) for s, style in self.styles.items()}

    def files(self) -> list[DialectFile]:
        """Draw one file of each kind; some hold two kinds."""
        out, done = [], set[str]()
        if self.rng.random() < 0.25:
            out.append(self._wide())
            done |= {"load", "tare"}
        for pair in PAIRS:
            if not done & set(pair) and self.rng.random() < 0.3:
                out.append(self._workbook(pair))
                done |= set(pair)
        return out + [self._single(kind) for kind in self.season if kind not in done]

    def _style(self, kind: str) -> Style:
        return self.styles[SOURCES[kind]]

    def _table(self, kind: str, form: str, sheet: str = "") -> FileTable:
        rng, style, rows = self.rng, self._style(kind), self.season[kind]
        columns = draw_columns(rng, kind)
        zone = style.zone
        constants = draw_constants(rng, kind, columns, rows, zone)
        kept = [r for r in rows if all(r[c] == rows[0][c] for c in constants)]
        columns = [c for c in columns if c not in constants]
        kept = without_sensors(rng, kept, columns) if kind == "telemetry" else kept
        builder = ColumnBuilder(rng, style, kind, kept, is_text=form == "delimited")
        builder.has_day_above = kind == "telemetry" and form == "delimited" and rng.random() < DAY_ABOVE_SHARE
        made = built(builder, columns, rng=rng)
        made = grouped(made, style) if style.has_groups and form != "parquet" else made
        made = numbered(made, style)
        truth = [{**row, **{c: k.value for c, k in constants.items()}} for row in builder.truth]
        return FileTable(sheet, made, [KindTruth(kind, truth, constants, builder.day)])

    def _single(self, kind: str) -> DialectFile:
        luck = self.rng.random()
        is_log = kind in {"telemetry", "weather_hour"}
        form = "parquet" if is_log and luck > 0.88 else "sheet" if luck < 0.18 else "delimited"
        table = self._table(kind, form, self.lexicon.sheet(kind, 1) if form == "sheet" else "")
        return self._file(kind, form, [table])

    def _workbook(self, kinds: tuple[str, ...]) -> DialectFile:
        tables = [self._table(kind, "sheet", self.lexicon.sheet(kind, i)) for i, kind in enumerate(kinds, 1)]
        return self._file(kinds[0], "sheet", tables)

    def _wide(self) -> DialectFile:
        """Draw a file whose rows are a ticket and its lab result."""
        rng, style = self.rng, self._style("load")
        loads, tares = self.season["load"], self.season["tare"]
        of_load = ColumnBuilder(rng, style, "load", loads, is_text=True)
        of_tare = ColumnBuilder(rng, style, "tare", tares, is_text=True)
        has_sample = rng.random() < 0.5
        lab = [c for c in draw_columns(rng, "tare") if c in WIDE_TARE]
        made = built(of_load, [c for c in draw_columns(rng, "load") if c != "cancelled"], rng=rng)
        made += [c for name in [*(["sample_id"] if has_sample else []), *lab] for c in of_tare.build(name)]
        ticket = next(c for c in made if c.meanings and c.meanings[0].column == "load_id")
        shared = ["load_id"] if has_sample else ["load_id", "sample_id"]
        ticket.meanings += tuple(Meaning("tare", c) for c in shared)
        for row, load in zip(of_tare.truth, loads, strict=True):
            row.update(dict.fromkeys(shared, load["load_id"]))
        truths = [KindTruth("load", of_load.truth), KindTruth("tare", of_tare.truth)]
        return self._file("load", "delimited", [FileTable("", numbered(made, style), truths)])

    def _file(self, kind: str, form: str, tables: list[FileTable]) -> DialectFile:
        style, truth = self._style(kind), tables[0].truths[0]
        constants = truth.constants
        in_name = [k.text for k in constants.values() if k.place == "file_name"]
        if self.second:
            name = second_file_name(self.rng, [self.lexicon.word(kind), *in_name], form)
            file = DialectFile(name, form, style, tables)
        else:
            file = DialectFile(self._name(kind, in_name, form), form, style, tables)
        file.preamble = self._preamble(style, truth, form) if form != "parquet" else []
        if style.has_totals and form != "parquet":
            file.total_word = self.lexicon.word("total")
        return file

    def _name(self, kind: str, in_name: list[str], form: str) -> str:
        day = self.rng.choice(["%Y-%m-%d", "%Y%m%d", "%d%m%y", "%d.%m.%Y"])
        words = [self.lexicon.word(kind), *in_name, dt.date(2025, 10, self.rng.randint(1, 28)).strftime(day)]
        suffix = {"delimited": self.rng.choice([".csv", ".csv", ".txt"]), "sheet": ".xlsx", "parquet": ".parquet"}[form]
        return self.rng.choice(["_", "-"]).join(words) + suffix

    def _preamble(self, style: Style, truth: KindTruth, form: str) -> list[str]:
        """Return lines above the header, which contain the values that belong there."""
        if self.second:
            return second_preamble(self.rng, self.second, style, truth, form)
        inside = {c: k for c, k in truth.constants.items() if k.place == "preamble"}
        if not inside and not truth.day and not style.has_preamble:
            return []
        word = {"machine_id": "machine", "station_id": "station", "issued_at": "issued"}
        lines = [f"{self.lexicon.word('export')} 2025-10-29"]
        lines += [f"{self.lexicon.word(word[c])}: {k.text}" for c, k in inside.items()]
        lines += [f"{self.lexicon.word('date')}: {truth.day}"] if truth.day else []
        return [*lines, *([""] if self.rng.random() < 0.5 else [])]


def draw_office(seed: int) -> Office:
    """Draw an invented office; offices from seed 21 on, and again from 41 on, have words and styles of their own."""
    drawing = _Drawing(seed)
    return Office(seed, drawing.lexicon.language, drawing.zone, drawing.files())
