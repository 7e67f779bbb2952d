"""Result of reading and ingesting one file."""

import datetime as dt
from dataclasses import dataclass, field, replace

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.read_failure import FailureCode
from transforms.contracts.reason import Reason
from transforms.ingest.inbox import InboxFile
from transforms.ingest.mapping import Mapping
from transforms.ingest.row_spool import SpooledRows
from transforms.ingest.telemetry_writer import StoredSpan
from transforms.storage.lake import Lake
from transforms.storage.lake_file import LakeFile


@dataclass
class IngestedFile:
    """Result of ingesting one file through one mapping; `rows_in = rows_accepted + rows_rejected + rows_repeated`.

    Attributes:
        file: path relative to the inbox.
        kind: kind of file; None if no mapping matches.
        mapping: name of the mapping; None if no mapping matches.
        rows_in: rows in the file.
        rows_accepted: rows stored.
        rows_rejected: rows rejected with a reason.
        rows_repeated: rows that repeat another row.
        header: raw lines above the rows.
        from_at: earliest time of its accepted rows.
        to_at: latest time of its accepted rows.
        findings: notes for the user on how the file was read.
        spans: spans of its telemetry on the lake.
        failed: class and location of an internal error.
        failure_code: rule of its single rejected row, if its reader failed; else None.
        refused: reason for rejecting all of it as a single row, if it was not read.
    """

    file: str
    kind: str | None
    mapping: str | None = None
    rows_in: int = 0
    rows_accepted: int = 0
    rows_rejected: int = 0
    rows_repeated: int = 0
    header: str = ""
    from_at: dt.datetime | None = None
    to_at: dt.datetime | None = None
    findings: list[Reason] = field(default_factory=list)
    spans: list[StoredSpan] = field(default_factory=list)
    failed: str = ""
    failure_code: FailureCode | None = None
    refused: Reason | None = None


@dataclass(frozen=True)
class ReadJob:
    """A file to read.

    Attributes:
        found: the file.
        matches: every mapping that matches its name, at least one.
        catalogue: the machine settings of the workspace.
        known: lake with the telemetry of other files.
        onto: lake that its own telemetry is written to.
        recorded: hash prefixes of the sources whose telemetry is valid.
        rolled: machine-days whose records have expired.
    """

    found: InboxFile
    matches: tuple[Mapping, ...]
    catalogue: Catalogue
    known: Lake
    onto: Lake
    recorded: frozenset[str]
    rolled: frozenset[tuple[str, dt.date]]


@dataclass(frozen=True)
class MappedRead:
    """Rows of a file that one mapping read, before they are recorded in the warehouse.

    Attributes:
        received: their counts; for kinds other than telemetry, rows repeated from other files are not yet counted.
        rows: accepted rows with `line` and `part`; empty for telemetry, which is on the lake.
        rejected: rejected rows.
    """

    received: IngestedFile
    rows: pl.DataFrame
    rejected: SpooledRows


@dataclass(frozen=True)
class FileRead:
    """Result of reading a file, before it is recorded in the warehouse.

    Attributes:
        reads: the rows of each mapping that read it.
        files: its telemetry files on the lake.
    """

    reads: list[MappedRead]
    files: list[LakeFile] = field(default_factory=list)

    @property
    def spans(self) -> list[StoredSpan]:
        """Spans of its telemetry on the lake."""
        return [span for read in self.reads for span in read.received.spans]

    def loaded(self) -> "FileRead":
        """Return the same result with all rows in memory, to send it to another machine."""
        return replace(self, reads=[replace(r, rejected=r.rejected.loaded()) for r in self.reads])

    def discard(self) -> None:
        """Remove the files with rejected rows."""
        for read in self.reads:
            read.rejected.discard()
