"""Exceptions of taretrace, by audience: user, workspace, internal error, source file."""

from functools import partial
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from transforms.contracts.reason import Reason


def is_panic(problem: BaseException) -> bool:
    """Return True if a library written in Rust panicked: its panics do not derive from `Exception`."""
    return not isinstance(problem, Exception) and type(problem).__name__ == "PanicException"


class WorkspaceError(Exception):
    """A user error in the command or the workspace; exit code 2.

    The message is one sentence of three parts: what is wrong, where, and what to do.
    """

    def __init__(self, what: str, *, where: str, remedy: str) -> None:
        self.what, self.where, self.remedy = what, where, remedy
        super().__init__(f"{what} in {where}: {remedy}")

    def __reduce__(self) -> tuple[Any, ...]:
        """Keep all three parts when another process raises the error."""
        return partial(type(self), where=self.where, remedy=self.remedy), (self.what,)


class LockedError(WorkspaceError):
    """Another run is using the warehouse."""


class DamagedError(WorkspaceError):
    """A stored file is missing or damaged; the run stops before any table changes."""


class ConsistencyError(Exception):
    """Contradiction between stored tables: an internal error for any input data; exit code 3.

    The message names the check and a count, never file contents.
    """

    def __init__(self, check: str, rows: int) -> None:
        self.check, self.rows = check, rows
        super().__init__(f"the consistency check {check} found {rows:,} rows")

    def __reduce__(self) -> tuple[type["ConsistencyError"], tuple[str, int]]:
        """Keep the check and the count when another process raises the error."""
        return ConsistencyError, (self.check, self.rows)


class SourceFileError(Exception):
    """A source file that cannot be read at all; it becomes one rejected row, never a crash.

    Attributes:
        rule: code of the rule that the file breaks.
        reason: the reason for rejecting it.
    """

    def __init__(self, rule: str, reason: "Reason") -> None:
        self.rule, self.reason = rule, reason
        super().__init__(rule, reason)  # the arguments keep both when another process raises the error
