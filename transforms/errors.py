"""Exceptions of taretrace, by audience: user, workspace, internal error, source file."""

import traceback
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from transforms.contracts.reason import Reason


def is_panic(problem: BaseException) -> bool:
    """Return True if a library written in Rust panicked: its panics do not derive from `Exception`."""
    return not isinstance(problem, Exception) and type(problem).__name__ == "PanicException"


def locate_error(problem: BaseException) -> str:
    """Return the type and code location of an error; never its text, which may contain data from a file."""
    frames = traceback.extract_tb(problem.__traceback__)
    place = f" at {Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else ""
    return f"{type(problem).__name__}{place}"


class ErrorTexts(NamedTuple):
    """English parts of an error: what is wrong, where, and what to do."""

    what: str
    where: str
    remedy: str


class WorkspaceError(Exception):
    """A user error in the command or the workspace; exit code 2.

    The message is one sentence of three parts: what is wrong, where, and what to do. Commands translate the parts, so
    what they name is given as `values` and is in braces in the texts.

    Attributes:
        texts: the English parts, with the names of values in braces.
        values: values that are inserted in the fault and in the remedy.
        what: what is wrong, in English.
        where: where it is wrong.
        remedy: what to do, in English.
    """

    def __init__(self, what: str, *, where: str, remedy: str, **values: Any) -> None:
        self.texts, self.values = ErrorTexts(what, where, remedy), values
        self.what, self.remedy = (text.format(**values) if values else text for text in (what, remedy))
        self.where = where
        super().__init__(f"{self.what} in {self.where}: {self.remedy}")

    def __reduce__(self) -> tuple[Any, ...]:
        """Keep all parts when another process raises the error."""
        what, where, remedy = self.texts
        return partial(type(self), where=where, remedy=remedy, **self.values), (what,)


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
