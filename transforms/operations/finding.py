"""Result type of the health checks."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Finding:
    """The result of one check.

    Attributes:
        check: the subject of the check.
        state: `fine`; `note`, harmless; `wrong`, needs a fix.
        says: the message.
        remedy: the fix.
        code: the kind of damage if stored data are damaged; else empty.
    """

    check: str
    state: Literal["fine", "note", "wrong"]
    says: str
    remedy: str = ""
    code: str = ""
