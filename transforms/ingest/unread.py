"""Files of a run that were not read, or not completely: each with a reason."""

from dataclasses import dataclass

from transforms.contracts.reason import Reason, reason
from transforms.ingest.failed_read import failed_reads
from transforms.ingest.file_read import IngestedFile
from transforms.storage.warehouse import Warehouse

UNREAD_SHEET = "sheet_not_read"
"""Code of the finding about a sheet that no mapping reads."""
QUARANTINED = "read_failed_twice"


@dataclass(frozen=True)
class UnreadPart:
    """A file that was not read, or the rejected rows or the unread sheet of one that was.

    Attributes:
        file: path relative to the inbox.
        why: the reason; of several rejected rows, the most frequent one.
        rows: number of rejected rows; 0 if the file or sheet was not read at all.
    """

    file: str
    why: Reason
    rows: int = 0


def find_unread(received: list[IngestedFile], warehouse: Warehouse) -> list[UnreadPart]:
    """Return what a run could not read: whole files first, then sheets, then rejected rows.

    Args:
        received: the files that the run ingested.
        warehouse: the warehouse after the run.
    """
    rejected = warehouse.query("rejected_file", files=sorted({r.file for r in received}))
    failed = failed_reads(warehouse).filter("in_quarantine").select("file", "reason_code")
    quarantined = dict(failed.iter_rows())
    parts = [UnreadPart(f, reason(QUARANTINED, file=f, failure=code)) for f, code in quarantined.items()]
    rows = []
    for row in rejected.iter_rows(named=True):
        why = Reason(row["reason_code"], row["reason_args"])
        if not row["is_whole"]:
            rows.append(UnreadPart(row["file"], why, row["rows"]))
        elif row["file"] not in quarantined:
            parts.append(UnreadPart(row["file"], why))
    sheets = [UnreadPart(r.file, f) for r in received for f in r.findings if f.code == UNREAD_SHEET]
    return [*parts, *sheets, *rows]
