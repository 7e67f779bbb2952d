"""Takes one file in: by its content, through the mapping that names it, with every row accounted for."""

import datetime as dt
import errno
import re
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.source_tables import contract
from transforms.errors import DamagedError, SourceFileError, is_panic
from transforms.ingest.chunk import rejected_rows
from transforms.ingest.failed_read import forget_failure, note_failure
from transforms.ingest.inbox import InboxFile
from transforms.ingest.mapping import Mapping, own_name
from transforms.ingest.read_file import FileRead, IngestedFile, ReadJob, read_file
from transforms.ingest.reader_main import place_of
from transforms.ingest.reader_process import ReaderFailureError, ReadError
from transforms.storage.lake import PREFIX, Lake
from transforms.storage.lake_record import record_files
from transforms.storage.warehouse import Warehouse

__all__ = ["FileRead", "IngestTarget", "IngestedFile", "ReadJob", "ingest_file", "ingest_or_report", "preview_ingest"]
Read = Callable[[ReadJob], FileRead]


class IngestTarget:
    """What is known already, and where a file's rows go.

    Args:
        warehouse: rows of other files.
        lake: telemetry of other files.
        into: where rows go, where not to `warehouse`.
        onto: where telemetry goes, where not to `lake`.
        recorded: prefixes of the sources whose telemetry counts, where not those of `warehouse`.
        rolled: machine-days whose records are let go, where not those of `warehouse`.
    """

    def __init__(
        self,
        warehouse: Warehouse,
        lake: Lake,
        *,
        into: Warehouse | None = None,
        onto: Lake | None = None,
        recorded: set[str] | None = None,
        rolled: set[tuple[str, dt.date]] | None = None,
    ) -> None:
        self.warehouse, self.lake = warehouse, lake
        self.into, self.onto = into or warehouse, onto or lake
        self.recorded = _recorded(warehouse) if recorded is None else recorded
        self.rolled = _rolled(warehouse) if rolled is None else rolled
        self.failed = set(warehouse.table("failed_read")["source_sha256"].to_list())

    def jobs(self, files: list[tuple[InboxFile, Mapping]], catalogue: Catalogue) -> list[ReadJob]:
        """Return what a reader must know to read each file into this store; they share what is known now."""
        known = frozenset(self.recorded), frozenset(self.rolled)
        return [ReadJob(found, mapping, catalogue, self.lake, self.onto, *known) for found, mapping in files]


def _recorded(warehouse: Warehouse) -> set[str]:
    return {s[:PREFIX] for s in warehouse.table("source_file")["source_sha256"].to_list()}


def _rolled(warehouse: Warehouse) -> set[tuple[str, dt.date]]:
    return set(warehouse.table("rolled_day").select("machine_id", pl.col("day").str.to_date()).iter_rows())


def find_mapping(file: str, mappings: list[Mapping]) -> Mapping | None:
    """Return the first mapping that names a file."""
    return next((m for m in mappings if m.reads(file.rsplit("/", 1)[-1])), None)


def file_at(found: InboxFile, mapping: Mapping | None) -> dt.datetime:
    """When a file was made: what its name says, where the mapping says where; else when it was last changed."""
    if mapping is not None and mapping.dated is not None:
        said = re.search(mapping.dated.file_name, own_name(found.path.name))
        if said and said.groups():
            try:
                return dt.datetime.strptime(said.group(1), mapping.dated.format).replace(tzinfo=dt.UTC)
            except ValueError:
                pass
    return found.changed_at


class ChangedWhileReadError(Exception):
    """The file was still being written; it is left for the next run."""


def _record(found: InboxFile, received: IngestedFile, mapping: Mapping | None, store: IngestTarget) -> None:
    """Write the file's own row and what was found, in the transaction that holds its rows."""
    row = {
        "source_sha256": found.sha,
        "file": found.file,
        "kind": received.kind,
        "mapping": received.mapping,
        "mapping_fingerprint": mapping.fingerprint() if mapping is not None else None,
        "header": received.header,
        "rows_in": received.rows_in,
        "rows_accepted": received.rows_accepted,
        "rows_rejected": received.rows_rejected,
        "rows_repeated": received.rows_repeated,
        "file_at": file_at(found, mapping),
        "from_at": received.from_at,
        "to_at": received.to_at,
        "received_at": dt.datetime.now(dt.UTC),
    }
    texts = dict.fromkeys(("kind", "mapping", "mapping_fingerprint"), pl.String)
    times = dict.fromkeys(("file_at", "from_at", "to_at", "received_at"), pl.Datetime("us", "UTC"))
    store.into.append("source_file", pl.DataFrame([row], schema_overrides={**texts, **times}))
    if received.says:
        says = {"source_sha256": found.sha, "file": found.file, "says": received.says}
        store.into.append("source_finding", pl.DataFrame(says))


