"""What lies in the inbox: files by their content, task-data folders as one, and what is left alone and why."""

import datetime as dt
import hashlib
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import repeat
from pathlib import Path

READ_BYTES = 1 << 20
TASK_DATA = "taskdata.xml"
KnownFiles = dict[str, tuple[int, int, str]]
"""File name -> (size, time of change in ns, sha-256), so that an unchanged file is not read again to know it."""


@dataclass(frozen=True)
class InboxFile:
    """A file or task-data folder of the inbox.

    Attributes:
        path: where it lies.
        file: its path inside the inbox.
        sha: the sha-256 of its content.
        size: bytes.
        changed_ns: when it was last changed, as the file system says.
    """

    path: Path
    file: str
    sha: str
    size: int
    changed_ns: int

    @property
    def changed_at(self) -> dt.datetime:
        """When it was last changed."""
        return dt.datetime.fromtimestamp(self.changed_ns / 1e9, dt.UTC)

    def is_unchanged(self) -> bool:
        """Whether size and time of change are still those it was hashed with."""
        return _stand(members_of(self.path)) == (self.size, self.changed_ns)


@dataclass(frozen=True)
class Inbox:
    """Everything in the inbox, in order of name.

    Attributes:
        found: files and task-data folders.
        left: (name, why) of what is not read.
    """

    found: list[InboxFile]
    left: list[tuple[str, str]]


def members_of(path: Path) -> list[Path]:
    """Return the files of a task-data folder, in order; a file alone is its own."""
    return sorted(p for p in path.rglob("*") if p.is_file() and not p.is_symlink()) if path.is_dir() else [path]


def _stand(members: list[Path]) -> tuple[int, int]:
    stats = [m.stat() for m in members]
    return sum(s.st_size for s in stats), max((s.st_mtime_ns for s in stats), default=0)


def _file_hash(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as handle:
        while piece := handle.read(READ_BYTES):
            digest.update(piece)
    return digest.hexdigest()


def content_hash(path: Path) -> str:
    """Return the sha-256 of a file's content, or of a folder's names and contents."""
    if not path.is_dir():
        return _file_hash(path)
    lines = [f"{m.relative_to(path).as_posix()}\x00{_file_hash(m)}" for m in members_of(path)]
    return hashlib.sha256("\n".join(lines).encode("utf-8", "surrogateescape")).hexdigest()


def _walk(inbox: Path) -> tuple[list[Path], list[tuple[str, str]]]:
    sources: list[Path] = []
    left: list[tuple[str, str]] = []
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
                left.append((shown, "it is a link; put the file itself here"))
            elif name.startswith("."):
                left.append((shown, "its name begins with a point: it is hidden or half copied"))
            elif path.is_file():
                sources.append(path)
            elif not path.is_dir():
                left.append((shown, "it is no file"))
        names[:] = [n for n in names if not n.startswith(".") and not (here / n).is_symlink()]
    return sorted(sources), sorted(left)


def _found(path: Path, file: str, remembered: KnownFiles) -> InboxFile | OSError:
    try:
        size, changed = _stand(members_of(path))
        known = remembered.get(file)
        sha = known[2] if known is not None and known[:2] == (size, changed) else content_hash(path)
    except OSError as problem:
        return problem
    return InboxFile(path, file, sha, size, changed)


def scan_inbox(inbox: Path, remembered: KnownFiles) -> Inbox:
    """Return what lies in the inbox; a file whose size and time of change are remembered is not read again."""
    sources, left = _walk(inbox)
    named = {path.relative_to(inbox).as_posix(): path for path in sources}
    for file in [f for f in named if not _printable(f)]:
        del named[file]
        left.append((file.encode("utf-8", "backslashreplace").decode(), "its name is no text; rename it"))
    found = []
    with ThreadPoolExecutor(os.cpu_count()) as readers:  # hashing lets other threads run
        for file, one in zip(named, readers.map(_found, named.values(), named, repeat(remembered)), strict=True):
            if isinstance(one, OSError):
                left.append((file, f"it cannot be read ({one.strerror})"))
            else:
                found.append(one)
    return Inbox(found, left)


def _printable(name: str) -> bool:
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True
