"""Uniform access to the members of a task-data folder or zip archive; macOS forks, links and folders are ignored."""

import stat
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path
from typing import BinaryIO, cast

from transforms.contracts.reason import reason
from transforms.errors import SourceFileError
from transforms.ingest.readers.archive import FAULTS, checked_archive

MAX_XML_BYTES = 64 << 20


@dataclass(frozen=True)
class Container:
    """Members of a folder or archive.

    Attributes:
        members: relative path with forward slashes -> function that opens it for reading.
    """

    members: dict[str, Callable[[], BinaryIO]]

    def folder_of(self, name: str) -> str:
        """Return the folder of a member with a trailing slash; empty at the root."""
        return name[: name.rfind("/") + 1]

    def find(self, folder: str, name: str) -> str | None:
        """Return a member of a folder by its case-insensitive name; None if there is none."""
        return self._by_name.get((folder + name).casefold())

    @cached_property
    def _by_name(self) -> dict[str, str]:
        return {m.casefold(): m for m in reversed(self.members)}

    def open(self, name: str) -> BinaryIO:
        """Open a member.

        Raises:
            SourceFileError: the member is damaged.
        """
        try:
            return self.members[name]()
        except FAULTS as problem:
            raise _damaged(name) from problem

    def read(self, name: str, max_bytes: int = MAX_XML_BYTES) -> bytes:
        """Return the content of a small member.

        Raises:
            SourceFileError: the member is damaged, or larger than `max_bytes`.
        """
        with self.open(name) as handle:
            data = read_some(handle, max_bytes + 1, name)
        if len(data) > max_bytes:
            raise SourceFileError("too_large", reason("member_too_large", member=name[-80:], max_mb=max_bytes >> 20))
        return data


def _damaged(name: str) -> SourceFileError:
    return SourceFileError("archive_damaged", reason("member_damaged", member=name[-80:]))


def read_some(handle: BinaryIO, n: int, name: str) -> bytes:
    """Return the next bytes of a member.

    Raises:
        SourceFileError: the member is damaged.
    """
    try:
        return handle.read(n)
    except FAULTS as problem:
        raise _damaged(name) from problem


def _is_fork(name: str) -> bool:
    parts = name.split("/")
    return parts[-1].startswith("._") or any(p.strip("_").casefold() == "macosx" for p in parts[:-1])


def _open_file(path: Path) -> BinaryIO:
    """Open a file for reading."""
    return path.open("rb")


def open_container(path: Path) -> Container:
    """Open a folder or a zip archive.

    Raises:
        SourceFileError: the archive is damaged or exceeds a limit.
    """
    if path.is_dir():
        found = sorted(p for p in path.rglob("*") if p.is_file() and not p.is_symlink())
        named = {p.relative_to(path).as_posix(): p for p in found}
        return Container({n: partial(_open_file, p) for n, p in named.items() if not _is_fork(n)})
    archive = checked_archive(path)
    members = {}
    for info in archive.infolist():
        name = info.filename.replace("\\", "/")
        if not info.is_dir() and not stat.S_ISLNK(info.external_attr >> 16) and not _is_fork(name):
            members[name] = cast("Callable[[], BinaryIO]", partial(archive.open, info))
    return Container(members)
