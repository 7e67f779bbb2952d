"""Record layout of a time log, from its header."""

from dataclasses import dataclass
from xml.etree.ElementTree import Element

import numpy as np

from transforms.contracts.reason import reason
from transforms.errors import SourceFileError
from transforms.ingest.readers.iso11783.task_data import hexadecimal

MAX_VALUES = 256
"""Maximum values per log; their index is one byte."""
LARGEST = float(1 << 31)
POSITION = (
    ("A", "lat", "<i4"),
    ("B", "lon", "<i4"),
    ("C", "up", "<i4"),
    ("D", "status", "u1"),
    ("E", "pdop", "<u2"),
    ("F", "hdop", "<u2"),
    ("G", "satellites", "u1"),
    ("H", "utc_ms", "<u4"),
    ("I", "utc_day", "<u2"),
)


@dataclass(frozen=True)
class Layout:
    """Record layout of a log.

    Attributes:
        fields: position fields in each record, (name, type).
        constants: position fields with a constant in the header, name -> raw value.
        values: (dictionary number, element, constant or None) of each value, by index.
    """

    fields: tuple[tuple[str, str], ...]
    constants: dict[str, float]
    values: tuple[tuple[int, str, float | None], ...]

    @property
    def head(self) -> np.dtype[np.void]:
        """Type of the part of a record before its values."""
        return np.dtype([("ms", "<u4"), ("day", "<u2"), *self.fields, ("n", "u1")])

    def full(self) -> "Layout":
        """Return the layout of early writers: all position fields in every record."""
        return Layout(tuple((n, t) for _, n, t in POSITION), {}, self.values)


def _constant(text: str | None) -> float | None:
    """Return the constant that a header gives for all records; NaN if it is invalid, None if records contain it."""
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        return float("nan")
    return value if abs(value) <= LARGEST else float("nan")


def layout_of(header: Element) -> Layout:
    """Return the record layout from the header of a log.

    An empty attribute means that each record contains the field; an attribute with a value means that none does.

    Raises:
        SourceFileError: the header names more values than an index can address.
    """
    position = header.find("PTN")
    attributes = {} if position is None else position.attrib
    fields = tuple((name, kind) for letter, name, kind in POSITION if attributes.get(letter) == "")
    constants = {}
    for letter, name, _ in POSITION:
        if attributes.get(letter):
            try:
                constants[name] = float(attributes[letter])
            except ValueError:
                continue
    listed = header.findall(".//DLV")
    if len(listed) > MAX_VALUES:
        why = reason("log_too_many_values", values=len(listed), max_values=MAX_VALUES)
        raise SourceFileError("too_many_values", why)
    values = [(hexadecimal(e.get("A")), e.get("C", ""), _constant(e.get("B"))) for e in listed]
    return Layout(fields, constants, tuple(values))
