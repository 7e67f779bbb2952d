"""Atomic file writes, and removal of the temporary files of interrupted writes."""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

PARTIAL = (".partial", ".partial.xlsx", ".partial.wal")
"""Suffixes of unfinished files; every writer of the project uses one of these."""


def unfinished(path: Path) -> Path:
    """Return the temporary path beside a path."""
    return path.with_name(f".{path.name}.partial")


@contextmanager
def replace_atomically(path: Path, *, sync: bool = True) -> Iterator[Path]:
    """Yield a temporary path to write; rename it to `path` if the block succeeds, remove it otherwise."""
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = unfinished(path)
    try:
        yield partial
        if sync:
            with partial.open("r+b") as handle:  # Windows flushes only files that are open for writing
                os.fsync(handle.fileno())
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)


def write_bytes(body: bytes | memoryview, path: Path, *, sync: bool = True) -> None:
    """Write bytes so that a reader sees either the old file or the new one, never a partial file."""
    with replace_atomically(path, sync=sync) as partial:
        partial.write_bytes(body)


def remove_partials(folder: Path, *, below: bool = True) -> int:
    """Remove the unfinished files of a folder that no other run uses; return the number removed.

    Args:
        folder: the folder; it may be missing.
        below: include its subfolders.
    """
    removed = 0
    for place, folders, names in os.walk(folder):
        for name in names:
            if name.endswith(PARTIAL):
                with suppress(FileNotFoundError):
                    (Path(place) / name).unlink()
                    removed += 1
        if not below:
            folders.clear()
    return removed