def _settle(found: InboxFile, mapping: Mapping, read: FileRead, catalogue: Catalogue, store: IngestTarget) -> None:
    """Store the rows of a list: every row is stored, those that another file has already count as repeated."""
    rows = read.rows
    if not rows.height:
        return
    name = f"received_{mapping.kind}"
    columns = [c for c in rows.columns if c not in {"line", "part"}]
    key = contract(mapping.kind, catalogue).primary_key()
    known = store.warehouse.matching(name, rows.select(key).unique())
    known = known.select(pl.col(c).cast(rows.schema[c]) for c in columns)
    new = rows.join(known, on=columns, how="anti", nulls_equal=True)
    read.received.rows_repeated += rows.height - new.height
    read.received.rows_accepted = new.height
    store.into.append(name, rows.with_columns(pl.lit(found.sha).alias("source_sha256")))


def _forget_failure(found: InboxFile, store: IngestTarget) -> None:
    if found.sha in store.failed:
        forget_failure(found.sha, store.into)


def record(found: InboxFile, mapping: Mapping, read: FileRead, catalogue: Catalogue, store: IngestTarget) -> None:
    """Write all rows of a file that was read, in the caller's transaction."""
    _settle(found, mapping, read, catalogue, store)
    for rows in read.rejected.batches():
        store.into.append("rejected_row", rows)
    read.rejected.discard()
    record_files(store.into, read.files)
    _forget_failure(found, store)
    _record(found, read.received, mapping, store)


def _reject_whole(found: InboxFile, mapping: Mapping | None, rule: str, says: str, store: IngestTarget) -> IngestedFile:
    """Write the one rejected row of a file that as a whole cannot be read, in the caller's transaction."""
    kind, name = (None, None) if mapping is None else (mapping.kind, mapping.name)
    received = IngestedFile(found.file, kind, name, rows_in=1, rows_rejected=1)
    row = rejected_rows([0], None, [""], rule, says)
    store.into.append(
        "rejected_row", row.with_columns(pl.lit(found.sha).alias("source_sha256"), pl.lit(found.file).alias("file"))
    )
    _record(found, received, mapping, store)
    return received


@contextmanager
def _recording(found: InboxFile, store: IngestTarget) -> Iterator[None]:
    """Run the block in a transaction that is kept only if the file is still what it was."""
    with store.into.transaction():
        yield
        if not found.is_unchanged():
            raise ChangedWhileReadError


def ingest_in_transaction(
    found: InboxFile, mapping: Mapping | None, catalogue: Catalogue, store: IngestTarget, read: Read
) -> IngestedFile:
    """Read a file and record it; one that as a whole cannot be read leaves one rejected row.

    Raises:
        ChangedWhileReadError: the file is not what it was.
    """
    if mapping is None:
        says = "no mapping names this file; 'taretrace map' on it makes one"
        with _recording(found, store):
            return _reject_whole(found, None, "no_mapping", says, store)
    try:
        (job,) = store.jobs([(found, mapping)], catalogue)
        got = read(job)
    except SourceFileError as problem:
        store.onto.forget(found.sha)
        with _recording(found, store):
            _forget_failure(found, store)
            return _reject_whole(found, mapping, problem.rule, problem.says, store)
    with _recording(found, store):
        record(found, mapping, got, catalogue, store)
    return got.received


