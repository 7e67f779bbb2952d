"""A workspace in one file, with the sha-256 of everything in it; restored only where every one of them holds."""

import fcntl
import hashlib
import io
import json
import tarfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TypedDict

from transforms.config.workspace import HOME, Workspace
from transforms.errors import WorkspaceError
from transforms.ingest.inbox import content_hash
from transforms.ingest.isolated_read import READING
from transforms.ingest.kept_copies import UNPACKED
from transforms.operations.ready import RESTORING
from transforms.storage.atomic_file import PARTIAL, write_bytes
from transforms.storage.lock import NAME as HELD
from transforms.storage.warehouse import Warehouse

MANIFEST = "manifest.json"
LEFT_OUT = {HELD, HOME, READING, RESTORING}
"""The locks, Prefect's history of runs, the note of a restore: none is the season's."""
UNFINISHED = ".backup.partial"
DAMAGED = "warehouse.damaged-"
"""How the name of a warehouse begins that a repair has set aside."""
READ_BYTES = 1 << 20


class Entry(TypedDict):
    """What a file in a backup was when it was put there."""

    sha256: str
    size: int


@dataclass(frozen=True)
class BackedUp:
    """What a backup holds.

    Attributes:
        path: the file.
        files: how many files are in it.
        size: their bytes.
    """

    path: Path
    files: int
    size: int


def _is_member(path: Path, first: str, *, received: bool) -> bool:
    """Return whether a file belongs into a backup."""
    is_aside = first.startswith((UNPACKED, DAMAGED)) or (first == "received" and not received)
    is_season = first not in LEFT_OUT and not is_aside and not path.name.endswith(PARTIAL)
    return is_season and path.is_file() and not path.is_symlink()


def _members(root: Path, *, received: bool) -> Iterator[Path]:
    for path in sorted(root.rglob("*")):
        if _is_member(path, path.relative_to(root).parts[0], received=received):
            yield path


@contextmanager
def _claimed(target: Path) -> Iterator[Path]:
    """Yield the unfinished file of a backup, which no other process takes for a left one; remove left ones first."""
    target.parent.mkdir(parents=True, exist_ok=True)
    for left in target.parent.glob(f".*{UNFINISHED}"):
        with suppress(BlockingIOError, FileNotFoundError), left.open("rb") as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            left.unlink(missing_ok=True)
    partial = target.with_name(f".{target.name}{UNFINISHED}")
    with partial.open("wb") as file:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        try:
            yield partial
        finally:
            partial.unlink(missing_ok=True)


def back_up(workspace: Workspace, target: Path, advance: Callable[[], None], *, received: bool = True) -> BackedUp:
    """Write a workspace that nobody else holds into one tar file, whole or not at all, and read it back.

    A lake on object storage is not in it: its storage keeps its own copies.

    Args:
        workspace: the workspace.
        target: the file to write.
        advance: called for each file.
        received: include the copies of received files.

    Raises:
        WorkspaceError: the target is there already, or lies inside the workspace.
        DamagedError: the warehouse is damaged.
    """
    if target.exists():
        raise WorkspaceError("a file stands there already", where=str(target), remedy="name a new file")
    if target.resolve().is_relative_to(workspace.root.resolve()):
        raise WorkspaceError(
            "a backup does not belong into what it backs up", where=str(target), remedy="name another folder"
        )
    if workspace.warehouse.exists():
        Warehouse.settle(workspace.warehouse)
    manifest: dict[str, Entry] = {}
    with _claimed(target) as partial:
        with tarfile.open(partial, "w", format=tarfile.PAX_FORMAT) as tar:
            for path in _members(workspace.root, received=received):
                name = path.relative_to(workspace.root).as_posix()
                manifest[name] = {"sha256": content_hash(path), "size": path.stat().st_size}
                tar.add(path, arcname=name, recursive=False)
                advance()
            body = json.dumps(manifest).encode()
            about = tarfile.TarInfo(MANIFEST)
            about.size = len(body)
            tar.addfile(about, io.BytesIO(body))
        check_backup(partial)
        partial.replace(target)
    return BackedUp(target, len(manifest), sum(m["size"] for m in manifest.values()))


