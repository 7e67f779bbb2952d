"""Conversion of the records of a time log to rows, with values carried forward, scaled and timed."""

import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.internal_columns import MARK
from transforms.contracts.reason import Reason, reason
from transforms.contracts.units import stored_unit
from transforms.errors import SourceFileError
from transforms.ingest.chunk import LINE, MAX_TEXT_BYTES, empty_rejections, rejected_rows
from transforms.ingest.mapping import ColumnMapping, Mapping
from transforms.ingest.readers.iso11783 import states
from transforms.ingest.readers.iso11783.clock import Clock, all_offsets, clock_of, local_ms, zone_unlike_position
from transforms.ingest.readers.iso11783.container import Container, read_some
from transforms.ingest.readers.iso11783.dictionary import SECTION_STATES, UNLOADING_STATUS, WORK_STATE
from transforms.ingest.readers.iso11783.log_header import POSITION, Layout, layout_of
from transforms.ingest.readers.iso11783.task_data import Log, TaskData
from transforms.ingest.readers.iso11783.time_log import Records, read_records
from transforms.ingest.readers.iso11783.values import Logged, logged_values, matching, mean_scaled, unit_of
from transforms.ingest.readers.iso11783.xml import parse_xml

Floats = NDArray[np.float64]
LOOK_BYTES = 1 << 16
MAX_HEADER_BYTES = 1 << 20
STATES = {WORK_STATE, UNLOADING_STATUS, *SECTION_STATES}
OWN_SOURCES = ("device", "time", "lat", "lon", "work state", "sections on", "unloading")
OWN_UNITS = {"lat": "deg", "lon": "deg", "sections on": "pct", "unloading": "flag"}
REPORTED = f"{MARK}reported "
"""Prefix of the column that is True if a record reports a value, and False if the value is carried forward."""


@dataclass(frozen=True)
class LogRows:
    """Consecutive rows of a log.

    Attributes:
        rows: one row per instant, with `LINE` and a `REPORTED` column for each logged value.
        rejected: rejected rows for bytes that are not records.
        merged: number of records merged into another row of the same instant.
    """

    rows: pl.DataFrame
    rejected: pl.DataFrame
    merged: int = 0


