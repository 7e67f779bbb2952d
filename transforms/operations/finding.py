"""A finding of the doctor."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Finding:
    """The result of one check.

    Attributes:
        check: what was looked at.
        state: `fine`; `note`, harmless; `wrong`, to be put right.
        says: what was found.
        remedy: how to put it right.
        code: which damage it is, where it is one of stored data.
    """

    check: str
    state: Literal["fine", "note", "wrong"]
    says: str
    remedy: str = ""
    code: str = ""
