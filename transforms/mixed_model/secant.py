"""Secant-accelerated fixed-point iteration of a positive number, for maps that plain iteration approaches slowly."""

from dataclasses import dataclass, field

import numpy as np

SETTLED = 0.02
"""Relative difference between input and output below which the iteration has converged."""
STEEPEST = 0.9
"""Upper limit of the secant's slope: one step goes at most ten times as far as a plain iteration."""


@dataclass
class SecantIteration:
    """Fixed-point iteration with secant steps on the log scale.

    Attributes:
        floor: lower bound of inputs and outputs.
        iterations: iterations so far, as (input, output).
    """

    floor: float
    iterations: list[tuple[float, float]] = field(default_factory=list)

    @property
    def settled(self) -> bool:
        """True if the last output, or the floor if it is larger, equals the input within `SETTLED`."""
        last_in, last_out = self.iterations[-1]
        return abs(max(last_out, self.floor) / last_in - 1) < SETTLED

    def next(self) -> float:
        """Return the next input: the secant's fixed point on the log scale; after one iteration, its output."""
        (last_in, last_out), *earlier = np.log(
            np.maximum(self.iterations[-1:] + self.iterations[-2:-1], self.floor)
        ).tolist()
        moved = last_in - earlier[0][0] if earlier else 0.0
        slope = (last_out - earlier[0][1]) / moved if moved else 0.0
        return max(float(np.exp(last_in + (last_out - last_in) / (1 - np.clip(slope, 0.0, STEEPEST)))), self.floor)
