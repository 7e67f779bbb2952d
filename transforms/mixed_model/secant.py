"""A number that a calculation gives back: looked for by the secant, where turn by turn comes near too slowly."""

from dataclasses import dataclass, field

import numpy as np

SETTLED = 0.02
"""A number counts as given back within this part of it."""
STEEPEST = 0.9
"""Slope of the secant from which it is not believed: one jump goes no further than ten turns would come."""


@dataclass
class SecantIteration:
    """The turns so far, (put in, given back) each; all above `floor`."""

    floor: float
    turns: list[tuple[float, float]] = field(default_factory=list)

    @property
    def settled(self) -> bool:
        """Whether the last turn gave back what was put in, or would have it go on at the floor."""
        put, given = self.turns[-1]
        return abs(max(given, self.floor) / put - 1) < SETTLED

    def next(self) -> float:
        """Return what to put in next: the secant's zero on the log scale; after one turn, what it gave back."""
        (put, given), *earlier = np.log(np.maximum(self.turns[-1:] + self.turns[-2:-1], self.floor)).tolist()
        moved = put - earlier[0][0] if earlier else 0.0
        slope = (given - earlier[0][1]) / moved if moved else 0.0
        return max(float(np.exp(put + (given - put) / (1 - np.clip(slope, 0.0, STEEPEST)))), self.floor)
