"""Inbox contents: files and task-data folders identified by content hash, and ignored entries with reasons."""

import datetime as dt
import hashlib
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import repeat
from operator import itemgetter
from pathlib import Path

from transforms.contracts.reason import Reason, reason

READ_BYTES = 1 << 20
TASK_DATA = "taskdata.xml"
KnownFiles = dict[str, tuple[int, int, str]]
"""File name -> (size, modification time in ns, sha-256); unchanged files are not hashed again."""


@dataclass(frozen=True)
class InboxFile:
    """A file or task-data folder of the inbox.

    Attributes:
        path: path in the file system.
        file: path relative to the inbox.
        sha: sha-256 of the content.
        size: size in bytes.
        changed_ns: modification time in nanoseconds since 1970, from the file system.
    """

    path: Path
    file: str
    sha: str
    size: int
    changed_ns: int

    @property
    def changed_at(self) -> dt.datetime:
        """Modification time in UTC."""
        return dt.datetime.fromtimestamp(self.changed_ns / 1e9, dt.UTC)

    def is_unchanged(self) -> bool:
        """Return True if size and modification time are the same as when it was hashed."""
        return _size_and_time(members_of(self.path)) == (self.size, self.changed_ns)


@dataclass(frozen=True)
class Inbox:
    """Contents of the inbox, in order of name.

    Attributes:
        found: files and task-data folders.
        left: (name, reason) of ignored entries.
    """

    found: list[InboxFile]
    left: list[tuple[str, Reason]]


def members_of(path: Path) -> list[Path]:
    """Return the files of a task-data folder, in order; for a file, only the file itself."""
    return sorted(p for p in path.rglob("*") if p.is_file() and not p.is_symlink()) if path.is_dir() else [path]


def _size_and_time(members: list[Path]) -> tuple[int, int]:
    """Return the total size in bytes and the latest modification time in ns."""
    stats = [m.stat() for m in members]
    return sum(s.st_size for s in stats), max((s.st_mtime_ns for s in stats), default=0)


def _file_hash(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as handle:
        while block := handle.read(READ_BYTES):
            digest.update(block)
    return digest.hexdigest()


def content_hash(path: Path) -> str:
    """Return the sha-256 of the content of a file, or of the names and contents in a folder."""
    if not path.is_dir():
        return _file_hash(path)
    lines = [f"{m.relative_to(path).as_posix()}\x00{_file_hash(m)}" for m in members_of(path)]
    return hashlib.sha256("\n".join(lines).encode("utf-8", "surrogateescape")).hexdigest()


def _walk(inbox: Path) -> tuple[list[Path], list[tuple[str, Reason]]]:
    """Return (files and task-data folders, (name, reason) of ignored entries), both sorted."""
    sources: list[Path] = []
    left: list[tuple[str, Reason]] = []
    for folder, names, files in os.walk(inbox, followlinks=False):
        here = Path(folder)
        if here != inbox and any(f.casefold() == TASK_DATA for f in files):
            sources.append(here)
            names.clear()
            continue
        for name in [*names, *files]:
            path = here / name
            shown = path.relative_to(inbox).as_posix()
            if path.is_symlink():
                left.append((shown, reason("inbox_link")))
            elif name.startswith("."):
                left.append((shown, reason("inbox_hidden")))
            elif path.is_file():
                sources.append(path)
            elif not path.is_dir():
                left.append((shown, reason("inbox_not_a_file")))
        names[:] = [n for n in names if not n.startswith(".") and not (here / n).is_symlink()]
    return sorted(sources), sorted(left, key=itemgetter(0))


def _found(path: Path, file: str, remembered: KnownFiles) -> InboxFile | OSError:
    try:
        size, changed = _size_and_time(members_of(path))
        known = remembered.get(file)
        sha = known[2] if known is not None and known[:2] == (size, changed) else content_hash(path)
    except OSError as problem:
        return problem
    return InboxFile(path, file, sha, size, changed)


def scan_inbox(inbox: Path, remembered: KnownFiles, prepare: Callable[[], None] | None = None) -> Inbox:
    """Return the contents of the inbox; a file with remembered size and modification time is not hashed again.

    Args:
        inbox: the folder.
        remembered: size, modification time and hash of the files seen before, by name.
        prepare: called before files are hashed if a name was not seen before, so that what reads new files can start
            meanwhile.
    """
    sources, left = _walk(inbox)
    named = {path.relative_to(inbox).as_posix(): path for path in sources}
    for file in [f for f in named if not _is_text(f)]:
        del named[file]
        left.append((file.encode("utf-8", "backslashreplace").decode(), reason("inbox_name_not_text")))
    if prepare is not None and any(file not in remembered for file in named):
        prepare()
    found = []
    with ThreadPoolExecutor(os.cpu_count()) as readers:  # hashing releases the GIL
        for file, result in zip(named, readers.map(_found, named.values(), named, repeat(remembered)), strict=True):
            if isinstance(result, OSError):
                left.append((file, reason("inbox_unreadable", detail=result.strerror)))
            else:
                found.append(result)
    return Inbox(found, left)


def _is_text(name: str) -> bool:
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True
