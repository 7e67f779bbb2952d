"""The fixed point of a calculation is found in fewer iterations than by repeating it."""

import pytest

from transforms.mixed_model.secant import SecantIteration


@pytest.mark.parametrize("slope", [0.0, 0.5, 0.85, 0.98])
@pytest.mark.parametrize("start", [0.003, 5.0])
def test_a_power_law_is_solved_in_few_turns(slope, start):
    looked, put, answer = SecantIteration(floor=1e-6), start, 0.04
    for _ in range(6 if slope < 0.9 else 60):
        looked.iterations.append((put, answer * (put / answer) ** slope))
        put = looked.next()
    # Near a slope of one the secant is held back, and what is settled may still be far: then it must have come nearer.
    near = abs(put / answer - 1)
    assert near < 0.02 if slope < 0.9 else near < abs(start / answer - 1) / 10
    assert looked.settled == (abs(looked.iterations[-1][1] / looked.iterations[-1][0] - 1) < 0.02)


def test_at_the_floor_it_ends():
    looked = SecantIteration(floor=0.01, iterations=[(0.05, 0.002)])
    assert looked.next() == pytest.approx(0.01)
    looked.iterations.append((0.01, 0.001))
    assert looked.settled
    looked.iterations.append((0.01, 0.001))
    assert looked.next() == pytest.approx(0.01)


def test_after_one_turn_it_goes_on_with_what_was_given_back():
    assert SecantIteration(floor=0.0, iterations=[(4.0, 3.0)]).next() == pytest.approx(3.0)
