"""Result type of the checks of joins."""

from dataclasses import dataclass

from transforms.contracts.reason import Reason


@dataclass(frozen=True)
class JoinFinding:
    """One failed join, or one pair of sources whose figures differ by a factor.

    Attributes:
        source: the mapping, site or list concerned.
        n: rows that do not join, or rows that a ratio is the median of.
        total: rows of the source.
        says: the finding as a reason; its code is the kind of finding.
        cause: the likely cause as a reason.
        remedy: the fix as a reason.
        ratio: median of the ratio between the sources; None for rows that do not join.
    """

    source: str
    n: int
    total: int
    says: Reason
    cause: Reason
    remedy: Reason
    ratio: float | None = None

    @property
    def share(self) -> float:
        """Fraction of the rows concerned, 0 to 1."""
        return self.n / self.total if self.total else 0.0
