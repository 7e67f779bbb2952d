"""What can be wrong with a call or a workspace, said in one sentence."""

from functools import partial
from typing import Any


def is_panic(problem: BaseException) -> bool:
    """Return True if a library written in Rust failed: its panics are not of the class `Exception`."""
    return not isinstance(problem, Exception) and type(problem).__name__ == "PanicException"


class WorkspaceError(Exception):
    """The call or the workspace is wrong; exit code 2.

    The message is one sentence of three parts: what is wrong, where, and how to remedy it.
    """

    def __init__(self, what: str, *, where: str, remedy: str) -> None:
        self.what, self.where, self.remedy = what, where, remedy
        super().__init__(f"{what} in {where}: {remedy}")

    def __reduce__(self) -> tuple[Any, ...]:
        """Keep all three parts when another process raises it."""
        return partial(type(self), where=self.where, remedy=self.remedy), (self.what,)


class LockedError(WorkspaceError):
    """Another run uses the warehouse."""


class DamagedError(WorkspaceError):
    """A stored file is missing or damaged; the run stops before any table changes."""


class ConsistencyError(Exception):
    """Stored tables contradict each other: an internal error, whatever the data; exit code 3.

    The message names the check and a count, no content of a file.
    """

    def __init__(self, check: str, rows: int) -> None:
        self.check, self.rows = check, rows
        super().__init__(f"the consistency check {check} found {rows:,} rows")

    def __reduce__(self) -> tuple[type["ConsistencyError"], tuple[str, int]]:
        """Return how another process makes the same error."""
        return ConsistencyError, (self.check, self.rows)


class SourceFileError(Exception):
    """A source file as a whole cannot be read; it becomes one rejected row, never a crash."""

    def __init__(self, rule: str, says: str) -> None:
        self.rule, self.says = rule, says
        super().__init__(says)

    def __reduce__(self) -> tuple[type["SourceFileError"], tuple[str, str]]:
        """Pass from one process to another."""
        return SourceFileError, (self.rule, self.says)
