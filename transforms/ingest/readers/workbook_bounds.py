"""Bounds on a workbook, checked in its XML before it is loaded: memory follows the extent of a sheet's cells."""

import posixpath
import zipfile

from transforms.errors import SourceFileError
from transforms.ingest.readers.sheet_extent import Extent, StopScan, exact_extent, local_name, quick_extent, scan_part

MAX_INDEX_BYTES = 16 << 20
"""The list of sheets is never larger than this. Common practice, no source."""
MAX_SHEETS = 1000
"""Common practice, no source."""
MAX_GRID_CELLS = 100_000_000
"""Cells of the sheets that are read, empty ones included: about 3 GB. Common practice, no source."""
FREE_GRID_CELLS = 5_000_000
"""A sheet of fewer cells may be as sparse as it likes. Common practice, no source."""
MAX_CELLS_A_FILLED = 100
"""Cells that a larger sheet may span for each one that is filled. Common practice, no source."""
SMALLEST_STRING_BYTES, MAX_DIGITS = len("<si/>"), 18


def _is_dense(extent: Extent) -> bool:
    return extent.cells <= max(FREE_GRID_CELLS, MAX_CELLS_A_FILLED * extent.filled)


class WorkbookBounds:
    """The parts of a workbook and the cells of its sheets that were checked so far.

    A workbook of another form (binary, OpenDocument) has no such parts and passes: its reader runs in a process of its
    own with a limit on memory.

    Args:
        archive: the workbook, opened and checked as an archive; it stays open meanwhile.

    Raises:
        SourceFileError: its list of sheets or strings is damaged, or larger than any.
    """

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self.archive = archive
        self.members = {m.filename.replace("\\", "/").lstrip("/").casefold(): m for m in archive.infolist()}
        self.paths = self._sheet_paths()
        self.cells = 0
        self._check_strings()

    def _elements(self, part: str, tag: str) -> list[dict[str, str]]:
        """Return the attributes of every element of a name in a small part."""
        found: list[dict[str, str]] = []
        member = self.members.get(part)
        if member is None:
            return found
        if member.file_size > MAX_INDEX_BYTES:
            raise SourceFileError("not_a_workbook", f"'{part}' in it is larger than {MAX_INDEX_BYTES >> 20} MB")

        def start(element: str, attributes: dict[str, str]) -> None:
            if local_name(element) == tag:
                found.append({local_name(k): v for k, v in attributes.items()})

        scan_part(self.archive, member, start)
        return found

    def _sheet_paths(self) -> dict[str, str]:
        """Return sheet -> its part."""
        sheets = [a for a in self._elements("xl/workbook.xml", "sheet") if "name" in a]
        if len(sheets) > MAX_SHEETS:
            raise SourceFileError("too_many_sheets", f"the workbook has {len(sheets):,} sheets; at most {MAX_SHEETS:,}")
        relations = self._elements("xl/_rels/workbook.xml.rels", "Relationship")
        targets = {a.get("Id"): a.get("Target", "") for a in relations}
        return {a["name"]: _part(targets.get(a.get("id"), "")) for a in sheets}

    def _check_strings(self) -> None:
        """Refuse a list of strings that claims more than its bytes can hold: a reader makes room for what it claims."""
        member = self.members.get("xl/sharedstrings.xml")
        if member is None:
            return
        most = member.file_size // SMALLEST_STRING_BYTES + 1

        def start(_: str, attributes: dict[str, str]) -> None:
            claimed = attributes.get("uniqueCount", "").strip()
            if len(claimed) > MAX_DIGITS or (claimed.isdecimal() and int(claimed) > most):
                raise SourceFileError(
                    "not_a_workbook",
                    f"the workbook claims to hold {claimed[:MAX_DIGITS]} texts, more than it can; save it again",
                )
            raise StopScan

        scan_part(self.archive, member, start)

    def check_sheet(self, sheet: str) -> None:
        """Refuse a sheet that no reader should load.

        Raises:
            SourceFileError: naming the sheet and the cell.
        """
        member = self.members.get(self.paths.get(sheet, "").casefold())
        if member is None:
            return
        extent = quick_extent(self.archive, member)
        if extent is None or not _is_dense(extent):
            extent = exact_extent(self.archive, member, sheet)
        if not _is_dense(extent):
            raise SourceFileError(
                "stray_cell",
                f"the sheet '{sheet}' reaches to cell {extent.far_cell} and spans {extent.cells:,} cells, of which "
                f"only {extent.filled:,} are filled; clear that stray cell and save the workbook again",
            )
        self.cells += extent.cells
        if self.cells > MAX_GRID_CELLS:
            raise SourceFileError(
                "too_large",
                f"sheets up to '{sheet}' span {self.cells:,} cells; at most {MAX_GRID_CELLS:,} are read",
            )


def _part(target: str) -> str:
    """Return the path of a part in the archive; a target counts from the workbook's folder, or from the top."""
    path = target.replace("\\", "/")
    return posixpath.normpath(path.lstrip("/") if path.startswith(("/", "xl/")) else f"xl/{path}")
