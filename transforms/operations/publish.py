"""Copies of pages in a folder outside the workspace; files that taretrace did not write there are never changed."""

import errno
import hashlib
import json
import os
import shutil
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from transforms.contracts.reason import Reason, reason
from transforms.storage.atomic_file import replace_atomically, unfinished, write_bytes

FaultCode = Literal["missing", "unmounted", "not_writable", "full", "failed", "foreign_files"]
SHOWN_NAMES = 3
READ_BY_FOLDER = 0o666
"""Permissions that a copy takes from its folder: everyone who may read the folder may read the pages."""


@dataclass(frozen=True)
class PublishFault:
    """A reason why pages are not in the folder.

    Attributes:
        code: the kind of fault.
        what: the fault.
        remedy: how to fix it.
    """

    code: FaultCode
    what: Reason
    remedy: Reason


@dataclass(frozen=True)
class Publication:
    """Outcome of publishing.

    Attributes:
        folder: the folder that receives the copies.
        pages: number of files that are in the folder as they are in the workspace.
        copied: number of files copied by this run.
        removed: number of files removed by this run.
        fault: the reason why some pages or all are not there; None if all are.
    """

    folder: Path
    pages: int = 0
    copied: int = 0
    removed: int = 0
    fault: PublishFault | None = None


@dataclass
class _Record:
    """Contents that taretrace has written to a folder, stored in the workspace.

    Attributes:
        path: the file of the record.
        folder: the folder with the copies.
        files: name of a copy -> SHA-256 of the contents that it may have: two while it is being replaced.
    """

    path: Path
    folder: Path
    files: dict[str, list[str]]

    def save(self) -> None:
        body = {"folder": str(self.folder), "files": self.files}
        write_bytes(json.dumps(body, indent=0, sort_keys=True).encode(), self.path)


def _read_record(path: Path, folder: Path) -> _Record:
    """Return the record of a folder; an empty one if nothing was published there or the record is damaged."""
    try:
        body = json.loads(path.read_text("utf-8"))
        files = {str(n): [str(s) for s in shas] for n, shas in body["files"].items()}
        return _Record(path, folder, files if body["folder"] == str(folder) else {})
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return _Record(path, folder, {})


def find_fault(folder: Path, record_path: Path) -> PublishFault | None:
    """Return why pages cannot be published to a folder; None if they can. Nothing is changed."""
    try:
        return _find_fault(_read_record(record_path, folder))
    except OSError as problem:
        return _describe(problem, folder)


def _find_fault(record: _Record) -> PublishFault | None:
    folder = record.folder
    if not folder.is_dir():
        return PublishFault("missing", reason("publish_folder_missing"), reason("publish_folder_missing_remedy"))
    if not os.access(folder, os.W_OK | os.X_OK):
        remedy = reason("publish_not_writable_remedy", folder=str(folder))
        return PublishFault("not_writable", reason("publish_not_writable"), remedy)
    if record.files and not any((folder / name).exists() for name in record.files):
        remedy = reason("publish_unmounted_remedy", record=str(record.path))
        return PublishFault("unmounted", reason("publish_unmounted"), remedy)
    return None


def publish(files: dict[str, Path], folder: Path, record_path: Path) -> Publication:
    """Make copies of files in a folder, and remove copies made earlier that are no longer among the files.

    Each copy is complete or absent. Copies that are already there are not written again. A file is replaced or removed
    only if its content was written by an earlier call.

    Args:
        files: relative name, with forward slashes -> file.
        folder: the folder that receives the copies.
        record_path: record of the copies, in the workspace.

    Returns:
        The outcome, also if nothing could be copied; a fault of the folder never raises.
    """
    if (fault := find_fault(folder, record_path)) is not None:
        return Publication(folder, fault=fault)
    try:
        return _publish(files, _read_record(record_path, folder))
    except OSError as problem:
        return Publication(folder, fault=_describe(problem, folder))


def _publish(files: dict[str, Path], record: _Record) -> Publication:
    wanted = {name: _sha(source) for name, source in files.items()}
    due = [name for name, sha in wanted.items() if not _is_current(files[name], name, sha, record)]
    foreign = [name for name in due if not _is_own(name, wanted[name], record)]
    due = [name for name in due if name not in foreign]
    # Stored first: a run that is killed while it copies leaves only contents that the next run knows.
    for name in due:
        record.files[name] = sorted({*record.files.get(name, []), wanted[name]})
    record.save()
    for name in due:
        _copy(files[name], record.folder / name, record.folder)
        record.files[name] = [wanted[name]]
    removed = sum(_remove(name, record) for name in sorted(record.files.keys() - wanted.keys()))
    record.save()
    fault = None
    if foreign:
        shown = [*foreign[:SHOWN_NAMES], *(["..."] if len(foreign) > SHOWN_NAMES else [])]
        what = reason("publish_foreign_files", n=len(foreign), files=shown)
        fault = PublishFault("foreign_files", what, reason("publish_foreign_files_remedy"))
    return Publication(record.folder, len(wanted) - len(foreign), len(due), removed, fault)


def _is_current(source: Path, name: str, sha: str, record: _Record) -> bool:
    """Return True if the copy is there; its content is not read, because the folder may be far away."""
    target = record.folder / name
    return (
        record.files.get(name) == [sha]
        and target.is_file()
        and not target.is_symlink()
        and target.stat().st_size == source.stat().st_size
    )


def _is_own(name: str, sha: str, record: _Record) -> bool:
    """Return True if nothing has this name in the folder, or only what taretrace wrote there."""
    target = record.folder / name
    if not os.path.lexists(target):
        return True
    if target.is_symlink() or not target.is_file():
        return False
    return _sha(target) in {sha, *record.files.get(name, [])}


def _copy(source: Path, target: Path, folder: Path) -> None:
    mode = folder.stat().st_mode
    if not target.parent.exists():
        target.parent.mkdir(parents=True)
        with suppress(OSError):
            target.parent.chmod(mode & 0o777)
    with replace_atomically(target) as partial:
        shutil.copyfile(source, partial)
        with suppress(OSError):  # some network drives have no permissions
            partial.chmod(mode & READ_BY_FOLDER | 0o600)


def _remove(name: str, record: _Record) -> bool:
    """Remove a copy that is still as taretrace wrote it; forget it in any case."""
    target, shas = record.folder / name, record.files.pop(name)
    unfinished(target).unlink(missing_ok=True)
    if target.is_symlink() or not target.is_file() or _sha(target) not in shas:
        return False
    target.unlink()
    if target.parent != record.folder:
        with suppress(OSError):  # other files are in it
            target.parent.rmdir()
    return True


def _sha(path: Path) -> str:
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def _describe(problem: OSError, folder: Path) -> PublishFault:
    if isinstance(problem, PermissionError):
        remedy = reason("publish_file_not_writable_remedy", folder=str(folder))
        return PublishFault("not_writable", reason("publish_file_not_writable"), remedy)
    if problem.errno == errno.ENOSPC:
        return PublishFault("full", reason("publish_full"), reason("publish_full_remedy"))
    what = reason("publish_failed", detail=problem.strerror)
    return PublishFault("failed", what, reason("publish_failed_remedy"))
