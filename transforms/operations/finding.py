"""Result type of the health checks."""

from dataclasses import dataclass
from typing import Literal

from transforms.contracts.reason import ERROR_TEXT, Reason, reason
from transforms.errors import WorkspaceError


@dataclass(frozen=True)
class Finding:
    """The result of one check.

    Attributes:
        check: the subject of the check.
        state: `fine`; `note`, harmless; `wrong`, needs a fix.
        says: the message as a reason.
        remedy: the fix as a reason; None if there is nothing to fix.
        code: the kind of damage if stored data are damaged; else empty.
    """

    check: str
    state: Literal["fine", "note", "wrong"]
    says: Reason
    remedy: Reason | None = None
    code: str = ""


def error_what(problem: WorkspaceError) -> Reason:
    """Return the fault that an error reports, as a reason."""
    return reason(ERROR_TEXT, english=problem.texts.what, **problem.values)


def error_remedy(problem: WorkspaceError) -> Reason:
    """Return the remedy that an error names, as a reason."""
    return reason(ERROR_TEXT, english=problem.texts.remedy, **problem.values)
