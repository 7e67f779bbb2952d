"""Limits on a workbook, checked in its XML before loading, because memory use depends on the extent of its cells."""

import posixpath
import re
import zipfile

from transforms.contracts.reason import reason
from transforms.errors import SourceFileError
from transforms.ingest.readers.archive import FAULTS
from transforms.ingest.readers.sheet_extent import Extent, StopScan, exact_extent, local_name, quick_extent, scan_part

MAX_INDEX_BYTES = 16 << 20
"""Maximum size of the list of sheets. Common practice, no source."""
MAX_SHEETS = 1000
"""Maximum number of sheets. Common practice, no source."""
MAX_GRID_CELLS = 100_000_000
"""Maximum cells of all sheets read, including empty ones: about 3 GB. Common practice, no source."""
FREE_GRID_CELLS = 5_000_000
"""Cells below which a sheet may be arbitrarily sparse. Common practice, no source."""
MAX_CELLS_A_FILLED = 100
"""Maximum cells per filled cell in a larger sheet. Common practice, no source."""
CELL_VALUE = re.compile(rb"<(?:\w+:)?(?:v|is)[ >]")
"""Begin of the value of a filled cell."""
SMALLEST_STRING_BYTES, MAX_DIGITS = len("<si/>"), 18


def _is_dense(extent: Extent) -> bool:
    return extent.cells <= max(FREE_GRID_CELLS, MAX_CELLS_A_FILLED * extent.filled)


class WorkbookBounds:
    """Checker of the parts and sheets of a workbook, with a running total of cells.

    A workbook in another format (binary, OpenDocument) has no such parts and passes; its reader runs in a separate
    process with a memory limit.

    Args:
        archive: the workbook, opened and checked as an archive; it must remain open.

    Raises:
        SourceFileError: the list of sheets or strings is damaged or too large.
    """

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self.archive = archive
        self.members = {m.filename.replace("\\", "/").lstrip("/").casefold(): m for m in archive.infolist()}
        self.paths = self._sheet_paths()
        self.cells = 0
        self._check_strings()

    def _elements(self, part: str, tag: str) -> list[dict[str, str]]:
        """Return the attributes of all elements with a given tag in a small part."""
        found: list[dict[str, str]] = []
        member = self.members.get(part)
        if member is None:
            return found
        if member.file_size > MAX_INDEX_BYTES:
            why = reason("workbook_part_too_large", part=part, max_mb=MAX_INDEX_BYTES >> 20)
            raise SourceFileError("not_a_workbook", why)

        def start(element: str, attributes: dict[str, str]) -> None:
            if local_name(element) == tag:
                found.append({local_name(k): v for k, v in attributes.items()})

        scan_part(self.archive, member, start)
        return found

    def _sheet_paths(self) -> dict[str, str]:
        """Return the path of the part of each sheet, by sheet name."""
        sheets = [a for a in self._elements("xl/workbook.xml", "sheet") if "name" in a]
        if len(sheets) > MAX_SHEETS:
            why = reason("too_many_sheets", sheets=len(sheets), max_sheets=MAX_SHEETS)
            raise SourceFileError("too_many_sheets", why)
        relations = self._elements("xl/_rels/workbook.xml.rels", "Relationship")
        targets = {a.get("Id"): a.get("Target", "") for a in relations}
        return {a["name"]: _part(targets.get(a.get("id"), "")) for a in sheets}

    def _check_strings(self) -> None:
        """Raise an error if the string table claims more strings than fit in its bytes; a reader allocates them."""
        member = self.members.get("xl/sharedstrings.xml")
        if member is None:
            return
        max_strings = member.file_size // SMALLEST_STRING_BYTES + 1

        def start(_: str, attributes: dict[str, str]) -> None:
            claimed = attributes.get("uniqueCount", "").strip()
            if len(claimed) > MAX_DIGITS or (claimed.isdecimal() and int(claimed) > max_strings):
                why = reason("impossible_text_count", claimed=claimed[:MAX_DIGITS])
                raise SourceFileError("not_a_workbook", why)
            raise StopScan

        scan_part(self.archive, member, start)

    def has_cells(self, sheet: str) -> bool:
        """Return True if a sheet has a filled cell near its beginning, or is in another format."""
        member = self.members.get(self.paths.get(sheet, "").casefold())
        if member is None:
            return True
        try:
            with self.archive.open(member) as part:
                return CELL_VALUE.search(part.read(MAX_INDEX_BYTES >> 4)) is not None
        except FAULTS:
            return True

    def check_sheet(self, sheet: str) -> None:
        """Raise an error if loading a sheet would need too much memory.

        Raises:
            SourceFileError: the sheet is too sparse or too large; the reason names the sheet and the cell.
        """
        member = self.members.get(self.paths.get(sheet, "").casefold())
        if member is None:
            return
        extent = quick_extent(self.archive, member)
        if extent is None or not _is_dense(extent):
            extent = exact_extent(self.archive, member, sheet)
        if not _is_dense(extent):
            why = reason(
                "stray_cell", sheet=sheet, cell=extent.far_cell, cells=extent.cells, filled_cells=extent.filled
            )
            raise SourceFileError("stray_cell", why)
        self.cells += extent.cells
        if self.cells > MAX_GRID_CELLS:
            why = reason("sheets_too_large", sheet=sheet, cells=self.cells, max_cells=MAX_GRID_CELLS)
            raise SourceFileError("too_large", why)


def _part(target: str) -> str:
    """Return the path of a part in the archive; a target is relative to the workbook folder or to the root."""
    path = target.replace("\\", "/")
    return posixpath.normpath(path.lstrip("/") if path.startswith(("/", "xl/")) else f"xl/{path}")
