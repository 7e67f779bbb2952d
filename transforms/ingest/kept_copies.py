"""Selection of received files to copy, expiry of copies, and ingestion of files from their copies."""

import datetime as dt
import shutil
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from transforms.config.settings_catalogue import Catalogue
from transforms.ingest.file_read import IngestedFile
from transforms.ingest.inbox import Inbox, InboxFile
from transforms.ingest.ingest_target import IngestTarget
from transforms.ingest.isolated_read import IsolatedRead
from transforms.ingest.mapping import Mapping
from transforms.ingest.parallel_read import ingest_files
from transforms.ingest.received_copies import Copy, ReceivedCopies
from transforms.parallel import Executor
from transforms.storage.atomic_file import write_bytes
from transforms.storage.warehouse import Warehouse

SPARE_BYTES = 200_000_000
"""Minimum free disk space after a copy; ingestion has priority over copies."""
FILES_AT_ONCE, BYTES_AT_ONCE = 16, 2_000_000_000
UNPACKED = ".unpacked"
"""Folder of the workspace for copies that are unpacked to be read."""
MAPPINGS = "mappings"


@dataclass(frozen=True)
class Kept:
    """Result of copying received files.

    Attributes:
        copied: number of new copies.
        expired: number of copies removed because they were older than the retention period.
        left: files that were not copied because the disk is nearly full.
    """

    copied: int
    expired: int
    left: list[str]


@dataclass(frozen=True)
class CopyPlan:
    """Copies to make, to record and to remove.

    Attributes:
        copy: files to copy, with the record of each copy.
        note: records to write or correct.
        drop: copies older than the retention period.
    """

    copy: list[tuple[InboxFile, Copy]]
    note: list[Copy]
    drop: list[Copy]

    @property
    def is_empty(self) -> bool:
        """Return True if there is nothing to do."""
        return not (self.copy or self.note or self.drop)


def plan_copies(
    inbox: Inbox, warehouse: Warehouse, copies: ReceivedCopies, keep_days: float, now: dt.datetime
) -> CopyPlan:
    """Return which files to copy, which records to write, and which copies have expired.

    Args:
        inbox: the present content of the inbox.
        warehouse: the warehouse of the workspace.
        copies: the folder of copies.
        keep_days: retention period in days; with 0, no copy is made or kept.
        now: the present time.
    """
    taken = warehouse.table("arrived_file").select("source_sha256", "file", "file_at", "received_at")
    index = copies.index()
    oldest = now - dt.timedelta(days=keep_days) if keep_days else dt.datetime.max.replace(tzinfo=dt.UTC)
    in_inbox: dict[str, list[InboxFile]] = {}
    for found in inbox.found:
        in_inbox.setdefault(found.sha, []).append(found)
    plan = CopyPlan([], [], [])
    for sha, file, file_at, received_at in taken.iter_rows():
        founds = in_inbox.get(sha, [])
        copy = _named(index.get(sha), sha, (file, _ns(file_at)), founds, received_at)
        if founds and received_at >= oldest and not copies.is_there(copy):
            plan.copy.append((founds[0], copy))
        elif copy != index.get(sha):
            plan.note.append(copy)
    plan.drop.extend(c for c in index.values() if c.form and dt.datetime.fromisoformat(c.received_at) < oldest)
    return plan


def copy_received(
    inbox: Inbox, warehouse: Warehouse, copies: ReceivedCopies, keep_days: float, now: dt.datetime
) -> Kept:
    """Copy the ingested files of the inbox, record all others, and remove copies older than the retention period."""
    plan = plan_copies(inbox, warehouse, copies, keep_days, now)
    for copy in plan.note:
        copies.note(copy)
    copied, left = _copy(plan.copy, copies)
    for copy in plan.drop:
        copies.drop(copy)
    return Kept(copied, len(plan.drop), left)


def _ns(at: dt.datetime) -> int:
    """Return a time in nanoseconds since 1970, at microsecond resolution."""
    return int(at.timestamp() * 1_000_000) * 1000


