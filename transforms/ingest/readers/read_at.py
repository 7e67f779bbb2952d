"""Reads at a position of an open file, safe from several threads."""

import os
import threading

_lock = threading.Lock()


def read_at(fd: int, size: int, offset: int) -> bytes:
    """Return up to `size` bytes from a byte offset of an open file; fewer at its end.

    Windows has no `os.pread`. The position of the file is shared, so threads read one after the other.
    """
    with _lock:
        os.lseek(fd, offset, os.SEEK_SET)
        return os.read(fd, size)
