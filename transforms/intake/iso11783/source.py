"""Opens ISO 11783-10 task data as rows: an instant of a machine each, with the values a mapping asks for."""

import io
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.catalogue import load_catalogue
from transforms.errors import SourceFileError
from transforms.intake.iso11783.clock import Clock, clock_of, local_ms
from transforms.intake.iso11783.container import Container, open_container, read_some
from transforms.intake.iso11783.dictionary import SECTION_STATES, UNLOADING_STATUS, WORK_STATE
from transforms.intake.iso11783.task_data import Log, TaskData, parse_xml, read_task_data
from transforms.intake.iso11783.time_log import POSITION, Layout, Records, layout_of, walk
from transforms.intake.iso11783.values import Logged, logged_values, matching, scaled
from transforms.intake.mapping import ColumnMapping, Mapping
from transforms.intake.piece import LINE, Piece, Source, none_rejected, rejected_rows
from transforms.units import stored_unit

Floats = NDArray[np.float64]
LOOK_BYTES = 1 << 16
STATES = {WORK_STATE, UNLOADING_STATUS, *SECTION_STATES}
OWN_SOURCES = ("device", "time", "lat", "lon", "work state", "sections on", "unloading")


def open_task_data(path: Path, mapping: Mapping) -> Source:
    """Open a task-data folder or archive.

    Raises:
        SourceFileError: it is no archive, holds no task data, or its TASKDATA.XML cannot be parsed.
    """
    container = open_container(path)
    found = [m for m in container.members if m.rsplit("/", 1)[-1].casefold() == "taskdata.xml"]
    if not found:
        raise SourceFileError(
            "no_task_data", "there is no TASKDATA.XML in it; other archives are not read: unpack them first"
        )
    sets = [read_task_data(container, name) for name in sorted(found)]
    return Source("", _pieces(container, sets, mapping))


def _pieces(container: Container, sets: list[TaskData], mapping: Mapping) -> Iterator[Callable[[], Piece]]:
    findings = tuple(f for s in sets for f in s.findings)
    empty = pl.DataFrame(schema={**dict.fromkeys(mapping.sources(), pl.Float64), LINE: pl.Int64})
    yield lambda: Piece(empty, 0, lambda lines: [""] * len(lines), findings=findings)
    for task_data in sets:
        for log in task_data.logs:
            for piece in _log_pieces(container, task_data, log, mapping):
                yield lambda piece=piece: piece  # type: ignore[misc]


def value_names(path: Path) -> list[str]:
    """Return what the logs of task data hold, as a mapping's `from` may name it, with the device's own words.

    Raises:
        SourceFileError: as `open_task_data`.
    """
    container = open_container(path)
    names: dict[str, None] = {}
    for name in sorted(m for m in container.members if m.rsplit("/", 1)[-1].casefold() == "taskdata.xml"):
        task_data = read_task_data(container, name)
        for log in task_data.logs:
            header = container.find(log.folder, f"{log.stem}.XML")
            if header is None:
                continue
            try:
                layout = layout_of(parse_xml(container.read(header), header)[0])
            except SourceFileError:
                continue
            for value in logged_values(layout, task_data.devices):
                words = f" ({value.quantity.designator})" if value.quantity and value.quantity.designator else ""
                names[f"ddi {value.number} | {value.element}{words}"] = None
    return list(names)


def _unread(log: Log, rule: str, says: str) -> Piece:
    bad = rejected_rows([0], None, [log.stem], rule, says)
    return Piece(
        pl.DataFrame(schema={LINE: pl.Int64}), 0, lambda lines: [""] * len(lines), bad, part=log.folder + log.stem
    )


def _log_pieces(container: Container, task_data: TaskData, log: Log, mapping: Mapping) -> Iterator[Piece]:
    """One log's rows; a log that cannot be read is one rejected row with the reason, and its neighbours go on."""
    header, binary = (container.find(log.folder, f"{log.stem}.{kind}") for kind in ("XML", "BIN"))
    if header is None or binary is None:
        missing = "header" if header is None else "records"
        yield _unread(log, "log_incomplete", f"log {log.stem} has no {missing} in the task data")
        return
    try:
        root, findings = parse_xml(container.read(header), header)
        reader = _LogReader(task_data, log, layout_of(root), mapping, findings)
        with container.open(binary) as handle:
            yield from reader.pieces(lambda n: read_some(handle, n, binary))
    except SourceFileError as problem:
        yield _unread(log, problem.rule, problem.says)


