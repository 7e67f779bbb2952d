"""Ingestion of one file, in one transaction, through every mapping that matches its name and fits it."""

import errno
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import polars as pl

from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.reason import reason
from transforms.errors import DamagedError, SourceFileError, is_panic
from transforms.ingest.failed_read import record_failure
from transforms.ingest.file_read import FileRead, IngestedFile, ReadJob
from transforms.ingest.file_record import clear_failure, record_file, reject_whole
from transforms.ingest.inbox import InboxFile
from transforms.ingest.ingest_target import IngestTarget
from transforms.ingest.mapping import Mapping
from transforms.ingest.mapping_match import matched_fingerprint, matching_mappings
from transforms.ingest.read_file import read_file
from transforms.ingest.reader_main import locate_problem
from transforms.ingest.reader_process import ReaderFailureError, ReadError
from transforms.storage.lake import PREFIX, Lake
from transforms.storage.warehouse import Warehouse

__all__ = ["FileRead", "IngestTarget", "IngestedFile", "ReadJob", "ingest_file", "ingest_or_report", "preview_ingest"]
Read = Callable[[ReadJob], FileRead]


class ChangedWhileReadError(Exception):
    """Error of a file that changed while it was read; it is left for the next run."""


@contextmanager
def _recording(found: InboxFile, store: IngestTarget) -> Iterator[None]:
    """Run the block in a transaction that is rolled back if the file has changed meanwhile."""
    with store.into.transaction():
        yield
        if not found.is_unchanged():
            raise ChangedWhileReadError


def ingest_in_transaction(
    found: InboxFile, matches: tuple[Mapping, ...], catalogue: Catalogue, store: IngestTarget, read: Read
) -> list[IngestedFile]:
    """Read a file and record it; an unreadable file is recorded as one rejected row.

    Args:
        found: the file.
        matches: every mapping that matches its name; a file without one is rejected.
        catalogue: the machine settings of the workspace.
        store: the destination.
        read: the function that reads a file.

    Returns:
        The counts of each mapping that read it.

    Raises:
        ChangedWhileReadError: the file changed while it was read.
    """
    if not matches:
        with _recording(found, store):
            return [reject_whole(found, matches, "no_mapping", reason("no_mapping"), store)]
    try:
        (job,) = store.jobs([(found, matches)], catalogue)
        result = read(job)
    except SourceFileError as problem:
        store.onto.delete_source(found.sha)
        with _recording(found, store):
            clear_failure(found, store)
            return [reject_whole(found, matches, problem.rule, problem.reason, store)]
    with _recording(found, store):
        return record_file(found, matches, result, catalogue, store)


def ingest_file(
    found: InboxFile, mappings: list[Mapping], catalogue: Catalogue, store: IngestTarget, read: Read = read_file
) -> list[IngestedFile] | None:
    """Ingest one file in one transaction and record the outcome of every row.

    An unreadable file counts as one rejected row with a reason.

    Returns:
        The counts of each mapping; None if the file changed or disappeared while it was read, and nothing was stored.
    """
    store.onto.begin_ingest([found.sha])
    try:
        matches = matching_mappings(found.file, mappings)
        received = ingest_in_transaction(found, matches, catalogue, store, read)
    except (ChangedWhileReadError, FileNotFoundError):
        if found.path.exists() and found.is_unchanged():
            raise
        store.onto.delete_source(found.sha)
        store.onto.end_ingest([found.sha])
        return None
    store.recorded.add(found.sha[:PREFIX])
    store.onto.end_ingest([found.sha])
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


def _is_system_error(problem: BaseException, store: IngestTarget) -> bool:
    """Return True for a disk or network error, which is not attributed to the file: every run retries it.

    Object storage libraries raise exceptions of their own, so any exception may be a system error on a remote lake.
    """
    is_remote = not isinstance(store.onto.root, Path) and not isinstance(problem, ReaderFailureError)
    return is_remote or (isinstance(problem, OSError) and problem.errno in SYSTEM_ERRORS)


def reject_failed(
    found: InboxFile, matches: tuple[Mapping, ...], problem: BaseException, store: IngestTarget
) -> IngestedFile:
    """Reject a file whose reader failed, and count the failure, in the transaction of the caller."""
    if isinstance(problem, ReaderFailureError):
        code, failed, why = problem.code, "", reason("reader_failed", why=problem.reason)
    else:
        code = "internal_error"
        failed = str(problem) if isinstance(problem, ReadError) else locate_problem(problem)
        why = reason("internal_error", place=failed)
    received = reject_whole(found, matches, code, why, store)
    record_failure(found, str(matched_fingerprint(found.file, matches)), code, store.into)
    received.failed, received.failure_code = failed, code
    return received


def ingest_or_report(
    found: InboxFile, mappings: list[Mapping], catalogue: Catalogue, store: IngestTarget, read: Read = read_file
) -> list[IngestedFile] | None:
    """Ingest one file as `ingest_file` does; if its reader fails, reject it so that other files continue.

    Returns:
        The counts of each mapping; None if the file changed or disappeared while it was read.

    Raises:
        DamagedError: stored data is damaged.
        OSError: the disk is full.
    """
    try:
        return ingest_file(found, mappings, catalogue, store, read)
    except BaseException as problem:
        if not isinstance(problem, Exception) and not is_panic(problem):
            raise
        if isinstance(problem, DamagedError) or (isinstance(problem, OSError) and problem.errno in FULL_DISK):
            raise
        store.onto.delete_source(found.sha)
        matches = matching_mappings(found.file, mappings)
        if not found.path.exists() or not found.is_unchanged():
            store.onto.end_ingest([found.sha])
            return None
        if not matches or _is_system_error(problem, store):
            store.onto.end_ingest([found.sha])
            return [IngestedFile(found.file, None, failed=locate_problem(problem))]
        with store.into.transaction():
            received = [reject_failed(found, matches, problem, store)]
    store.recorded.add(found.sha[:PREFIX])
    store.onto.end_ingest([found.sha])
    return received


def preview_ingest(
    found: InboxFile,
    mappings: list[Mapping],
    catalogue: Catalogue,
    store: IngestTarget,
    read: Read = read_file,
    use: Callable[[Warehouse, Lake], None] = lambda *_: None,
) -> tuple[list[IngestedFile], pl.DataFrame]:
    """Return the counts and rejected rows that ingesting one file would give, without storing anything.

    Args:
        found: the file.
        mappings: all mappings.
        catalogue: the machine settings of the workspace.
        store: the warehouse and lake that rows are compared with.
        read: the function that reads a file.
        use: called with a temporary warehouse and lake that have the rows of this file.
    """
    with Warehouse.in_memory() as memory, tempfile.TemporaryDirectory() as folder:
        scratch = IngestTarget(
            store.warehouse,
            store.lake,
            into=memory,
            onto=Lake(Path(folder)),
            recorded=set(store.recorded),
            rolled=store.rolled,
        )
        received = ingest_or_report(found, mappings, catalogue, scratch, read)
        use(memory, scratch.onto)
        return received or [IngestedFile(found.file, None)], memory.table("rejected_row")
