"""A workspace in one file, with the sha-256 of everything in it; restored only where every one of them holds."""

import hashlib
import io
import json
import tarfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TypedDict

from transforms.errors import WorkspaceError
from transforms.hold import NAME as HELD
from transforms.intake.inbox import content_hash
from transforms.intake.isolated_read import READING
from transforms.warehouse import Warehouse
from transforms.workspace import HOME, Workspace

MANIFEST = "manifest.json"
LEFT_OUT = {HELD, HOME, READING}
"""Who holds the workspace, and Prefect's history of runs: neither is the season's."""
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


def _members(root: Path) -> Iterator[Path]:
    for path in sorted(root.rglob("*")):
        inside = path.relative_to(root)
        if (
            path.is_file()
            and not path.is_symlink()
            and inside.parts[0] not in LEFT_OUT
            and not path.name.endswith(".partial")
        ):
            yield path


def back_up(workspace: Workspace, target: Path, advance: Callable[[], None]) -> BackedUp:
    """Write a workspace that nobody else holds into one tar file, whole or not at all, and read it back.

    A lake on object storage is not in it: its storage keeps its own copies.

    Raises:
        WorkspaceError: the target is there already, or lies inside the workspace.
    """
    if target.exists():
        raise WorkspaceError("a file stands there already", where=str(target), mend="name a new file")
    if target.resolve().is_relative_to(workspace.root.resolve()):
        raise WorkspaceError(
            "a backup does not belong into what it backs up", where=str(target), mend="name another folder"
        )
    if workspace.warehouse.exists():
        Warehouse.settle(workspace.warehouse)
    partial = target.with_name(f".{target.name}.partial")
    target.parent.mkdir(parents=True, exist_ok=True)
    manifest: dict[str, Entry] = {}
    try:
        with tarfile.open(partial, "w", format=tarfile.PAX_FORMAT) as tar:
            for path in _members(workspace.root):
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
    finally:
        partial.unlink(missing_ok=True)
    return BackedUp(target, len(manifest), sum(m["size"] for m in manifest.values()))


def _manifest(tar: tarfile.TarFile, path: Path) -> dict[str, Entry]:
    try:
        out: dict[str, Entry] = json.load(tar.extractfile(MANIFEST) or io.BytesIO())
    except (KeyError, ValueError, tarfile.TarError) as problem:
        raise WorkspaceError("it is no whole backup", where=str(path), mend="take an earlier one") from problem
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
        raise WorkspaceError("it cannot be read as a backup", where=str(path), mend="take an earlier one") from problem
    for name in sorted(wanted.keys() | found.keys()):
        if name not in found or name not in wanted or found[name] != wanted[name]["sha256"]:
            raise WorkspaceError(f"'{name}' in it is not what it was", where=str(path), mend="take an earlier one")
    return len(wanted)


def _hash_in(tar: tarfile.TarFile, member: tarfile.TarInfo) -> str:
    """The sha-256 of a file of a tar; of nothing where it is no file."""
    held, digest = tar.extractfile(member) if member.isreg() else None, hashlib.sha256()
    while held is not None and (piece := held.read(READ_BYTES)):
        digest.update(piece)
    return digest.hexdigest()


def restore(path: Path, root: Path, advance: Callable[[], None]) -> int:
    """Put a backup into an empty folder; every file is checked before and after; returns how many there are.

    Raises:
        WorkspaceError: the folder is not empty, or the backup is damaged.
    """
    if root.exists() and (not root.is_dir() or any(root.iterdir())):
        raise WorkspaceError("the folder is not empty", where=str(root), mend="name a new folder")
    check_backup(path)
    root.mkdir(parents=True, exist_ok=True)
    root.chmod(0o700)
    with tarfile.open(path) as tar:
        wanted = _manifest(tar, path)
        for member in tar:
            if member.name == MANIFEST:
                continue
            if PurePosixPath(member.name).is_absolute() or ".." in PurePosixPath(member.name).parts:
                raise WorkspaceError(
                    f"'{member.name}' points outside", where=str(path), mend="take a backup of our own"
                )
            tar.extract(member, root, filter="data")
            if content_hash(root / member.name) != wanted[member.name]["sha256"]:
                raise WorkspaceError(
                    f"'{member.name}' was not written whole", where=str(root), mend="look after the disk"
                )
            advance()
    return len(wanted)
