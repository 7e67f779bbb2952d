"""A finding of the doctor."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Finding:
    """What was looked at, and what came of it.

    Attributes:
        check: what was looked at.
        state: `fine`; `note`, nothing to do; `wrong`, to be mended.
        says: what was found.
        mend: how to mend it.
        code: which damage it is, where it is one of stored data.
    """

    check: str
    state: Literal["fine", "note", "wrong"]
    says: str
    mend: str = ""
    code: str = ""