def _named(
    known: Copy | None, sha: str, taken: tuple[str, int], founds: list[InboxFile], received_at: dt.datetime
) -> Copy:
    """Return the record of a content with all its names in the inbox; the name it was ingested under comes first."""
    names = {f.file: f.changed_ns for f in founds}
    if known is not None:
        added = tuple((f, at) for f, at in sorted(names.items()) if (f, at) not in known.names)
        return replace(known, names=known.names + added)
    first = (taken[0], names.pop(taken[0], taken[1]))
    size = founds[0].size if founds else 0
    return Copy(sha, (first, *sorted(names.items())), size, received_at.isoformat())


def _copy(to_copy: list[tuple[InboxFile, Copy]], copies: ReceivedCopies) -> tuple[int, list[str]]:
    """Copy files while disk space allows; return the number of copies and the files that were not copied."""

    def keep(task: tuple[InboxFile, Copy]) -> bool:
        found, copy = task
        if shutil.disk_usage(copies.folder.parent).free < found.size + SPARE_BYTES:
            copies.note(copy)
            return False
        with suppress(FileNotFoundError):  # the file has left the inbox
            copies.store_copy(found, replace(copy, size=found.size))
        return True

    with ThreadPoolExecutor(2) as writers:  # compression releases the GIL
        is_copied = list(writers.map(keep, to_copy))
    return sum(is_copied), [found.file for (found, _), has_copy in zip(to_copy, is_copied, strict=True) if not has_copy]


def keep_mappings(mappings: list[Mapping], folder: Path, copies: ReceivedCopies) -> None:
    """Copy the mapping files in use, so that a lost mapping can be restored."""
    for mapping in mappings:
        text = (folder / f"{mapping.name}.toml").read_bytes()
        target = mapping_copy(copies, mapping.name, mapping.fingerprint())
        if not target.exists() or target.read_bytes() != text:
            target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            write_bytes(text, target)
            target.chmod(0o600)


def mapping_copy(copies: ReceivedCopies, name: str, fingerprint: str) -> Path:
    """Return the path of the copy of a mapping."""
    return copies.folder / MAPPINGS / f"{name}~{fingerprint[:16]}.toml"


def find_pending_copies(copies: ReceivedCopies, inbox: Inbox, warehouse: Warehouse) -> list[Copy]:
    """Return the copies to read, in order: their content is not ingested (any more) and is not in the inbox."""
    taken = set(warehouse.table("source_file")["source_sha256"].to_list()) | {f.sha for f in inbox.found}
    return sort_by_receipt([c for c in copies.index().values() if c.sha not in taken and copies.is_there(c)])


def sort_by_receipt(copies: list[Copy]) -> list[Copy]:
    """Return copies in order of receipt."""
    return sorted(copies, key=lambda c: (c.received_at, c.file))


def ingest_copies(
    pending: list[Copy],
    copies: ReceivedCopies,
    folder: Path,
    mappings: list[Mapping],
    catalogue: Catalogue,
    store: IngestTarget,
    executor: Executor,
    read: IsolatedRead,
) -> Iterator[tuple[InboxFile, list[IngestedFile] | None]]:
    """Ingest copies as `ingest_files` does, with a few unpacked at a time."""
    for batch in batches(pending):
        with copies.unpacked(batch, folder) as founds:
            yield from ingest_files(founds, mappings, catalogue, store, executor, read)


def batches(copies: list[Copy]) -> Iterator[list[Copy]]:
    """Yield batches of copies, so that unpacked copies use a bounded amount of disk space."""
    batch: list[Copy] = []
    for copy in copies:
        is_full = len(batch) == FILES_AT_ONCE or sum(c.size for c in batch) + copy.size > BYTES_AT_ONCE
        if batch and is_full:
            yield batch
            batch = []
        batch.append(copy)
    if batch:
        yield batch