def _manifest(tar: tarfile.TarFile, path: Path) -> dict[str, Entry]:
    try:
        out: dict[str, Entry] = json.load(tar.extractfile(MANIFEST) or io.BytesIO())
    except (KeyError, ValueError, tarfile.TarError) as problem:
        raise WorkspaceError("it is no whole backup", where=str(path), remedy="take an earlier one") from problem
    return out


def check_backup(path: Path) -> int:
    """Read a backup through; returns how many files it holds.

    Raises:
        WorkspaceError: it is cut short, or a file in it is not what was put into it.
    """
    try:
        with tarfile.open(path) as tar:
            wanted = _manifest(tar, path)
            found = {m.name: _hash_in(tar, m) for m in tar if m.name != MANIFEST}
    except (tarfile.TarError, EOFError, OSError) as problem:
        raise WorkspaceError(
            "it cannot be read as a backup", where=str(path), remedy="take an earlier one"
        ) from problem
    for name in sorted(wanted.keys() | found.keys()):
        if name not in found or name not in wanted or found[name] != wanted[name]["sha256"]:
            raise WorkspaceError(f"'{name}' in it is not what it was", where=str(path), remedy="take an earlier one")
    return len(wanted)


def _hash_in(tar: tarfile.TarFile, member: tarfile.TarInfo) -> str:
    """The sha-256 of a file of a tar; of nothing where it is no file."""
    held, digest = tar.extractfile(member) if member.isreg() else None, hashlib.sha256()
    while held is not None and (piece := held.read(READ_BYTES)):
        digest.update(piece)
    return digest.hexdigest()


def restore(path: Path, root: Path, advance: Callable[[], None]) -> int:
    """Put a backup into an empty folder; every file is checked before and after; returns how many there are.

    A note in the folder says that the restore is unfinished until its last file is there: it can be repeated.

    Raises:
        WorkspaceError: the folder is neither empty nor an unfinished restore, or the backup is damaged.
    """
    note = root / RESTORING
    if root.exists() and not note.is_file() and (not root.is_dir() or any(root.iterdir())):
        raise WorkspaceError("the folder is not empty", where=str(root), remedy="name a new folder")
    check_backup(path)
    root.mkdir(parents=True, exist_ok=True)
    root.chmod(0o700)
    with tarfile.open(path) as tar:
        wanted = _manifest(tar, path)
        for name in wanted:
            if PurePosixPath(name).is_absolute() or ".." in PurePosixPath(name).parts:
                raise WorkspaceError(f"'{name}' points outside", where=str(path), remedy="use a backup of taretrace")
        _begin_again(root, note, sorted(wanted))
        for member in tar:
            if member.name == MANIFEST:
                continue
            tar.extract(member, root, filter="data")
            if content_hash(root / member.name) != wanted[member.name]["sha256"]:
                raise WorkspaceError(
                    f"'{member.name}' was not written whole", where=str(root), remedy="look after the disk"
                )
            advance()
    note.unlink()
    return len(wanted)


def _begin_again(root: Path, note: Path, names: list[str]) -> None:
    """Remove what an unfinished restore put into the folder, and note what this one will put there."""
    if note.exists():
        for name in json.loads(note.read_text("utf-8")):
            (root / name).unlink(missing_ok=True)
        other = [p for p in root.rglob("*") if p.is_file() and p.relative_to(root).parts[0] not in LEFT_OUT]
        if other:
            raise WorkspaceError(
                f"'{other[0].relative_to(root)}' is not of the unfinished restore",
                where=str(root),
                remedy="move it away, or name a new folder",
            )
    write_bytes(json.dumps(names).encode(), note)