def ingest_file(
    found: InboxFile, mappings: list[Mapping], catalogue: Catalogue, store: IngestTarget, read: Read = read_file
) -> IngestedFile | None:
    """Take one file in, all or nothing, and record what became of every row.

    A file that cannot be read at all counts as one row, rejected, with the reason. None where the file changed or
    went while it was read: nothing of it is taken.
    """
    store.onto.begin_taking([found.sha])
    try:
        received = ingest_in_transaction(found, find_mapping(found.file, mappings), catalogue, store, read)
    except (ChangedWhileReadError, FileNotFoundError):
        if found.path.exists() and found.is_unchanged():
            raise
        store.onto.forget(found.sha)
        store.onto.end_taking([found.sha])
        return None
    store.recorded.add(found.sha[:PREFIX])
    store.onto.end_taking([found.sha])
    return received


FULL_DISK = {errno.ENOSPC, errno.EDQUOT}
SYSTEM_ERRORS = {
    errno.EIO,
    errno.EROFS,
    errno.EACCES,
    errno.EPERM,
    errno.EMFILE,
    errno.ENFILE,
    errno.ENOMEM,
    errno.EAGAIN,
    errno.EBUSY,
    errno.ESTALE,
    errno.ENOENT,
    errno.EPIPE,
    errno.ETIMEDOUT,
    errno.ECONNRESET,
    errno.ECONNREFUSED,
    errno.ENETUNREACH,
    errno.EHOSTUNREACH,
}


def _is_of_the_system(problem: BaseException, store: IngestTarget) -> bool:
    """Return True for an error of disk or network: no file is to blame, and every run tries again.

    Libraries for object storage have exceptions of their own, so on such a lake every exception may be one.
    """
    is_remote = not isinstance(store.onto.root, Path) and not isinstance(problem, ReaderFailureError)
    return is_remote or (isinstance(problem, OSError) and problem.errno in SYSTEM_ERRORS)


def reject_failed(found: InboxFile, mapping: Mapping, problem: BaseException, store: IngestTarget) -> IngestedFile:
    """Reject a file whose reader failed, and count the failure, in the caller's transaction."""
    code, failed = "internal_error", ""
    if isinstance(problem, ReaderFailureError):
        code, says = problem.code, f"{problem.says}; send it in another form, or in parts"
    else:
        failed = str(problem) if isinstance(problem, ReadError) else place_of(problem)
        says = f"the program failed on it ({failed}); report it"
    received = _reject_whole(found, mapping, code, says, store)
    note_failure(found, mapping, code, store.into)
    received.failed, received.failure_code = failed, code
    return received


def ingest_or_report(
    found: InboxFile, mappings: list[Mapping], catalogue: Catalogue, store: IngestTarget, read: Read = read_file
) -> IngestedFile | None:
    """Take one file in as `receive` does; one that its reader does not survive is rejected and stops no other."""
    try:
        return ingest_file(found, mappings, catalogue, store, read)
    except BaseException as problem:
        if not isinstance(problem, Exception) and not is_panic(problem):
            raise
        if isinstance(problem, DamagedError) or (isinstance(problem, OSError) and problem.errno in FULL_DISK):
            raise
        store.onto.forget(found.sha)
        mapping = find_mapping(found.file, mappings)
        if not found.path.exists() or not found.is_unchanged():
            store.onto.end_taking([found.sha])
            return None
        if mapping is None or _is_of_the_system(problem, store):
            store.onto.end_taking([found.sha])
            return IngestedFile(found.file, None, failed=place_of(problem))
        with store.into.transaction():
            received = reject_failed(found, mapping, problem, store)
    store.recorded.add(found.sha[:PREFIX])
    store.onto.end_taking([found.sha])
    return received


def preview_ingest(
    found: InboxFile, mappings: list[Mapping], catalogue: Catalogue, store: IngestTarget, read: Read = read_file
) -> tuple[IngestedFile, pl.DataFrame]:
    """Read one file as `receive` would and store nothing; returns what would become of it, and its rejected rows."""
    with Warehouse.in_memory() as memory, tempfile.TemporaryDirectory() as folder:
        apart = IngestTarget(
            store.warehouse,
            store.lake,
            into=memory,
            onto=Lake(Path(folder)),
            recorded=set(store.recorded),
            rolled=store.rolled,
        )
        received = ingest_or_report(found, mappings, catalogue, apart, read)
        received = received or IngestedFile(found.file, None)
        return received, memory.table("rejected_row")
