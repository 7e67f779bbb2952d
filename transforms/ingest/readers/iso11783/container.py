"""A task-data folder or zip archive as named members; macOS forks, links and folders are left out."""

import stat
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import BinaryIO, cast

from transforms.errors import SourceFileError
from transforms.ingest.readers.archive import FAULTS, checked_archive

MAX_XML_BYTES = 64 << 20


@dataclass(frozen=True)
class Container:
    """Members of a folder or archive.

    Attributes:
        members: path inside, with forward slashes -> opens it for reading.
    """

    members: dict[str, Callable[[], BinaryIO]]

    def folder_of(self, name: str) -> str:
        """The folder a member lies in, with a slash at its end; empty at the top."""
        return name[: name.rfind("/") + 1]

    def find(self, folder: str, name: str) -> str | None:
        """Return a member of a folder by its name in any case; None if there is none."""
        return self._by_name.get((folder + name).casefold())

    @cached_property
    def _by_name(self) -> dict[str, str]:
        return {m.casefold(): m for m in reversed(self.members)}

    def open(self, name: str) -> BinaryIO:
        """Open a member.

        Raises:
            SourceFileError: it is damaged.
        """
        try:
            return self.members[name]()
        except FAULTS as problem:
            raise _damaged(name) from problem

    def read(self, name: str, most: int = MAX_XML_BYTES) -> bytes:
        """Return a small member whole.

        Raises:
            SourceFileError: it is damaged, or has more than `most` bytes.
        """
        with self.open(name) as handle:
            data = read_some(handle, most + 1, name)
        if len(data) > most:
            raise SourceFileError("too_large", f"'{name[-80:]}' is larger than {most >> 20} MB")
        return data


def _damaged(name: str) -> SourceFileError:
    return SourceFileError("archive_damaged", f"'{name[-80:]}' is damaged and cannot be unpacked")


def read_some(handle: BinaryIO, n: int, name: str) -> bytes:
    """Read the next bytes of a member.

    Raises:
        SourceFileError: it is damaged.
    """
    try:
        return handle.read(n)
    except FAULTS as problem:
        raise _damaged(name) from problem


def _is_fork(name: str) -> bool:
    parts = name.split("/")
    return parts[-1].startswith("._") or any(p.strip("_").casefold() == "macosx" for p in parts[:-1])


def open_container(path: Path) -> Container:
    """Open a folder or a zip archive.

    Raises:
        SourceFileError: the archive is damaged or made to harm.
    """
    if path.is_dir():
        found = sorted(p for p in path.rglob("*") if p.is_file() and not p.is_symlink())
        named = {p.relative_to(path).as_posix(): p for p in found}
        return Container({n: (lambda p=p: p.open("rb")) for n, p in named.items() if not _is_fork(n)})  # type: ignore[misc]
    archive = checked_archive(path)
    members = {}
    for info in archive.infolist():
        name = info.filename.replace("\\", "/")
        if not info.is_dir() and not stat.S_ISLNK(info.external_attr >> 16) and not _is_fork(name):
            members[name] = cast("Callable[[], BinaryIO]", lambda i=info: archive.open(i))
    return Container(members)