class LogReader:
    """Reader of one log; the last reported values and the last instant are carried from one read to the next.

    Args:
        container: the task-data folder or archive.
        task_data: the devices of the task data.
        log: the log.
        mapping: the mapping, which selects the values to read.
        catalogue: the machine settings of the workspace.

    Raises:
        SourceFileError: the header cannot be read, or the device name is longer than `MAX_TEXT_BYTES`.
    """

    def __init__(
        self, container: Container, task_data: TaskData, log: Log, mapping: Mapping, catalogue: Catalogue
    ) -> None:
        self.container, self.log, self.mapping, self.catalogue = container, log, mapping, catalogue
        self.part = log.folder + log.stem
        header, binary = (container.find(log.folder, f"{log.stem}.{kind}") for kind in ("XML", "BIN"))
        if header is None or binary is None:
            why = reason("log_without_header" if header is None else "log_without_records", log=log.stem[:80])
            raise SourceFileError("log_incomplete", why)
        root, findings = parse_xml(container.read(header, MAX_HEADER_BYTES), header)
        self.binary, self.findings = binary, list(findings)
        self.layout = layout_of(root)
        self.values = logged_values(self.layout, task_data)
        self.device = _device(self.layout, task_data) or log.stem
        if len(self.device.encode()) > MAX_TEXT_BYTES:
            raise SourceFileError("too_long", reason("device_name_too_long", max_bytes=MAX_TEXT_BYTES))
        self.sources = {s: matching(self.values, s) for s in mapping.sources() if s not in OWN_SOURCES}
        self.units = {**OWN_UNITS, **self._source_units()}
        stated = [v for v in self.values if v.number in STATES]
        needed = {v.index: v for v in [*stated, *(v for vs in self.sources.values() for v in vs)] if v.constant is None}
        self.wanted = sorted(needed)
        self.carried = np.full(len(self.wanted), np.nan)
        self.clock: Clock | None = None
        self.records = 0

    def _source_units(self) -> dict[str, str]:
        """Return the unit of each mapped source in the log, if known."""
        return {s: u for s, vs in self.sources.items() if vs and (u := unit_of(vs)) is not None}

    def known_units(self) -> dict[str, str | None]:
        """Return the unit of each mapped source in the log; None if it is unknown."""
        return {s: self.units.get(s) for s, values in self.sources.items() if values}

    def begin(self) -> int | None:
        """Determine the record layout and the clock; return the first instant in ms since 1970, or None.

        Raises:
            SourceFileError: the offset of its times from UTC cannot be determined.
        """
        with self.container.open(self.binary) as handle:
            beginning = read_some(handle, LOOK_BYTES, self.binary)
        early = self.layout.full()
        if not _has_records(beginning, self.layout) and _has_records(beginning, early):
            self.layout = early
            self.findings.append(reason("position_in_every_record"))
        head = next((h for h in self._heads() if h.size), None)
        if head is None:
            return None
        has_satellites = {"utc_ms", "utc_day"} <= set(head.dtype.names or ())
        differences = all_offsets(self._heads()) if has_satellites else np.empty(0, np.int64)
        self.clock = clock_of(int(local_ms(head[:1])[0]), differences, self.log, self.mapping.time_zone)
        self.findings.append(self.clock.finding)
        times = self.clock.utc(head).utc
        if not self.clock.by_satellites:
            self._check_zone(head, times)
        first = times.drop_nulls()
        return int(first.dt.timestamp("ms")[0]) if first.len() else None

    def _check_zone(self, head: NDArray[np.void], times: pl.Series) -> None:
        """Report an offset from UTC that is impossible at the place where the log begins."""
        lon = self._position(head)[1]
        both = np.flatnonzero(np.isfinite(lon) & times.is_not_null().to_numpy())
        if both.size:
            offset_ms = int(local_ms(head)[both[0]]) - int(times.dt.timestamp("ms")[int(both[0])])
            found = zone_unlike_position(offset_ms, float(lon[both[0]]))
            self.findings += [found] if found is not None else []

    def _heads(self) -> Iterator[NDArray[np.void]]:
        """Yield the heads of all records up to the end of the readable part of the log."""
        try:
            for records in self._walk([]):
                yield records.head
        except SourceFileError:
            return

    def _walk(self, wanted: list[int]) -> Iterator[Records]:
        """Yield the records of the log; the first read is short, so that later damage does not lose the beginning."""
        with self.container.open(self.binary) as handle:
            first = io.BytesIO(read_some(handle, LOOK_BYTES, self.binary))
            yield from read_records(lambda n: first.read(n) or read_some(handle, n, self.binary), self.layout, wanted)

    def stretches(self) -> Iterator[LogRows]:
        """Yield the rows of the log in stretches; the last instant is held back for records that share it.

        Raises:
            SourceFileError: the rest of the log cannot be read.
        """
        pending: pl.DataFrame | None = None
        try:
            for records in self._walk(self.wanted):
                bad = [empty_rejections()]
                for offset, skipped, beginning, before in records.gaps:
                    why = reason("stray_bytes", skipped_bytes=skipped, offset=offset)
                    bad.append(rejected_rows([self.records + before], None, [beginning.hex(" ")], "stray_bytes", why))
                if not records.head.size:
                    yield LogRows(pl.DataFrame(), pl.concat(bad))
                    continue
                rows = self._rows(records)
                self.records += records.head.size
                joined = rows if pending is None else pl.concat([pending, rows], how="vertical_relaxed")
                merged = _merge_instants(joined)
                pending = merged.tail(1)
                yield LogRows(merged.head(-1), pl.concat(bad), joined.height - merged.height)
        except SourceFileError:
            if pending is not None:
                yield LogRows(pending, empty_rejections())
            raise
        if pending is not None:
            yield LogRows(pending, empty_rejections())

    def _filled(self, records: Records) -> dict[int, Floats]:
        """Return each wanted value by index, carried forward from its last report; NaN before its first report."""
        out = {}
        for row, index in enumerate(self.wanted):
            series = records.values[row].copy()
            if np.isnan(series[0]):
                series[0] = self.carried[row]
            filled = pl.Series(series).fill_nan(None).forward_fill().fill_null(np.nan).to_numpy()
            self.carried[row] = filled[-1]
            out[index] = filled
        return out

    def _rows(self, records: Records) -> pl.DataFrame:
        """Return one row per record, with the mapped sources and their `REPORTED` columns."""
        n = records.head.size
        filled = self._filled(records)
        is_reported = {index: np.isfinite(records.values[row]) for row, index in enumerate(self.wanted)}

        def series(value: Logged) -> Floats:
            return filled[value.index] if value.constant is None else np.full(n, value.constant)

        def reported(values: list[Logged]) -> NDArray[np.bool_]:
            own = [is_reported[v.index] for v in values if v.constant is None]
            return np.logical_or.reduce(own) if own else np.zeros(n, dtype=bool)

        def with_numbers(numbers: set[int]) -> list[Logged]:
            return [v for v in self.values if v.number in numbers]

        lat, lon = self._position(records.head)
        working, sections, unloading = (
            with_numbers({WORK_STATE}),
            with_numbers(set(SECTION_STATES)),
            with_numbers({UNLOADING_STATUS}),
        )
        columns: dict[str, pl.Series | Floats | NDArray[np.bool_]] = {
            "time": self._times(records),
            "device": pl.repeat(self.device, n, eager=True),
            "lat": lat,
            "lon": lon,
            "work state": states.work_state([series(v) for v in working], n),
            "sections on": states.sections_on([series(v) for v in sections], n),
            "unloading": states.unloading([series(v) for v in unloading], n),
        }
        for column in self.mapping.columns:
            for source in column.sources:
                if source in self.sources:
                    columns[source] = self._source_mean(source, column, series, n)
        found = {"work state": working, "sections on": sections, "unloading": unloading, **self.sources}
        columns |= {REPORTED + name: reported(values) for name, values in found.items()}
        columns |= {REPORTED + name: np.isfinite(place) for name, place in (("lat", lat), ("lon", lon))}
        frame = pl.DataFrame(columns).with_columns(pl.selectors.float().fill_nan(None))
        return frame.with_columns(pl.int_range(self.records + 1, self.records + n + 1, dtype=pl.Int64).alias(LINE))

    def _times(self, records: Records) -> pl.Series:
        if self.clock is None:
            raise SourceFileError("log_changed", reason("log_changed"))
        times = self.clock.utc(records.head)
        self.findings += times.finding("time")
        return times.utc

    def _source_mean(self, source: str, column: ColumnMapping, series: Callable[[Logged], Floats], n: int) -> Floats:
        """Return the mean of all values that a source refers to, each with its own scale."""
        values = self.sources[source]
        if not values:
            self.units.setdefault(source, stored_unit(column.column) or "count")
            return np.full(n, np.nan)
        setting = self.catalogue.get(column.column)
        plausible = (setting.unit, setting.low, setting.high) if setting is not None else None
        mean, findings = mean_scaled([(series(v), v) for v in values], column.scale_by, plausible)
        self.findings += findings
        return mean

    def _position(self, head: NDArray[np.void]) -> tuple[Floats, Floats]:
        """Return (latitude, longitude) in degrees; NaN if both are zero or out of range. The fix status is ignored."""
        names, n = head.dtype.names or (), head.size
        pair = []
        for _, name, _ in POSITION[:2]:
            logged = head[name] * 1e-7 if name in names else np.full(n, self.layout.constants.get(name, np.nan))
            pair.append(np.asarray(logged, dtype=np.float64))
        lat, lon = pair
        is_invalid = ((np.abs(lat) < 1e-6) & (np.abs(lon) < 1e-6)) | (np.abs(lat) > 90) | (np.abs(lon) > 180)
        return np.where(is_invalid, np.nan, lat), np.where(is_invalid, np.nan, lon)

    def new_findings(self) -> tuple[Reason, ...]:
        """Return the findings since the last call, each with the name of the log."""
        findings, self.findings = self.findings, []
        return tuple(reason("in_part", part=self.part, why=f) for f in dict.fromkeys(findings))


def _has_records(beginning: bytes, layout: Layout) -> bool:
    """Return True if the beginning of a log contains records of a layout."""
    return any(r.head.size for r in read_records(io.BytesIO(beginning).read, layout, []))


def _device(layout: Layout, task_data: TaskData) -> str:
    """Return the name of the device that most values of a log belong to; empty if there is none."""
    counted: dict[str, int] = {}
    for _, element, _ in layout.values:
        if (device := task_data.device_of.get(element)) is not None:
            counted[device.name] = counted.get(device.name, 0) + 1
    return max(((n, name) for name, n in counted.items()), default=(0, ""))[1]


def _merge_instants(rows: pl.DataFrame) -> pl.DataFrame:
    """Merge the records of each instant; the last one has all carried values. Rows without a time are not merged."""
    if not rows["time"].is_duplicated().any():
        return rows
    timed = rows.filter(pl.col("time").is_not_null())
    reported = pl.col(f"^{REPORTED}.*$")
    merged = timed.group_by("time", maintain_order=True).agg(
        pl.exclude("time", f"^{REPORTED}.*$").last(), reported.any()
    )
    return pl.concat([rows.filter(pl.col("time").is_null()), merged.select(rows.columns)])
