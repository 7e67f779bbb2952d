"""Content-addressed compressed copies of received files, used to read a file again after it has left the inbox.

A copy is `received/<2 hex>/<sha256>.<form>`; the record beside it (`<sha256>.json`) contains the names and dates under
which the content was received. The record remains when the copy expires, so the records list everything received.
"""

import datetime as dt
import hashlib
import json
import os
import shutil
import tarfile
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import IO, Any, Literal

import pyarrow as pa

from transforms.ingest.inbox import InboxFile, content_hash, members_of
from transforms.storage.atomic_file import replace_atomically, write_bytes

READ_BYTES = 1 << 20
COMPRESSED = (b"PK\x03\x04", b"PAR1", b"\x1f\x8b", b"\x28\xb5\x2f\xfd", b"BZh", b"\xfd7zXZ")
"""Magic bytes of file formats that are already compressed."""
FRAME_BYTES, FRAMES_AT_ONCE = 16 << 20, 2
Form = Literal["zst", "raw", "tar.zst", ""]


@dataclass(frozen=True)
class Copy:
    """The record of a received content.

    Attributes:
        sha: the sha-256 of the content.
        names: (path relative to the inbox, modification time in ns); the name it was ingested under comes first.
        size: size of the content in bytes.
        received_at: time of first ingestion, ISO 8601.
        form: storage format of the copy; empty if there is no copy (any more).
        stored_bytes: size of the stored copy in bytes.
        stored_sha256: checksum of the stored copy.
    """

    sha: str
    names: tuple[tuple[str, int], ...]
    size: int
    received_at: str
    form: Form = ""
    stored_bytes: int = 0
    stored_sha256: str = ""

    @property
    def file(self) -> str:
        """Name under which the content was ingested."""
        return self.names[0][0]

    def as_found(self) -> list[InboxFile]:
        """Return the content as inbox files, one per name."""
        return [InboxFile(Path(file), file, self.sha, self.size, changed) for file, changed in self.names]


