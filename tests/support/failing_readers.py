"""Readers that fail on files named after the failure; another process imports this module by its own name."""

import errno
import os
import time
from pathlib import Path

import polars as pl

from transforms.ingest.file_read import FileRead, ReadJob
from transforms.ingest.read_file import read_file


def fail(name: str) -> None:
    """Fail as the name says."""
    if "abort" in name:
        os.abort()
    if "leaves" in name:
        os._exit(7)
    if "panic" in name:
        raise pl.exceptions.PanicException("grower 17")
    if "bug" in name:
        raise KeyError("grower 17")
    if "disk" in name:
        raise OSError(errno.EIO, "Input/output error")


def read(job: ReadJob) -> FileRead:
    """Read a file unless its name says otherwise."""
    fail(job.found.path.name)
    return read_file(job)


def read_slowly(job: ReadJob) -> FileRead:
    """Read a file after a while."""
    time.sleep(0.5)
    return read_file(job)


def look(path: Path, *_: object) -> None:
    """Look at a file as its name says."""
    fail(path.name)


def allocate(rows: int) -> int:
    """Ask polars for far too much memory: it aborts."""
    return pl.zeros(rows, eager=True).len()


def grow(step_bytes: int) -> None:
    """Take more and more memory."""
    held = []
    while True:
        held.append(bytearray(os.urandom(1024)) * (step_bytes // 1024))


def look_first(path: Path, *_: object) -> None:
    """Look at a file's first rows as its name says."""
    fail(path.name)
