"""Steps and outcome of a repair."""

import datetime as dt
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Step:
    """One kind of repair.

    Attributes:
        code: the repair that was done, or that is impossible.
        count: the number of files.
        example: the name of one file.
    """

    code: str
    count: int
    example: str


@dataclass
class Outcome:
    """Outcome of a repair: the steps done, and the data lost unless a backup is restored."""

    done: list[Step] = field(default_factory=list)
    lost: list[Step] = field(default_factory=list)

    def add(self, code: str, names: list[str]) -> None:
        """Add a completed step if it affected any file.

        Args:
            code: the repair that was done.
            names: the files affected; the first one is the step's example.
        """
        if names:
            self.done.append(Step(code, len(names), names[0]))

    def lose(self, code: str, names: list[str]) -> None:
        """Add the files that cannot be rebuilt, if any.

        Args:
            code: the repair that is impossible.
            names: the files lost; the first one is the step's example.
        """
        if names:
            self.lost.append(Step(code, len(names), names[0]))


def stamp(now: dt.datetime) -> str:
    """Return a timestamp for the name of a file or folder that is moved aside."""
    return f"{now:%Y%m%d-%H%M%S}"
