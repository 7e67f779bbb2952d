"""Steps of the load end chain against their definition, written out cell by cell."""

import numpy as np
import pytest
from numpy.typing import NDArray

from transforms.trace.load_steps import (
    LOAD_SD,
    LOAD_SD_T,
    SCALE_MOVES,
    UNTICKETED_PROBABILITY,
    UNTICKETED_T,
    LoadSteps,
)

Array = NDArray[np.float64]
CELLS = 60
SCALES = 0.9 * np.exp(0.035 * np.arange(7))


def by_definition(weight: Array, delivered_t: float, scale: Array, cells: int) -> Array:
    """Return the weights after a load, shape (S, cells): each part of the step as its own loop over the cells."""
    decay = np.exp(-1 / UNTICKETED_T)
    sd = np.hypot(LOAD_SD * delivered_t, LOAD_SD_T)
    half = int(np.ceil(3 * sd))
    taps = np.exp(-0.5 * (np.arange(-half, half + 1) / sd) ** 2)
    taps /= taps.sum()
    smoothed = np.zeros((scale.size, cells))
    for s in range(scale.size):
        ready, skipped = np.zeros(cells), 0.0
        for k in range(cells):
            at = weight[s, k] if k < weight.shape[1] else 0.0
            skipped = decay * skipped + (1 - decay) * at
            ready[k] = (1 - UNTICKETED_PROBABILITY) * at + UNTICKETED_PROBABILITY * skipped
        moved, size = np.zeros(cells), delivered_t / scale[s]
        whole = int(size)
        for k in range(cells - whole):
            moved[k + whole] += (1 - size + whole) * ready[k]
            if k + whole + 1 < cells:
                moved[k + whole + 1] += (size - whole) * ready[k]
        for k in range(cells):
            for off in range(-half, half + 1):
                if 0 <= k + off < cells:
                    smoothed[s, k] += taps[off + half] * moved[k + off]
    out = (1 - SCALE_MOVES) * smoothed
    for s in range(scale.size):
        for near in (s - 1, s + 1):
            out[s] += SCALE_MOVES / 2 * smoothed[min(max(near, 0), scale.size - 1)]
    return out


@pytest.mark.parametrize("scale", [SCALES, SCALES[:1], 0.5 * np.exp(0.2 * np.arange(5))])
@pytest.mark.parametrize("delivered_t", [1.3, 9.0, 31.7, 44.2])
def test_a_step_agrees_with_its_definition(delivered_t: float, scale: Array):
    rng = np.random.default_rng(round(delivered_t))
    steps = LoadSteps(np.array([27.0, delivered_t]), scale, CELLS)
    weight = rng.uniform(0, 1, (scale.size, 12))
    expected = by_definition(weight, delivered_t, scale, CELLS)
    for _ in range(2):  # buffers that an earlier step has filled change nothing
        assert steps.forward(weight, 1, CELLS, CELLS) == pytest.approx(expected, rel=1e-12, abs=1e-15)
        part = steps.forward(weight, 1, 20, CELLS)
        assert part == pytest.approx(expected[:, :20], rel=1e-12, abs=1e-15)
        steps.forward(rng.uniform(0, 1, (scale.size, 50)), 0, CELLS, CELLS)


@pytest.mark.parametrize("first", [0, 3, 25])
@pytest.mark.parametrize("delivered_t", [2.0, 24.0])
def test_the_step_back_is_the_transpose(delivered_t: float, first: int):
    rng = np.random.default_rng(first)
    steps = LoadSteps(np.array([delivered_t, 40.0]), SCALES, 200)
    before, after = rng.uniform(0, 1, (7, 30)), np.zeros((7, 150))
    after[:, first : first + 40] = rng.uniform(0, 1, (7, 40))
    forward = steps.forward(before, 0, 150, 200)
    for _ in range(2):
        back = steps.backward(after[:, first : first + 40], 0, first, 30)
        assert (back * before).sum() == pytest.approx((after * forward).sum(), rel=1e-12)
        steps.backward(rng.uniform(0, 1, (7, 90)), 1, 0, 60)


def test_beyond_the_load_weights_fall_by_the_same_ratio():
    steps = LoadSteps(np.array([24.0]), SCALES, 400)
    found = steps.forward(np.ones((7, 10)), 0, 300, 400)
    tail = found[:, 10 + int(steps.whole[0, 0] + steps.half[0]) + 1 :]
    assert tail[:, 1:] == pytest.approx(tail[:, :-1] * steps.decay, rel=1e-12)
