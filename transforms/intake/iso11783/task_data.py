"""Reads TASKDATA.XML and what it points to: devices, their scales, and the logs. People's names are never read."""

import codecs
import datetime as dt
import re
from dataclasses import dataclass, field
from typing import Any
from xml.etree.ElementTree import Element, ParseError

from defusedxml import ElementTree as SafeXml
from defusedxml.common import DefusedXmlException

from transforms.errors import SourceFileError
from transforms.intake.iso11783.container import Container

PERSONAL = ("WKR", "CTR", "FRM")
"""Workers, customers, farms: elements that are dropped unread."""
MAX_PARTS = 500


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
    """A time log named by a task: the stem of its files, and when the task says it began, where it says a zone."""

    stem: str
    folder: str
    began_at: dt.datetime | None


@dataclass(frozen=True)
class TaskData:
    """The devices and logs of one TASKDATA.XML."""

    devices: list[Device]
    logs: list[Log]
    findings: tuple[str, ...] = field(default=())


def parse_xml(data: bytes, name: str) -> tuple[Element, tuple[str, ...]]:
    """Parse XML that nobody vouches for; returns the root and what was mended, in words.

    Raises:
        SourceFileError: it declares a document type, or is no XML.
    """
    short = name.rsplit("/", 1)[-1]
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        data = re.sub(rb"<\?xml[^>]*\?>", b"", data.decode("utf-16", "replace").encode(), count=1)
    data = re.sub(rb"(?i)(encoding\s*=\s*[\"'])iso[-_ ]?8859[-_]1([\"'])", rb"\1ISO-8859-1\2", data[:200]) + data[200:]
    try:
        return SafeXml.fromstring(data, forbid_dtd=True), ()
    except DefusedXmlException as problem:
        raise SourceFileError(
            "xml_doctype", f"'{short}' declares a document type; no machine writes one, and it is not read"
        ) from problem
    except (ParseError, ValueError, LookupError) as problem:
        first = problem
    try:
        text = re.sub(r"<\?xml[^>]*\?>", "", data.decode("cp1252"), count=1)
        return SafeXml.fromstring(text.encode(), forbid_dtd=True), (
            f"'{short}' is not of the encoding it declares; read as cp1252",
        )
    except (DefusedXmlException, ParseError, ValueError):
        raise SourceFileError("not_xml", f"'{short}' is damaged or cut short ({str(first)[:80]})") from first


def read_task_data(container: Container, name: str) -> TaskData:
    """Read one TASKDATA.XML and the files it refers to.

    Raises:
        SourceFileError: it cannot be parsed.
    """
    root, findings = parse_xml(container.read(name), name)
    folder = container.folder_of(name)
    elements = [e for e in root if e.tag not in PERSONAL]
    for reference in [e for e in elements if e.tag == "XFR"][:MAX_PARTS]:
        part = container.find(folder, f"{reference.get('A', '')}.XML")
        if part is None:
            findings += (f"the file '{reference.get('A', '')[:20]}' that TASKDATA names is missing",)
            continue
        inner, more = parse_xml(container.read(part), part)
        elements += [e for e in inner if e.tag not in PERSONAL]
        findings += more
    devices = [_device(e) for e in elements if e.tag == "DVC"]
    return TaskData(devices, [log for e in elements if e.tag == "TSK" for log in _logs(e, folder)], findings)


def number(text: str | None, default: float = 0.0) -> float:
    """Return an attribute as a number; the default where it is none."""
    try:
        return float(text) if text else default
    except ValueError:
        return default


def hexadecimal(text: str | None) -> int:
    """Return a dictionary number from its hexadecimal attribute; -1 where it is none."""
    try:
        return int(text or "", 16)
    except ValueError:
        return -1


def _device(element: Element) -> Device:
    scales = {
        p.get("A"): Scale(number(p.get("B")), number(p.get("C"), 1.0), p.get("E", "")) for p in element.iter("DVP")
    }
    said = {
        p.get("A"): (hexadecimal(p.get("B")), Quantity(p.get("E", "").strip(), scales.get(p.get("F"))))
        for p in element.iter("DPD")
    }
    quantities: dict[tuple[str, int], Quantity] = {}
    for ddi, quantity in said.values():
        quantities.setdefault(("", ddi), quantity)
    elements = {}
    for det in element.iter("DET"):
        elements[det.get("A", "")] = det.get("D", "").strip()
        for reference in det.iter("DOR"):
            if reference.get("A") in said:
                ddi, quantity = said[reference.get("A")]
                quantities.setdefault((det.get("A", ""), ddi), quantity)
    name = " ".join(p for p in (element.get("B", "").strip(), element.get("E", "").strip()) if p)
    return Device(name or element.get("A", ""), elements, quantities)


def _began(element: Any) -> dt.datetime | None:
    try:
        moment = dt.datetime.fromisoformat(element.get("A", ""))
    except ValueError:
        return None
    return moment.astimezone(dt.UTC) if moment.tzinfo is not None else None


def _logs(task: Element, folder: str) -> list[Log]:
    """The logs of a task, each once, with the start of the time entry before it."""
    logs: dict[str, Log] = {}
    began = None
    for element in task:
        if element.tag == "TIM":
            began = _began(element)
        elif element.tag == "TLG" and element.get("A"):
            logs.setdefault(element.get("A", "").casefold(), Log(element.get("A", ""), folder, began))
    return list(logs.values())
