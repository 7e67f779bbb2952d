"""Backup of a workspace to one tar file with SHA-256 checksums, and its verified restore."""

import hashlib
import io
import json
import tarfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TypedDict

from transforms.config.workspace import HOME, Workspace
from transforms.errors import WorkspaceError
from transforms.ingest.inbox import content_hash
from transforms.ingest.isolated_read import READERS
from transforms.ingest.kept_copies import UNPACKED
from transforms.operations.ready import RESTORING
from transforms.storage.atomic_file import PARTIAL, write_bytes
from transforms.storage.lock import NAME as LOCK
from transforms.storage.lock import OWNER, locked_file
from transforms.storage.warehouse import Warehouse

MANIFEST = "manifest.json"
LEFT_OUT = {LOCK, OWNER, HOME, READERS, RESTORING}
"""Locks, Prefect's run history and the restore marker: not part of the season's data."""
UNFINISHED = ".backup.partial"
DAMAGED = "warehouse.damaged-"
"""Name prefix of a damaged warehouse that a repair has moved aside."""
READ_BYTES = 1 << 20


class Entry(TypedDict):
    """Checksum and size of a file when it was added to a backup."""

    sha256: str
    size: int


@dataclass(frozen=True)
class BackedUp:
    """Summary of a backup.

    Attributes:
        path: the backup file.
        files: number of files in it.
        size: total size of these files in bytes.
    """

    path: Path
    files: int
    size: int


def _is_member(path: Path, first: str, *, received: bool) -> bool:
    """Return True if a file belongs in a backup."""
    is_aside = first.startswith((UNPACKED, DAMAGED)) or (first == "received" and not received)
    is_season = first not in LEFT_OUT and not is_aside and not path.name.endswith(PARTIAL)
    return is_season and path.is_file() and not path.is_symlink()


def _members(root: Path, *, received: bool) -> Iterator[Path]:
    for path in sorted(root.rglob("*")):
        if _is_member(path, path.relative_to(root).parts[0], received=received):
            yield path


@contextmanager
def _claimed(target: Path) -> Iterator[Path]:
    """Yield a temporary path for a backup, locked so that no other process removes it; remove abandoned ones first."""
    target.parent.mkdir(parents=True, exist_ok=True)
    for abandoned in target.parent.glob(f".*{UNFINISHED}"):
        with locked_file(_lock_beside(abandoned)) as is_free:
            if is_free:
                abandoned.unlink(missing_ok=True)
        if is_free:
            _lock_beside(abandoned).unlink(missing_ok=True)
    partial = target.with_name(f".{target.name}{UNFINISHED}")
    with locked_file(_lock_beside(partial)):
        try:
            yield partial
        finally:
            partial.unlink(missing_ok=True)
    _lock_beside(partial).unlink(missing_ok=True)


def _lock_beside(partial: Path) -> Path:
    """Return the file to lock for an unfinished backup, which Windows could not rename while it is open itself."""
    return partial.with_name(f"{partial.name}.lock")


def back_up(workspace: Workspace, target: Path, advance: Callable[[], None], *, received: bool = True) -> BackedUp:
    """Write a locked workspace to one tar file atomically, and verify the file by reading it back.

    The backup excludes a lake on object storage, which has its own copies.

    Args:
        workspace: the workspace; the caller holds its lock.
        target: the file to write.
        advance: called for each file.
        received: include the copies of received files.

    Raises:
        WorkspaceError: the target exists, or is inside the workspace.
        DamagedError: the warehouse is damaged.
    """
    if target.exists():
        raise WorkspaceError("the file exists already", where=str(target), remedy="choose a new file name")
    if target.resolve().is_relative_to(workspace.root.resolve()):
        raise WorkspaceError(
            "the backup would be inside the workspace it backs up", where=str(target), remedy="choose another folder"
        )
    if workspace.warehouse.exists():
        Warehouse.checkpoint(workspace.warehouse)
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
        raise WorkspaceError("the backup is incomplete", where=str(path), remedy="use an older backup") from problem
    return out


def check_backup(path: Path) -> int:
    """Verify a backup by reading all of it; return the number of files in it.

    Raises:
        WorkspaceError: the backup is truncated, or a file in it differs from its checksum.
    """
    try:
        with tarfile.open(path) as tar:
            wanted = _manifest(tar, path)
            found = {m.name: _hash_in(tar, m) for m in tar if m.name != MANIFEST}
    except (tarfile.TarError, EOFError, OSError) as problem:
        raise WorkspaceError(
            "the file cannot be read as a backup", where=str(path), remedy="use an older backup"
        ) from problem
    for name in sorted(wanted.keys() | found.keys()):
        if name not in found or name not in wanted or found[name] != wanted[name]["sha256"]:
            raise WorkspaceError(
                "'{name}' in the backup is missing or damaged",
                where=str(path),
                remedy="use an older backup",
                name=name,
            )
    return len(wanted)


def _hash_in(tar: tarfile.TarFile, member: tarfile.TarInfo) -> str:
    """Return the SHA-256 of a tar member; that of empty content if it is not a regular file."""
    content, digest = tar.extractfile(member) if member.isreg() else None, hashlib.sha256()
    while content is not None and (chunk := content.read(READ_BYTES)):
        digest.update(chunk)
    return digest.hexdigest()


def restore(path: Path, root: Path, advance: Callable[[], None]) -> int:
    """Restore a backup to an empty folder, verify every file before and after, and return the number of files.

    A marker file in the folder lists the files of an unfinished restore, so that it can be repeated.

    Args:
        path: the backup file.
        root: the folder; new, empty, or left by an unfinished restore.
        advance: called for each file.

    Raises:
        WorkspaceError: the folder is neither empty nor an unfinished restore, or the backup is damaged.
    """
    note = root / RESTORING
    if root.exists() and not note.is_file() and (not root.is_dir() or any(root.iterdir())):
        raise WorkspaceError("the folder is not empty", where=str(root), remedy="choose a new folder")
    check_backup(path)
    root.mkdir(parents=True, exist_ok=True)
    root.chmod(0o700)
    with tarfile.open(path) as tar:
        wanted = _manifest(tar, path)
        for name in wanted:
            if PurePosixPath(name).is_absolute() or ".." in PurePosixPath(name).parts:
                raise WorkspaceError(
                    "'{name}' has a path outside the backup",
                    where=str(path),
                    remedy="use a backup by taretrace",
                    name=name,
                )
        _prepare_restore(root, note, sorted(wanted))
        for member in tar:
            if member.name == MANIFEST:
                continue
            tar.extract(member, root, filter="data")
            if content_hash(root / member.name) != wanted[member.name]["sha256"]:
                raise WorkspaceError(
                    "'{name}' was not written correctly", where=str(root), remedy="check the disk", name=member.name
                )
            advance()
    note.unlink()
    return len(wanted)


def _prepare_restore(root: Path, note: Path, names: list[str]) -> None:
    """Remove the files of an unfinished restore, and list the files of this one in the marker file."""
    if note.exists():
        for name in json.loads(note.read_text("utf-8")):
            (root / name).unlink(missing_ok=True)
        other = [p for p in root.rglob("*") if p.is_file() and p.relative_to(root).parts[0] not in LEFT_OUT]
        if other:
            raise WorkspaceError(
                "'{name}' does not belong to the unfinished restore",
                where=str(root),
                remedy="move it away, or choose a new folder",
                name=str(other[0].relative_to(root)),
            )
    write_bytes(json.dumps(names).encode(), note)
