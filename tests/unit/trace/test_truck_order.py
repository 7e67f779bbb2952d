from itertools import pairwise, product

import numpy as np
import pytest

from transforms.trace.load_ends_hmm import Departures
from transforms.trace.truck_order import ServiceOrder, Slots, align

SLOTS = 60


def planted_queue(seed: int, *, in_order: bool) -> tuple[Slots, Departures, np.ndarray, np.ndarray]:
    """Fillings of two machines, and trucks of one pool that return at least 5 min before they are filled."""
    rng = np.random.default_rng(seed)
    start = np.sort(np.concatenate([11.0 * np.arange(SLOTS / 2), 11.0 * np.arange(SLOTS / 2) + 5.0]))
    slots = Slots(start, np.full(SLOTS, 2.0), start + 11, np.full(SLOTS, 2.0))
    wait = np.full(SLOTS, 12.0) if in_order else rng.uniform(5, 55, SLOTS)
    back = start - wait + rng.normal(0, 1, SLOTS)
    left = start + 11 + rng.normal(0, 4, SLOTS)
    order = np.argsort(left)
    return slots, Departures(left[order], np.full(SLOTS, 4.0), np.full(SLOTS, 27.0)), back[order], order


def test_messages_and_likelihood_are_those_of_full_enumeration():
    rng = np.random.default_rng(4)
    n, k = 3, 4
    seen, step = rng.uniform(0.1, 1, (n, k)), rng.dirichlet(np.ones(k), k)
    swap = np.array([[0.0, 0.8, 0.2], [0.2, 0.7, 0.1], [0.1, 0.9, 0.0]])
    message, log_likelihood = align(seen, swap, step)
    total, expected = 0.0, np.zeros((n, k))
    for path in product(range(k), repeat=n):
        prior = np.prod([1 / k, *(step[a, b] for a, b in pairwise(path))])
        for moves in product((-1, 0, 1), repeat=n):
            at = [u + d for u, d in zip(path, moves, strict=True)]
            if not all(0 <= a < k for a in at):
                continue
            chance = prior * np.prod([swap[i, d + 1] for i, d in enumerate(moves)])
            total += chance * np.prod(seen[range(n), at])
            for i in range(n):
                expected[i, at[i]] += chance * np.prod([seen[j, at[j]] for j in range(n) if j != i])
    assert log_likelihood == pytest.approx(np.log(total))
    assert message == pytest.approx(expected / expected.sum(axis=1, keepdims=True))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_planted_queue_shows_the_slot_of_each_truck_without_its_own_departure(seed: int):
    slots, loads, back, slot = planted_queue(seed, in_order=True)
    order = ServiceOrder.of(slots, loads, back)
    assert order is not None
    assert (np.abs(order.message.argmax(axis=1) - slot) <= 1).mean() > 0.95
    by_order = order.message @ slots.start_min - slots.start_min[slot]
    assert np.sqrt((by_order**2).mean()) < 4.0
    assert order.probability > 0.9


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_pool_that_is_served_in_any_order_is_found_to_be_so(seed: int):
    slots, loads, back, _ = planted_queue(seed, in_order=False)
    order = ServiceOrder.of(slots, loads, back)
    assert order is not None
    assert order.probability < 0.5


def test_a_truck_that_comes_once_has_weight_one_and_too_few_returns_show_nothing():
    slots, loads, back, slot = planted_queue(1, in_order=True)
    once = np.where(np.arange(SLOTS) == 20, np.nan, back)
    order = ServiceOrder.of(slots, loads, once)
    assert order is not None
    begin = np.arange(0.0, 340.0)
    weight = order.weights(np.array([20, 30]), begin, np.full(2, 10.0), 1.0)
    assert (weight[0] == 1).all()
    # A load of ten cells that began at its slot ends ten cells later.
    assert abs(begin[weight[1].argmax()] - 10 - slots.start_min[slot[30]]) < 8
    assert weight[1].max() > 5
    assert (order.weights(np.array([30]), begin, np.full(1, 10.0), 0.0) == 1).all()
    assert ServiceOrder.of(slots, loads, np.where(np.arange(SLOTS) < 5, back, np.nan)) is None
