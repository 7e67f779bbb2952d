"""Translation of database errors into user errors: locked by another run, damaged, or a full disk."""

import errno
from pathlib import Path

from transforms.errors import DamagedError, LockedError, WorkspaceError

MAGIC, MAGIC_AT = b"DUCK", 8
REPAIR = "run 'taretrace repair' on the workspace"
LOCKED = ("Could not set lock", "Conflicting lock", "being used by another process")
"""Messages of DuckDB on a file that another process has locked; the last one is from Windows."""
DAMAGED = (
    "Corrupt",
    "not a valid DuckDB",
    "Could not read enough bytes",
    "database has been invalidated",
    "checksum",
    "Failed to load metadata pointer",
    "WAL",
)
FATAL = ("FatalException", "SerializationException")


def require_header(path: Path) -> None:
    """Reject a file that is not a DuckDB database without opening it: DuckDB would download readers for other formats.

    Raises:
        DamagedError: the path is a folder, or the file is empty or has another header.
    """
    if not path.exists():
        return
    head = b""
    if not path.is_dir():
        with path.open("rb") as file:
            head = file.read(MAGIC_AT + len(MAGIC))
    if head[MAGIC_AT:] != MAGIC:
        raise DamagedError("the warehouse is damaged: it is not a DuckDB file", where=str(path), remedy=REPAIR)


def translate_error(problem: Exception, path: Path, *, opening: bool = False) -> Exception:
    """Return the error to raise for a database error; return it unchanged if it is a programming error."""
    text, first = str(problem), str(problem).split("\n")[0][:200]
    if "No space left" in text:
        return OSError(errno.ENOSPC, "No space left on device")
    if any(words in text for words in LOCKED):
        return LockedError(
            "the warehouse is in use by another run",
            where=str(path),
            remedy="wait until the other run ends, then run the command again",
        )
    if opening and "Permission denied" in text:
        return WorkspaceError(
            "the warehouse cannot be opened", where=str(path), remedy="give this user read and write permission"
        )
    if "version number" in text:
        return DamagedError(
            "the warehouse was created by another version of DuckDB",
            where=str(path),
            remedy="install the taretrace version that created it, or run 'taretrace repair' on the workspace",
        )
    is_fatal = type(problem).__name__ in FATAL or any(words in text for words in DAMAGED)
    if is_fatal or (opening and type(problem).__name__ != "ConnectionException"):
        return DamagedError("the warehouse is damaged ({problem})", where=str(path), remedy=REPAIR, problem=first)
    return problem
