"""Codes of failed reads: the reader failed, not the file's content."""

from typing import Literal

FailureCode = Literal["reader_died", "reader_memory", "reader_time", "system_error", "internal_error"]
"""Code of a failed read; a system error, such as of the disk, is not recorded against the file."""
