"""Reader of TASKDATA.XML and the files it references: devices, scales and logs, without names of people."""

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from xml.etree.ElementTree import Element

from transforms.contracts.reason import Reason, reason
from transforms.errors import SourceFileError
from transforms.ingest.readers.iso11783.container import Container
from transforms.ingest.readers.iso11783.xml import parse_xml

MAX_PARTS = 500
MAX_XML_BYTES = 128 << 20
"""Maximum XML of one TASKDATA.XML and all files it references."""
MAX_LOGS = 20_000
MAX_DEVICES = 2_000
MAX_WORDS = 200
"""Maximum characters of a designator or unit."""
EPOCH = dt.datetime(1980, 1, 1, tzinfo=dt.UTC)
NO_DAY = 0xFFFF
DAY_MS = 86_400_000


@dataclass(frozen=True)
class Scale:
    """Scale of a device: `shown = (raw + offset) * factor`, in `unit` as the device writes it."""

    offset: float
    factor: float
    unit: str


@dataclass(frozen=True)
class Quantity:
    """Description of one dictionary number at one element of a device."""

    designator: str
    scale: Scale | None


@dataclass(frozen=True)
class Device:
    """Device with its elements and quantities.

    Attributes:
        name: designator and serial number of the device.
        elements: element id -> designator.
        quantities: (element id or "", number) -> description; "" means any element.
    """

    name: str
    elements: dict[str, str]
    quantities: dict[tuple[str, int], Quantity]


@dataclass(frozen=True)
class Log:
    """Time log referenced by a task.

    Attributes:
        stem: stem of its files.
        folder: folder of its files.
        began_at: start of the preceding time entry, if the task data gives it in UTC.
        offset_min: local time minus UTC in minutes, if the task times include it.
    """

    stem: str
    folder: str
    began_at: dt.datetime | None
    offset_min: int | None = None


@dataclass(frozen=True)
class TaskData:
    """Devices and logs of one TASKDATA.XML."""

    devices: list[Device]
    logs: list[Log]
    findings: tuple[Reason, ...] = field(default=())

    @cached_property
    def device_of(self) -> dict[str, Device]:
        """First device with each element id."""
        return {element: device for device in reversed(self.devices) for element in device.elements}


def _elements(container: Container, name: str, folder: str) -> tuple[list[Element], tuple[Reason, ...]]:
    """Return (elements of a TASKDATA.XML and of the files it references, findings); each file is read once.

    Raises:
        SourceFileError: a file cannot be parsed, or the XML is too large.
    """
    elements: list[Element] = []
    findings: tuple[Reason, ...] = ()
    size, waiting, named = 0, [name], {name.casefold()}
    while waiting:
        part = waiting.pop(0)
        data = container.read(part)
        size += len(data)
        if size > MAX_XML_BYTES:
            raise SourceFileError("too_large", reason("task_data_too_large", max_mb=MAX_XML_BYTES >> 20))
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
                findings += (reason("linked_file_missing", file=stem[:20]),)
            else:
                waiting.append(found)
    return elements, findings


def read_task_data(container: Container, name: str) -> TaskData:
    """Read one TASKDATA.XML and the files it references.

    Raises:
        SourceFileError: a file cannot be parsed, or a limit on size, logs or devices is exceeded.
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
        why = reason("too_many_logs", max_logs=MAX_LOGS, max_devices=MAX_DEVICES)
        raise SourceFileError("too_many_logs", why)
    return TaskData(devices, list(logs.values()), findings)


def number(text: str | None, default: float = 0.0) -> float:
    """Return an attribute as a number; the default if it is not a number.

    >>> number("12.5")
    12.5
    >>> number("n/a", default=1.0)
    1.0
    """
    try:
        return float(text) if text else default
    except ValueError:
        return default


def hexadecimal(text: str | None) -> int:
    """Return a dictionary number from its hexadecimal attribute; -1 if it is not one.

    >>> hexadecimal("008D")
    141
    """
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
    described = {
        p.get("A"): (hexadecimal(p.get("B")), Quantity(_words(p, "E"), scales.get(p.get("F"))))
        for p in element.iter("DPD")
    }
    quantities: dict[tuple[str, int], Quantity] = {}
    for ddi, quantity in described.values():
        quantities.setdefault(("", ddi), quantity)
    elements = {}
    for det in element.iter("DET"):
        elements[det.get("A", "")] = _words(det, "D")
        for reference in det.findall("DOR"):
            if reference.get("A") in described:
                ddi, quantity = described[reference.get("A")]
                quantities.setdefault((det.get("A", ""), ddi), quantity)
    name = " ".join(p for p in (element.get("B", "").strip(), element.get("E", "").strip()) if p)
    return Device(name or element.get("A", ""), elements, quantities)


def _stated(text: str) -> dt.datetime | None:
    """Return a time that includes its offset from UTC; None for any other text."""
    try:
        moment = dt.datetime.fromisoformat(text)
        return moment if moment.tzinfo is not None and moment.astimezone(dt.UTC) else None
    except (ValueError, OverflowError):
        return None


def _satellite_time(entry: Element) -> dt.datetime | None:
    """Return the satellite time at the start of a time entry; None if it has none."""
    position = entry.find("PTN")
    if position is None:
        return None
    day, ms = number(position.get("I"), NO_DAY), number(position.get("H"), DAY_MS)
    if not (0 < day < NO_DAY and 0 <= ms < DAY_MS):
        return None
    return EPOCH + dt.timedelta(days=int(day), milliseconds=int(ms))


def _offset_min(entry: Element) -> int | None:
    """Return the offset from UTC of a time entry in minutes; None for UTC, which does not show the local time."""
    for letter in ("A", "B"):
        moment = _stated(entry.get(letter, ""))
        offset = moment.utcoffset() if moment is not None else None
        if offset:
            return int(offset.total_seconds() // 60)
    return None


def _logs(task: Element, folder: str) -> Iterator[Log]:
    """Yield the logs of a task, each with the start of the preceding time entry."""
    offsets = {o for e in task if e.tag == "TIM" and (o := _offset_min(e)) is not None}
    common = min(offsets) if len(offsets) == 1 else None
    began, offset = None, common
    for element in task:
        if element.tag == "TIM":
            moment = _stated(element.get("A", ""))
            began = moment.astimezone(dt.UTC) if moment is not None else _satellite_time(element)
            offset = _offset_min(element)
            offset = common if offset is None else offset
        elif element.tag == "TLG" and element.get("A"):
            yield Log(element.get("A", ""), folder, began, offset)
