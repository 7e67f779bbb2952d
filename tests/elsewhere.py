"""What tests have other processes do: those find a function only where it can be imported from."""

import os

from transforms.spread import Shared


def total_and_place(job: tuple[Shared[list[int]], int]) -> tuple[int, int, int]:
    """Return which process this is, where it holds what is shared, and the sum of that and the job's own number."""
    held, k = job
    return os.getpid(), id(held.value), sum(held.value) + k
