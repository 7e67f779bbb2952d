"""The steps of a repair."""

import datetime as dt
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Step:
    """One kind of repair.

    Attributes:
        code: what was done, or could not be.
        count: the number of files it was done to.
        example: one of them.
    """

    code: str
    count: int
    example: str


@dataclass
class Outcome:
    """The steps of a repair: those done, and what is lost unless a backup is restored."""

    done: list[Step] = field(default_factory=list)
    lost: list[Step] = field(default_factory=list)

    def add(self, code: str, names: list[str]) -> None:
        """Note what was done to files, if any."""
        if names:
            self.done.append(Step(code, len(names), names[0]))

    def lose(self, code: str, names: list[str]) -> None:
        """Note what cannot be rebuilt, if anything."""
        if names:
            self.lost.append(Step(code, len(names), names[0]))


def stamp(now: dt.datetime) -> str:
    """Return a time as part of the name of something set aside."""
    return f"{now:%Y%m%d-%H%M%S}"
