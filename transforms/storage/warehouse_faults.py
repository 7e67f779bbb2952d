"""Translation of database errors into errors for people: locked by another run, damaged, or a full disk."""

import errno
from pathlib import Path

from transforms.errors import DamagedError, LockedError, WorkspaceError

MAGIC, MAGIC_AT = b"DUCK", 8
REPAIR = "run 'taretrace repair' on the workspace"
LOCKED = ("Could not set lock", "Conflicting lock")
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
    """Refuse a file that is not a DuckDB database, without opening it: the database would fetch readers for others.

    Raises:
        DamagedError: the file is a folder, is empty, or begins otherwise.
    """
    if not path.exists():
        return
    head = b""
    if not path.is_dir():
        with path.open("rb") as file:
            head = file.read(MAGIC_AT + len(MAGIC))
    if head[MAGIC_AT:] != MAGIC:
        raise DamagedError("the warehouse is damaged: it is not a DuckDB file", where=str(path), remedy=REPAIR)


def as_fault(problem: Exception, path: Path, *, opening: bool = False) -> Exception:
    """Return the error to raise for a database error; the same one if it is an error of the program."""
    text, first = str(problem), str(problem).split("\n")[0][:200]
    if "No space left" in text:
        return OSError(errno.ENOSPC, "No space left on device")
    if any(words in text for words in LOCKED):
        return LockedError(
            "the warehouse is in use by another run",
            where=str(path),
            remedy="wait until the other run has ended, then call again",
        )
    if opening and "Permission denied" in text:
        return WorkspaceError(
            "the warehouse cannot be opened", where=str(path), remedy="give this user the right to it"
        )
    if "version number" in text:
        return DamagedError(
            "the warehouse was made by another version of DuckDB",
            where=str(path),
            remedy=f"install the taretrace that made it, or {REPAIR}",
        )
    is_fatal = type(problem).__name__ in FATAL or any(words in text for words in DAMAGED)
    if is_fatal or (opening and type(problem).__name__ != "ConnectionException"):
        return DamagedError(f"the warehouse is damaged ({first})", where=str(path), remedy=REPAIR)
    return problem
