"""Safe opening of zip archives: limits on members, size and ratio, no outside paths, no unpacking to disk."""

import lzma
import struct
import zipfile
import zlib
from pathlib import Path, PurePosixPath

from transforms.contracts.reason import reason
from transforms.errors import SourceFileError

FAULTS = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    OSError,
    EOFError,
    ValueError,
    OverflowError,
    NotImplementedError,
    RuntimeError,
    struct.error,
)
"""Exceptions that the zip reader raises for damaged archives."""
MAX_MEMBERS = 20_000
MAX_UNPACKED_BYTES = 4 << 30
RATIO_FROM_BYTES = 64 << 20
MAX_RATIO = 300


def checked_archive(path: Path) -> zipfile.ZipFile:
    """Open a zip archive after checking its limits.

    Raises:
        SourceFileError: the file is not a zip archive, is damaged, or exceeds a limit.
    """
    try:
        archive = zipfile.ZipFile(path)
    except FAULTS as problem:
        raise SourceFileError("not_an_archive", reason("not_an_archive")) from problem
    try:
        _check(archive)
    except SourceFileError:
        archive.close()
        raise
    return archive


def _check(archive: zipfile.ZipFile) -> None:
    """Raise an error if an archive exceeds a limit, is encrypted, or contains a path outside its folder."""
    members = archive.infolist()
    if len(members) > MAX_MEMBERS:
        why = reason("archive_too_many_members", members=len(members), max_members=MAX_MEMBERS)
        raise SourceFileError("archive_too_many", why)
    size = sum(m.file_size for m in members)
    packed = max(1, sum(m.compress_size for m in members))
    if size > MAX_UNPACKED_BYTES or (size > RATIO_FROM_BYTES and size / packed > MAX_RATIO):
        why = reason("archive_too_large", packed_bytes=packed, unpacked_bytes=size)
        raise SourceFileError("archive_too_large", why)
    for member in members:
        name = member.filename.replace("\\", "/")
        if not name or name.startswith("/") or ":" in name.split("/")[0] or ".." in PurePosixPath(name).parts:
            raise SourceFileError("archive_path", reason("archive_path", path=name[:80]))
        if member.flag_bits & 0x1:
            raise SourceFileError("archive_locked", reason("archive_locked"))
