"""Reads TASKDATA.XML and what it points to: devices, their scales, and the logs. People's names are never read."""

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from xml.etree.ElementTree import Element

from transforms.errors import SourceFileError
from transforms.ingest.readers.iso11783.container import Container
from transforms.ingest.readers.iso11783.xml import parse_xml

MAX_PARTS = 500
MAX_XML_BYTES = 128 << 20
"""XML of one TASKDATA.XML and all files it refers to."""
MAX_LOGS = 20_000
MAX_DEVICES = 2_000
MAX_WORDS = 200
"""Characters of a designator or unit that are read."""
EPOCH = dt.datetime(1980, 1, 1, tzinfo=dt.UTC)
NO_DAY = 0xFFFF
DAY_MS = 86_400_000


@dataclass(frozen=True)
class Scale:
    """A device's own scale: `shown = (raw + offset) * factor`, in `unit` as the device writes it."""

    offset: float
    factor: float
    unit: str


@dataclass(frozen=True)
class Quantity:
    """What a device says of one dictionary number at one of its elements."""

    designator: str
    scale: Scale | None


@dataclass(frozen=True)
class Device:
    """A device: who it is, and its quantities by (element, number).

    Attributes:
        elements: element id -> its designator.
        quantities: (element id or "", number) -> what the device says of it; "" stands for any element.
    """

    name: str
    elements: dict[str, str]
    quantities: dict[tuple[str, int], Quantity]


@dataclass(frozen=True)
class Log:
    """A time log named by a task.

    Attributes:
        stem: the stem of its files.
        folder: the folder they are in.
        began_at: when the time entry before it began, if the task data gives that in UTC.
        offset_min: local time minus UTC in minutes, if the task's times are written with it.
    """

    stem: str
    folder: str
    began_at: dt.datetime | None
    offset_min: int | None = None


@dataclass(frozen=True)
class TaskData:
    """The devices and logs of one TASKDATA.XML."""

    devices: list[Device]
    logs: list[Log]
    findings: tuple[str, ...] = field(default=())

    @cached_property
    def device_of(self) -> dict[str, Device]:
        """Element id -> the first device that has it."""
        return {element: device for device in reversed(self.devices) for element in device.elements}


def _elements(container: Container, name: str, folder: str) -> tuple[list[Element], tuple[str, ...]]:
    """Return (the elements of a TASKDATA.XML and of the files it refers to, each read once, findings)."""
    elements: list[Element] = []
    findings: tuple[str, ...] = ()
    size, waiting, named = 0, [name], {name.casefold()}
    while waiting:
        part = waiting.pop(0)
        data = container.read(part)
        size += len(data)
        if size > MAX_XML_BYTES:
            raise SourceFileError("too_large", f"the task data has more than {MAX_XML_BYTES >> 20} MB of XML")
        root, more = parse_xml(data, part)
        findings += more
        for element in root:
            if element.tag != "XFR":
                elements.append(element)
                continue
            stem = element.get("A", "")
            wanted = f"{folder}{stem}.XML".casefold()
            if wanted in named or len(named) > MAX_PARTS:
                continue
            named.add(wanted)
            found = container.find(folder, f"{stem}.XML")
            if found is None:
                findings += (f"the file '{stem[:20]}' that TASKDATA names is missing",)
            else:
                waiting.append(found)
    return elements, findings


def read_task_data(container: Container, name: str) -> TaskData:
    """Read one TASKDATA.XML and the files it refers to.

    Raises:
        SourceFileError: it cannot be parsed, or is larger than any machine's.
    """
    folder = container.folder_of(name)
    elements, findings = _elements(container, name, folder)
    devices = [_device(e) for e in elements if e.tag == "DVC"]
    logs: dict[str, Log] = {}
    for task in elements:
        if task.tag == "TSK":
            for log in _logs(task, folder):
                logs.setdefault(log.stem.casefold(), log)
    if len(logs) > MAX_LOGS or len(devices) > MAX_DEVICES:
        raise SourceFileError(
            "too_many_logs", f"the task data names more than {MAX_LOGS:,} logs or {MAX_DEVICES:,} devices"
        )
    return TaskData(devices, list(logs.values()), findings)


def number(text: str | None, default: float = 0.0) -> float:
    """Return an attribute as a number; the default where it is none."""
    try:
        return float(text) if text else default
    except ValueError:
        return default


def hexadecimal(text: str | None) -> int:
    """Return a dictionary number from its hexadecimal attribute; -1 if it is not one."""
    try:
        return int(text, 16) if text and len(text) <= 8 else -1
    except ValueError:
        return -1


def _words(element: Element, letter: str) -> str:
    return element.get(letter, "").strip()[:MAX_WORDS]


def _device(element: Element) -> Device:
    scales = {
        p.get("A"): Scale(number(p.get("B")), number(p.get("C"), 1.0), _words(p, "E")) for p in element.iter("DVP")
    }
    said = {
        p.get("A"): (hexadecimal(p.get("B")), Quantity(_words(p, "E"), scales.get(p.get("F"))))
        for p in element.iter("DPD")
    }
    quantities: dict[tuple[str, int], Quantity] = {}
    for ddi, quantity in said.values():
        quantities.setdefault(("", ddi), quantity)
    elements = {}
    for det in element.iter("DET"):
        elements[det.get("A", "")] = _words(det, "D")
        for reference in det.findall("DOR"):
            if reference.get("A") in said:
                ddi, quantity = said[reference.get("A")]
                quantities.setdefault((det.get("A", ""), ddi), quantity)
    name = " ".join(p for p in (element.get("B", "").strip(), element.get("E", "").strip()) if p)
    return Device(name or element.get("A", ""), elements, quantities)


def _stated(text: str) -> dt.datetime | None:
    """Return a time that is written with its zone; None if it has none."""
    try:
        moment = dt.datetime.fromisoformat(text)
        return moment if moment.tzinfo is not None and moment.astimezone(dt.UTC) else None
    except (ValueError, OverflowError):
        return None


def _satellite_time(entry: Element) -> dt.datetime | None:
    """Return the satellite time at which a time entry began, if it holds one."""
    position = entry.find("PTN")
    if position is None:
        return None
    day, ms = number(position.get("I"), NO_DAY), number(position.get("H"), DAY_MS)
    if not (0 < day < NO_DAY and 0 <= ms < DAY_MS):
        return None
    return EPOCH + dt.timedelta(days=int(day), milliseconds=int(ms))


def _offset_min(entry: Element) -> int | None:
    """Return the offset from UTC that a time entry is written with; UTC itself tells nothing of local time."""
    for letter in ("A", "B"):
        moment = _stated(entry.get(letter, ""))
        offset = moment.utcoffset() if moment is not None else None
        if offset:
            return int(offset.total_seconds() // 60)
    return None


def _logs(task: Element, folder: str) -> Iterator[Log]:
    """Yield the logs of a task, with the start of the time entry before each."""
    offsets = {o for e in task if e.tag == "TIM" and (o := _offset_min(e)) is not None}
    usual = min(offsets) if len(offsets) == 1 else None
    began, offset = None, usual
    for element in task:
        if element.tag == "TIM":
            moment = _stated(element.get("A", ""))
            began = moment.astimezone(dt.UTC) if moment is not None else _satellite_time(element)
            offset = _offset_min(element)
            offset = usual if offset is None else offset
        elif element.tag == "TLG" and element.get("A"):
            yield Log(element.get("A", ""), folder, began, offset)
