"""Extent of the filled cells of a sheet, determined from its XML in one pass with one block in memory.

`quick_extent` scans bytes for cells in the usual form and returns None for any other form; `exact_extent` parses the
XML.
"""

import re
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any
from xml.parsers import expat

import numpy as np

from transforms.contracts.reason import reason
from transforms.errors import SourceFileError
from transforms.ingest.readers.archive import FAULTS

MAX_ROWS, MAX_SHEET_COLUMNS = 1_048_576, 16_384
"""Limits of the file format (ECMA-376 and its implementations): row 1,048,576, column XFD."""
BLOCK_BYTES = 1 << 20
REFERENCE = re.compile(r"([A-Za-z]{1,3})0*([1-9][0-9]{0,6})")
NUMBER = re.compile(r"0*([1-9][0-9]{0,6})")
RANGE = re.compile(r"[A-Za-z]{1,3}[0-9]{1,7}(:[A-Za-z]{1,3}[0-9]{1,7})?")
ANY_CELL = (b"<c ", b"<c>", b"<c/", b"<c\n", b"<c\r", b"<c\t")
PLAIN_FILLED = re.compile(rb'<c r="([A-Z]{1,3}[1-9][0-9]{0,6})"(?: [stcmvph]{1,2}="[A-Za-z0-9]{0,12}")*>')
PLAIN_EMPTY = re.compile(rb'<c r="[A-Z]{1,3}[1-9][0-9]{0,6}"(?: [stcmvph]{1,2}="[A-Za-z0-9]{0,12}")*/>')
PLAIN_START = re.compile(rb'(\xef\xbb\xbf)?<\?xml version="1\.0"( encoding="(?i:utf-8)")?[^>]*\?>')
ODD = (b"<!", b"\x00", b":c")
"""Signs of comments, CDATA, document types, other encodings and prefixed cells, which need the XML parser."""
PLAIN_DIMENSION = re.compile(rb'<dimension ref="[A-Z]{1,3}[0-9]{1,7}(:[A-Z]{1,3}[0-9]{1,7})?"')
REFERENCE_BYTES = 10


@lru_cache(maxsize=20_000)
def _column_number(letters: str) -> int:
    number = 0
    for letter in letters.upper():
        number = number * 26 + ord(letter) - ord("A") + 1
    return number


def cell_name(row: int, column: int) -> str:
    """Return the name of a cell: row 3, column 28 is AB3.

    >>> cell_name(1, 1)
    'A1'
    >>> cell_name(20, 28)
    'AB20'
    """
    letters = ""
    while column:
        column, digit = divmod(column - 1, 26)
        letters = chr(ord("A") + digit) + letters
    return f"{letters}{row}"


def local_name(tag: str) -> str:
    """Return the name of an element or attribute without its namespace prefix."""
    return tag.rsplit(":", 1)[-1]


@dataclass
class Extent:
    """Extent of the filled cells of a sheet.

    Attributes:
        filled: number of cells with a value.
        lowest: (row, column) of a cell in the last row, from 1; zeros if no cell is filled.
        rightmost: (row, column) of a cell in the last column.
    """

    filled: int = 0
    lowest: tuple[int, int] = (0, 0)
    rightmost: tuple[int, int] = (0, 0)

    @property
    def cells(self) -> int:
        """Number of cells that a reader allocates for the sheet."""
        return self.lowest[0] * self.rightmost[1]

    @property
    def far_cell(self) -> str:
        """Name of the cell whose removal would shrink the sheet most."""
        is_low = self.lowest[0] / MAX_ROWS >= self.rightmost[1] / MAX_SHEET_COLUMNS
        return cell_name(*(self.lowest if is_low else self.rightmost))

    def add(self, row: int, column: int, filled: int = 1) -> None:
        """Extend the extent by a filled cell."""
        self.filled += filled
        if row > self.lowest[0]:
            self.lowest = (row, column)
        if column > self.rightmost[1]:
            self.rightmost = (row, column)