class _Measured:
    """Writable file that counts and hashes its bytes."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file, self._digest, self.size, self.closed = file, hashlib.sha256(), 0, False

    def write(self, body: Any) -> int:
        self._digest.update(body)
        self.size += len(body)
        return self._file.write(body)

    def flush(self) -> None:
        self._file.flush()

    def close(self) -> None:
        self._file.flush()
        self.closed = True

    @property
    def sha256(self) -> str:
        return self._digest.hexdigest()


def _form_of(path: Path) -> Form:
    """Return the storage format for a file or folder."""
    if path.is_dir():
        return "tar.zst"
    with path.open("rb") as file:
        return "raw" if file.read(6).startswith(COMPRESSED) else "zst"


def _pack(path: Path, form: Form, into: _Measured) -> None:
    """Write a file or folder in its storage format."""
    if form == "raw":
        with path.open("rb") as file:
            shutil.copyfileobj(file, into, READ_BYTES)
        return
    if form == "zst":
        _compress(path, into)
        return
    with (
        pa.CompressedOutputStream(pa.PythonFile(into, mode="w"), "zstd") as out,
        tarfile.open(fileobj=out, mode="w|", format=tarfile.PAX_FORMAT) as tar,
    ):
        for member in members_of(path):
            tar.add(member, arcname=member.relative_to(path).as_posix(), recursive=False)


def _compress(path: Path, into: "_Measured | IO[bytes]") -> None:
    """Write a file as consecutive Zstandard frames (RFC 8878), which are compressed side by side and read as one."""
    codec, waiting = pa.Codec("zstd"), deque[Future[bytes]]()
    with path.open("rb") as file, ThreadPoolExecutor(FRAMES_AT_ONCE) as pool:  # compression releases the GIL
        waiting.append(pool.submit(codec.compress, file.read(FRAME_BYTES), asbytes=True))  # an empty file is one frame
        while block := file.read(FRAME_BYTES):
            waiting.append(pool.submit(codec.compress, block, asbytes=True))
            if len(waiting) > FRAMES_AT_ONCE:
                into.write(waiting.popleft().result())
        for frame in waiting:
            into.write(frame.result())


class ReceivedCopies:
    """Folder of copies, accessible only to the current user."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def _record_path(self, sha: str) -> Path:
        return self.folder / sha[:2] / f"{sha}.json"

    def path_of(self, copy: Copy) -> Path:
        """Return the path of a copy."""
        return self.folder / copy.sha[:2] / f"{copy.sha}.{copy.form}"

    def index(self) -> dict[str, Copy]:
        """Return all records by content hash; damaged records are omitted."""
        found = (_read_record(p) for p in sorted(self.folder.glob("??/*.json")))
        return {copy.sha: copy for copy in found if copy is not None}

    def readable(self) -> set[str]:
        """Return the hashes of contents that have a copy."""
        return {sha for sha, copy in self.index().items() if self.is_there(copy)}

    def damaged_records(self) -> list[Path]:
        """Return the paths of records that cannot be read."""
        return [p for p in sorted(self.folder.glob("??/*.json")) if _read_record(p) is None]

    def is_there(self, copy: Copy) -> bool:
        """Return True if a copy exists and has its recorded size."""
        path = self.path_of(copy)
        return bool(copy.form) and path.is_file() and path.stat().st_size == copy.stored_bytes

    def is_whole(self, copy: Copy) -> bool:
        """Return True if a copy exists and has its recorded checksum."""
        return self.is_there(copy) and content_hash(self.path_of(copy)) == copy.stored_sha256

    def _write_record(self, copy: Copy) -> None:
        path = self._record_path(copy.sha)
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        write_bytes(json.dumps(asdict(copy)).encode(), path)
        path.chmod(0o600)

    def note(self, copy: Copy) -> None:
        """Write the record of a content, replacing an earlier record."""
        self._write_record(copy)

    def store_copy(self, found: InboxFile, copy: Copy) -> Copy | None:
        """Store a copy and its record; return the record, or None if the file changed meanwhile."""
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        form = _form_of(found.path)
        stored = replace(copy, form=form)
        path = self.path_of(stored)
        path.parent.mkdir(mode=0o700, exist_ok=True)
        with replace_atomically(path) as partial:
            # Windows would translate line ends in a file that is opened without O_BINARY.
            flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0)
            with os.fdopen(os.open(partial, flags, 0o600), "wb") as file:
                measured = _Measured(file)
                _pack(found.path, form, measured)
        if not found.is_unchanged():
            path.unlink()
            return None
        stored = replace(stored, stored_bytes=measured.size, stored_sha256=measured.sha256)
        self._write_record(stored)
        return stored

    def sized(self, copy: Copy, found: InboxFile) -> Copy:
        """Return a record completed with the size of its unpacked content."""
        return replace(copy, size=sum(m.stat().st_size for m in members_of(found.path)))

    def drop(self, copy: Copy) -> int:
        """Remove a copy but keep its record; return the number of bytes freed."""
        self._write_record(replace(copy, form="", stored_bytes=0, stored_sha256=""))
        with suppress(FileNotFoundError):
            self.path_of(copy).unlink()
        return copy.stored_bytes

    @contextmanager
    def unpacked(self, copies: list[Copy], folder: Path) -> Iterator[list[InboxFile]]:
        """Yield copies unpacked as readable files, and remove these files afterwards; damaged copies are omitted."""
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(mode=0o700, parents=True)
        try:
            out = (self._unpack(copy, folder / str(k)) for k, copy in enumerate(copies))
            yield [found for found in out if found is not None]
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    def _unpack(self, copy: Copy, folder: Path) -> InboxFile | None:
        folder.mkdir(mode=0o700)
        path, changed = folder / Path(copy.file).name, copy.names[0][1]
        if not self.is_whole(copy):
            return None
        with self.path_of(copy).open("rb") as file:
            if copy.form == "raw":
                with path.open("wb") as out:
                    shutil.copyfileobj(file, out, READ_BYTES)
            else:
                _decompress(file, path, is_folder=copy.form == "tar.zst")
        if content_hash(path) != copy.sha:
            return None
        for member in members_of(path):
            os.utime(member, ns=(changed, changed))
        return InboxFile(path, copy.file, copy.sha, copy.size, changed)


def _decompress(file: IO[bytes], path: Path, *, is_folder: bool) -> None:
    with pa.CompressedInputStream(pa.PythonFile(file, mode="r"), "zstd") as body:
        if is_folder:
            path.mkdir()
            with tarfile.open(fileobj=body, mode="r|") as tar:
                tar.extractall(path, filter="data")
        else:
            with path.open("wb") as out:
                shutil.copyfileobj(body, out, READ_BYTES)


def _read_record(path: Path) -> Copy | None:
    try:
        table = json.loads(path.read_text("utf-8"))
        names = tuple((str(file), int(changed)) for file, changed in table.pop("names"))
        copy = Copy(names=names, **table)
        dt.datetime.fromisoformat(copy.received_at)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
    return copy if names and copy.sha == path.stem else None