def _records_in(beginning: bytes, layout: Layout) -> int:
    return sum(r.head.size for r in walk(io.BytesIO(beginning).read, layout, []))


class _LogReader:
    """Turns one log's records into rows, carrying over what was said last and the last instant."""

    def __init__(
        self, task_data: TaskData, log: Log, layout: Layout, mapping: Mapping, findings: tuple[str, ...]
    ) -> None:
        self.task_data, self.log, self.layout, self.mapping = task_data, log, layout, mapping
        self.values = logged_values(layout, task_data.devices)
        self.findings = list(findings)
        self.asked = {s: matching(self.values, s) for s in mapping.sources() if s not in OWN_SOURCES}
        states = [v for v in self.values if v.number in STATES]
        needed = {v.index: v for v in [*states, *(v for vs in self.asked.values() for v in vs)] if v.constant is None}
        self.wanted = sorted(needed)
        self.carried = np.full(len(self.wanted), np.nan)
        self.clock: Clock | None = None
        self.pending: pl.DataFrame | None = None
        self.records = 0
        self.units: dict[str, str] = {}

    def _read_records(self, read: Callable[[int], bytes]) -> Iterator[Records]:
        """Walk by the header's layout; where its beginning gives nothing and an early writer's would, by that."""
        beginning = read(LOOK_BYTES)
        early = self.layout.full()
        if not _records_in(beginning, self.layout) and _records_in(beginning, early):
            self.layout = early
            self.findings.append("every position field stands in every record, whatever the header says")
        first = io.BytesIO(beginning)
        yield from walk(lambda n: first.read(n) or read(n), self.layout, self.wanted)

    def pieces(self, read: Callable[[int], bytes]) -> Iterator[Piece]:
        """Yield the log's rows, a stretch at a time; the last instant waits for records that share it."""
        try:
            for records in self._read_records(read):
                yield self._piece(records)
        except SourceFileError:
            yield from self._last()
            raise
        yield from self._last()

    def _last(self) -> Iterator[Piece]:
        if self.pending is not None:
            yield self._made(self.pending, none_rejected(), 0)

    def _piece(self, records: Records) -> Piece:
        bad = [none_rejected()]
        for offset, skipped, beginning, before in records.gaps:
            says = f"{skipped:,} bytes at {offset:,} are no record and were skipped"
            bad.append(rejected_rows([self.records + before], None, [beginning.hex(" ")], "stray_bytes", says))
        if not records.head.size:
            return self._made(None, pl.concat(bad), 0)
        if self.clock is None:
            self.clock = clock_of(records.head, self.log, self.mapping.time_zone)
            self.findings.append(self.clock.says)
        rows = self._rows(records, self.clock)
        self.records += records.head.size
        joined = rows if self.pending is None else pl.concat([self.pending, rows], how="vertical_relaxed")
        merged = joined.unique("time", keep="last", maintain_order=True)
        self.pending = merged.tail(1)
        return self._made(merged.head(-1), pl.concat(bad), joined.height - merged.height)

    def _made(self, rows: pl.DataFrame | None, bad: pl.DataFrame, merged: int) -> Piece:
        cells = pl.DataFrame(schema={LINE: pl.Int64}) if rows is None else rows
        findings, self.findings = tuple(self.findings), []
        part = self.log.folder + self.log.stem

        def raw(lines: list[int]) -> list[str]:
            return [f"record {n}" for n in lines]

        return Piece(
            cells, 0, raw, bad, merged, part, dict(self.units), tuple(dict.fromkeys(f"{part}: {f}" for f in findings))
        )

    def _filled(self, records: Records) -> dict[int, Floats]:
        """Each wanted value by its index, carried forward from when it was last said; never from nothing."""
        out = {}
        for row, index in enumerate(self.wanted):
            series = records.values[row].copy()
            if np.isnan(series[0]):
                series[0] = self.carried[row]
            filled = pl.Series(series).fill_nan(None).forward_fill().fill_null(np.nan).to_numpy()
            self.carried[row] = filled[-1]
            out[index] = filled
        return out

    def _rows(self, records: Records, clock: Clock) -> pl.DataFrame:
        filled = self._filled(records)
        n = records.head.size

        def series(value: Logged) -> Floats:
            return filled[value.index] if value.constant is None else np.full(n, value.constant)

        lat, lon = self._position(records)
        columns: dict[str, pl.Series | Floats | list[str]] = {
            "time": clock.utc(local_ms(records.head)),
            "device": [self._device()] * n, "lat": lat, "lon": lon,
            "work state": _work_state([series(v) for v in self.values if v.number == WORK_STATE], n),
            "sections on": _sections_on([series(v) for v in self.values if v.number in SECTION_STATES], n),
            "unloading": _unloading([series(v) for v in self.values if v.number == UNLOADING_STATUS], n),
        }  # fmt: skip
        for column in self.mapping.columns:
            for source in column.sources:
                if source in self.asked:
                    columns[source] = self._asked(source, column, series, n)
        self.units.update({"lat": "deg", "lon": "deg", "sections on": "pct", "unloading": "flag"})
        frame = pl.DataFrame(columns)
        floats = [c for c, t in frame.schema.items() if t.is_float()]
        numbered = frame.with_columns(pl.col(c).fill_nan(None) for c in floats)
        return numbered.with_columns(pl.int_range(self.records + 1, self.records + n + 1, dtype=pl.Int64).alias(LINE))

    def _asked(self, source: str, column: ColumnMapping, series: Callable[[Logged], Floats], n: int) -> Floats:
        """The mean of all values a source means, each in its own scale."""
        setting = load_catalogue().get(column.column)
        plausible = (setting.unit, setting.low, setting.high) if setting is not None else None
        out = []
        for value in self.asked[source]:
            converted, unit, says = scaled(series(value), value, column.scale_by, plausible)
            if unit is not None:
                self.units[source] = unit
            if says is not None:
                self.findings.append(says)
            out.append(converted)
        if not out:
            self.units.setdefault(source, stored_unit(column.column) or "count")
            return np.full(n, np.nan)
        stack = np.vstack(out)
        known = np.isfinite(stack).sum(axis=0)
        return np.where(known > 0, np.nansum(stack, axis=0) / np.maximum(known, 1), np.nan)

    def _device(self) -> str:
        """The device whose elements most of the log's values belong to."""
        counted = [(sum(e in d.elements for _, e, _ in self.layout.values), d.name) for d in self.task_data.devices]
        return max(counted, default=(0, ""))[1] or self.log.stem

    def _position(self, records: Records) -> tuple[Floats, Floats]:
        """Latitude and longitude in degrees; null island and places off the globe are none. Status decides nothing."""
        names = records.head.dtype.names or ()
        n = records.head.size
        pair = []
        for _, name, _ in POSITION[:2]:
            logged = records.head[name] * 1e-7 if name in names else np.full(n, self.layout.constants.get(name, np.nan))
            pair.append(np.asarray(logged, dtype=np.float64))
        lat, lon = pair
        none = ((np.abs(lat) < 1e-6) & (np.abs(lon) < 1e-6)) | (np.abs(lat) > 90) | (np.abs(lon) > 180)
        return np.where(none, np.nan, lat), np.where(none, np.nan, lon)


def _work_state(states: list[Floats], n: int) -> pl.Series:
    """Working where any element says on, off where one says off and none on; error and not available say nothing."""
    on, off = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    for state in states:
        on |= state == 1
        off |= state == 0
    words = np.where(on, "working", np.where(off, "off", ""))
    return pl.Series("work state", words.tolist(), dtype=pl.String).replace("", None)


def _sections_on(states: list[Floats], n: int) -> Floats:
    """Percent of sections on, two bits a section from the lowest: 0 off, 1 on, 2 error, 3 not available."""
    on, known = np.zeros(n), np.zeros(n)
    for state in states:
        bits = np.nan_to_num(state, nan=-1.0).astype(np.int64) & 0xFFFFFFFF
        for section in range(16):
            pair = (bits >> (2 * section)) & 3
            on += pair == 1
            known += pair <= 1
    return np.where(known > 0, 100 * on / np.maximum(known, 1), np.nan)


def _unloading(states: list[Floats], n: int) -> Floats:
    """1 where the status says unloading: the lowest two bits are 1 (from memory; a mapping may name another value)."""
    out = np.full(n, np.nan)
    for state in states:
        known = np.isfinite(state)
        out[known] = (state[known].astype(np.int64) & 3) == 1
    return out
