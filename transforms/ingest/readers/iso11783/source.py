"""Source of rows from ISO 11783-10 task data: one row per instant of a machine, with the mapped values."""

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.reason import reason
from transforms.errors import SourceFileError
from transforms.ingest.chunk import LINE, Chunk, Source
from transforms.ingest.mapping import Mapping
from transforms.ingest.readers.iso11783.container import Container, open_container
from transforms.ingest.readers.iso11783.join import device_pieces, reject_log
from transforms.ingest.readers.iso11783.log_header import layout_of
from transforms.ingest.readers.iso11783.log_reader import MAX_HEADER_BYTES, LogReader
from transforms.ingest.readers.iso11783.task_data import TaskData, read_task_data
from transforms.ingest.readers.iso11783.values import logged_values
from transforms.ingest.readers.iso11783.xml import parse_xml

MAX_SETS = 50
MAX_NAMES = 5_000
"""Maximum values listed for task data without a mapping."""


def _task_data_of(container: Container) -> list[TaskData]:
    """Return the content of each TASKDATA.XML.

    Raises:
        SourceFileError: there is none, there are too many, or one cannot be parsed.
    """
    found = sorted({container.find("", m) or m for m in container.members if _is_task_data(m)})
    if not found:
        raise SourceFileError("no_task_data", reason("no_task_data"))
    if len(found) > MAX_SETS:
        raise SourceFileError("too_many_sets", reason("too_many_sets", sets=len(found), max_sets=MAX_SETS))
    return [read_task_data(container, name) for name in found]


def _is_task_data(member: str) -> bool:
    return member.rsplit("/", 1)[-1].casefold() == "taskdata.xml"


def open_task_data(path: Path, mapping: Mapping, catalogue: Catalogue) -> Source:
    """Open a task-data folder or archive.

    Args:
        path: the folder or archive.
        mapping: the mapping, which selects the values to read.
        catalogue: the machine settings, including those of the workspace.

    Raises:
        SourceFileError: the file is not an archive, contains no task data, or its TASKDATA.XML cannot be parsed.
    """
    container = open_container(path)
    return Source("", _pieces(container, _task_data_of(container), mapping, catalogue))


def _same(piece: Chunk) -> Chunk:
    """Return a chunk that has already been read."""
    return piece


def _pieces(
    container: Container, sets: list[TaskData], mapping: Mapping, catalogue: Catalogue
) -> Iterator[Callable[[], Chunk]]:
    findings = tuple(dict.fromkeys(f for s in sets for f in s.findings))
    empty = pl.DataFrame(schema={**dict.fromkeys(mapping.sources(), pl.Float64), LINE: pl.Int64})
    yield lambda: Chunk(empty, 0, lambda lines: [""] * len(lines), findings=findings)
    for piece in _log_pieces(container, sets, mapping, catalogue):
        yield partial(_same, piece)


def _log_pieces(container: Container, sets: list[TaskData], mapping: Mapping, catalogue: Catalogue) -> Iterator[Chunk]:
    """Yield the rows of all logs; an unreadable log becomes one rejected row, and the other logs continue."""
    devices: dict[str, list[tuple[int, LogReader]]] = {}
    for task_data in sets:
        for log in task_data.logs:
            try:
                reader = LogReader(container, task_data, log, mapping, catalogue)
                began = reader.begin()
            except SourceFileError as problem:
                yield reject_log(log.folder + log.stem, log.stem, problem)
                continue
            devices.setdefault(reader.device, []).append((began or 0, reader))
    for started in devices.values():
        yield from device_pieces(started)


def value_names(path: Path) -> list[str]:
    """Return the values in the logs of task data as accepted by `from` in a mapping, with the device's designators.

    Raises:
        SourceFileError: see `open_task_data`.
    """
    container = open_container(path)
    names: dict[str, None] = {}
    for task_data in _task_data_of(container):
        for log in task_data.logs:
            header = container.find(log.folder, f"{log.stem}.XML")
            if header is None or len(names) > MAX_NAMES:
                continue
            try:
                layout = layout_of(parse_xml(container.read(header, MAX_HEADER_BYTES), header)[0])
            except SourceFileError:
                continue
            for value in logged_values(layout, task_data):
                words = f" ({value.quantity.designator})" if value.quantity and value.quantity.designator else ""
                names[f"ddi {value.number} | {value.element}{words}"] = None
    return list(names)