class _CellTracker:
    """Tracker of cell positions during XML parsing; rows and cells without a reference are numbered consecutively."""

    def __init__(self, sheet: str) -> None:
        self.sheet, self.row, self.column, self.extent = sheet, 0, 0, Extent()

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        """Process the start of an element."""
        tag = local_name(tag)
        if tag == "c":
            self._place(attributes.get("r"))
        elif tag in {"v", "is"}:
            self._fill()
        elif tag == "row":
            self._begin_row(attributes.get("r"))
        elif tag == "dimension":
            self._dimension(attributes.get("ref", ""))

    def _impossible(self, reference: str) -> SourceFileError:
        return SourceFileError("impossible_cell", reason("impossible_cell", sheet=self.sheet, cell=reference[:40]))

    def _begin_row(self, reference: str | None) -> None:
        self.column = 0
        if reference is None:
            self.row += 1
            return
        number = NUMBER.fullmatch(reference)
        if number is None:
            why = reason("impossible_row", sheet=self.sheet, row=reference[:40])
            raise SourceFileError("impossible_cell", why)
        self.row = int(number[1])

    def _place(self, reference: str | None) -> None:
        if reference is None:
            self.column += 1
            return
        place = REFERENCE.fullmatch(reference)
        if place is None:
            raise self._impossible(reference)
        self.column, self.row = _column_number(place[1]), int(place[2])
        if self.column > MAX_SHEET_COLUMNS or self.row > MAX_ROWS:
            raise self._impossible(reference)

    def _fill(self) -> None:
        if self.row > MAX_ROWS or self.column > MAX_SHEET_COLUMNS:
            why = reason("impossible_place", sheet=self.sheet, row=self.row, column=self.column)
            raise SourceFileError("impossible_cell", why)
        self.extent.add(self.row, self.column)

    def _dimension(self, reference: str) -> None:
        """Raise an error for a malformed extent; a wrong extent is harmless."""
        if reference and not RANGE.fullmatch(reference.replace("$", "")):
            raise self._impossible(reference)


def _refuse_doctype(*_: Any) -> None:
    raise SourceFileError("xml_doctype", reason("workbook_doctype"))


class StopScan(Exception):  # noqa: N818 - ends a scan, not an error
    """Signal from the callback of a scan to end the scan."""


def scan_part(archive: zipfile.ZipFile, member: zipfile.ZipInfo, start: Callable[[str, dict[str, str]], None]) -> None:
    """Call `start` with the name and attributes of each element in a part of a workbook, in order.

    Args:
        archive: the workbook.
        member: the part.
        start: the callback; it raises `StopScan` to end the scan.

    Raises:
        SourceFileError: the part is damaged, or declares a document type.
    """
    parser = expat.ParserCreate()
    parser.StartElementHandler = start
    parser.StartDoctypeDeclHandler = _refuse_doctype
    try:
        with archive.open(member) as part:
            while block := part.read(BLOCK_BYTES):
                parser.Parse(block, False)
            parser.Parse(b"", True)
    except StopScan:
        return
    except (expat.ExpatError, *FAULTS) as problem:
        why = reason("workbook_part_damaged", part=member.filename[-80:])
        raise SourceFileError("not_a_workbook", why) from problem


def exact_extent(archive: zipfile.ZipFile, member: zipfile.ZipInfo, sheet: str) -> Extent:
    """Return the extent of the filled cells of a sheet, parsing its XML.

    Raises:
        SourceFileError: the sheet is damaged, or has a cell outside the limits of the format.
    """
    tracker = _CellTracker(sheet)
    scan_part(archive, member, tracker.start)
    return tracker.extent


def quick_extent(archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> Extent | None:
    """Return the extent of the cells of a sheet; None if any part of the XML is not in the usual form.

    Cells with a start and an end tag count as filled.
    """
    extent, rest, is_first = Extent(), b"", True
    try:
        with archive.open(member) as part:
            while block := part.read(BLOCK_BYTES):
                data = rest + block
                if is_first and not PLAIN_START.match(data):
                    return None
                is_first = False
                end = data.rfind(b"<")
                rest, data = data[end:], data[:end]
                if len(rest) > BLOCK_BYTES or not _add_plain(data, extent):
                    return None
    except FAULTS:
        return None
    return extent if _add_plain(rest, extent) else None


def _add_plain(data: bytes, extent: Extent) -> bool:
    """Add the cells of a block to the extent; return False if it contains anything unusual."""
    if any(odd in data for odd in ODD) or data.count(b"<dimension") != len(PLAIN_DIMENSION.findall(data)):
        return False
    filled, empty = PLAIN_FILLED.findall(data), PLAIN_EMPTY.findall(data)
    if sum(map(data.count, ANY_CELL)) != len(filled) + len(empty):
        return False
    if not filled:
        return True
    texts = np.array(filled, dtype=f"S{REFERENCE_BYTES}").view(np.uint8).reshape(-1, REFERENCE_BYTES)
    rows, columns = np.zeros(len(filled), np.int64), np.zeros(len(filled), np.int64)
    for byte in texts.T:
        is_letter, is_digit = byte >= ord("A"), (byte >= ord("0")) & (byte <= ord("9"))
        columns = np.where(is_letter, columns * 26 + byte - (ord("A") - 1), columns)
        rows = np.where(is_digit, rows * 10 + byte - ord("0"), rows)
    low, right = int(rows.argmax()), int(columns.argmax())
    if rows[low] > MAX_ROWS or columns[right] > MAX_SHEET_COLUMNS:
        return False
    extent.add(int(rows[low]), int(columns[low]), filled=len(filled))
    extent.add(int(rows[right]), int(columns[right]), filled=0)
    return True
