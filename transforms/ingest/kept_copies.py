"""The choice of received files to copy, the expiry of copies, and the reading of files from their copies."""

import datetime as dt
import shutil
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from transforms.config.settings_catalogue import Catalogue
from transforms.ingest.inbox import Inbox, InboxFile
from transforms.ingest.ingest_file import IngestedFile, IngestTarget
from transforms.ingest.isolated_read import IsolatedRead
from transforms.ingest.mapping import Mapping
from transforms.ingest.parallel_read import ingest_files
from transforms.ingest.received_copies import Copy, ReceivedCopies
from transforms.parallel import Executor
from transforms.storage.atomic_file import write_bytes
from transforms.storage.warehouse import Warehouse

SPARE_BYTES = 200_000_000
"""A copy is made only if this much stays free: intake comes first."""
FILES_AT_ONCE, BYTES_AT_ONCE = 16, 2_000_000_000
UNPACKED = ".unpacked"
"""Folder of the workspace that copies are unpacked into while they are read."""
MAPPINGS = "mappings"


@dataclass(frozen=True)
class Kept:
    """The outcome of copying.

    Attributes:
        copied: the number of new copies.
        expired: the number of copies removed because they were older than the retention period.
        left: files that were not copied because the disk is nearly full.
    """

    copied: int
    expired: int
    left: list[str]


def keep_received(
    inbox: Inbox, warehouse: Warehouse, copies: ReceivedCopies, keep_days: float, now: dt.datetime
) -> Kept:
    """Copy the files of the inbox that were taken in, note all others, and remove copies older than `keep_days`.

    With 0 days, no copy is made or kept.
    """
    taken = warehouse.table("source_file").select("source_sha256", "file", "file_at", "received_at")
    index = copies.index()
    oldest = now - dt.timedelta(days=keep_days) if keep_days else dt.datetime.max.replace(tzinfo=dt.UTC)
    here_now: dict[str, list[InboxFile]] = {}
    for found in inbox.found:
        here_now.setdefault(found.sha, []).append(found)
    todo: list[tuple[InboxFile, Copy]] = []
    for sha, file, file_at, received_at in taken.iter_rows():
        founds = here_now.get(sha, [])
        copy = _named(index.get(sha), sha, (file, _ns(file_at)), founds, received_at)
        if founds and received_at >= oldest and not copies.is_there(copy):
            todo.append((founds[0], copy))
        elif copy != index.get(sha):
            copies.note(copy)
    copied, left = _copy(todo, copies)
    old = [c for c in index.values() if c.form and dt.datetime.fromisoformat(c.received_at) < oldest]
    for copy in old:
        copies.drop(copy)
    return Kept(copied, len(old), left)


def _ns(at: dt.datetime) -> int:
    return int(at.timestamp() * 1_000_000) * 1000


def _named(
    known: Copy | None, sha: str, taken: tuple[str, int], founds: list[InboxFile], received_at: dt.datetime
) -> Copy:
    """Return what is known of a content, with every name that the inbox shows; the one it was taken under first."""
    names = {f.file: f.changed_ns for f in founds}
    if known is not None:
        added = tuple((f, at) for f, at in sorted(names.items()) if (f, at) not in known.names)
        return replace(known, names=known.names + added)
    first = (taken[0], names.pop(taken[0], taken[1]))
    size = founds[0].size if founds else 0
    return Copy(sha, (first, *sorted(names.items())), size, received_at.isoformat())


def _copy(todo: list[tuple[InboxFile, Copy]], copies: ReceivedCopies) -> tuple[int, list[str]]:
    """Copy files as long as there is room; return the number of copies, and the files without."""

    def keep(one: tuple[InboxFile, Copy]) -> bool:
        found, copy = one
        if shutil.disk_usage(copies.folder.parent).free < found.size + SPARE_BYTES:
            copies.note(copy)
            return False
        with suppress(FileNotFoundError):  # it has left the inbox since
            copies.keep(found, replace(copy, size=found.size))
        return True

    with ThreadPoolExecutor(2) as writers:  # compression lets other threads run
        made = list(writers.map(keep, todo))
    return sum(made), [found.file for (found, _), has_copy in zip(todo, made, strict=True) if not has_copy]


def keep_mappings(mappings: list[Mapping], folder: Path, copies: ReceivedCopies) -> None:
    """Copy the mapping files in use, so that one that is lost can be put back."""
    for mapping in mappings:
        text = (folder / f"{mapping.name}.toml").read_bytes()
        target = mapping_copy(copies, mapping.name, mapping.fingerprint())
        if not target.exists() or target.read_bytes() != text:
            target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            write_bytes(text, target)
            target.chmod(0o600)


def mapping_copy(copies: ReceivedCopies, name: str, fingerprint: str) -> Path:
    """Return the place of a mapping's copy."""
    return copies.folder / MAPPINGS / f"{name}~{fingerprint[:16]}.toml"


def due_copies(copies: ReceivedCopies, inbox: Inbox, warehouse: Warehouse) -> list[Copy]:
    """Return the copies to read: content that is not taken in (any more) and is not in the inbox, in order."""
    taken = set(warehouse.table("source_file")["source_sha256"].to_list()) | {f.sha for f in inbox.found}
    return in_order([c for c in copies.index().values() if c.sha not in taken and copies.is_there(c)])


def in_order(copies: list[Copy]) -> list[Copy]:
    """Return copies in the order they were received in."""
    return sorted(copies, key=lambda c: (c.received_at, c.file))


def receive_copies(
    due: list[Copy],
    copies: ReceivedCopies,
    folder: Path,
    mappings: list[Mapping],
    catalogue: Catalogue,
    store: IngestTarget,
    spread: Executor,
    read: IsolatedRead,
) -> Iterator[tuple[InboxFile, IngestedFile | None]]:
    """Take copies in as `receive_each` does, a few unpacked at a time."""
    for batch in batches(due):
        with copies.unpacked(batch, folder) as founds:
            yield from ingest_files(founds, mappings, catalogue, store, spread, read)


def batches(copies: list[Copy]) -> Iterator[list[Copy]]:
    """Yield copies some at a time: unpacked, they take bounded room."""
    batch: list[Copy] = []
    for copy in copies:
        full = len(batch) == FILES_AT_ONCE or sum(c.size for c in batch) + copy.size > BYTES_AT_ONCE
        if batch and full:
            yield batch
            batch = []
        batch.append(copy)
    if batch:
        yield batch
