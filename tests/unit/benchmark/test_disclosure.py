"""Disclosure control of marks: attacks on the printed numbers, and the bound on one subject's influence."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from transforms.benchmark.disclosure import (
    DOMINATED,
    DOUBLINGS,
    MIN_COMPARED,
    QUANTILES,
    TOO_FAR_APART,
    TOO_FEW_COMPARED,
    TOO_FEW_OTHERS,
    WIDTH,
    band,
    mean_sensitivity,
    round_to_step,
    step_for,
    withholding_reason,
)

BASE = 0.1
CALM = settings(deadline=None, max_examples=60)


def growers(n: int, seed: int = 0) -> np.ndarray:
    """Invented effects of n growers, in no order."""
    return np.random.default_rng([n, seed]).normal(0, 0.35, n)


def weights(n: int, name: str, shift: float = 0.0) -> np.ndarray:
    """Weights of the order statistics in a mark, written again from (8.1) of benchmark/METHODS.md, shape (n,)."""
    centre, k = 1 + QUANTILES[name] * (n - 1) + shift, np.arange(1, n + 1)
    return np.clip(np.minimum(k, centre + 3) - np.maximum(k, centre - 3) + 1, 0, 1) / 7


def former_weights(n: int, name: str) -> np.ndarray:
    """Weights of the rule before: the mean of all growers within 1.5 / n of the quantile, unrounded."""
    near = np.abs(np.arange(n) / (n - 1) - QUANTILES[name]) <= 1.5 / n
    return near / near.sum()


def derived(rows: list[np.ndarray], low: list[float], high: list[float], known: dict[int, float]) -> np.ndarray | None:
    """Return the interval that an attacker derives for each ordered value, shape (n, 2); None if there is none.

    The attacker knows `low <= rows @ x <= high`, that x ascends, and the exact values at some ranks.
    """
    n = rows[0].size
    ascending = [np.eye(n)[k] - np.eye(n)[k + 1] for k in range(n - 1)]
    A = np.array([*rows, *(-r for r in rows), *ascending])
    b = np.array([*high, *(-v for v in low), *[0.0] * (n - 1)])
    bounds = [(known[k], known[k]) if k in known else (-20, 20) for k in range(n)]
    ends = np.empty((n, 2))
    for k in range(n):
        both = [linprog(s * np.eye(n)[k], A_ub=A, b_ub=b, bounds=bounds, method="highs") for s in (1, -1)]
        if any(found.status != 0 for found in both):
            return None
        ends[k] = both[0].fun, -both[1].fun
    return ends


def attacked(values: np.ndarray, readers: list[int], *, know_thirds: bool = False) -> np.ndarray:
    """Return the width of the interval that readers derive for each ordered value, in steps of the band, shape (n,).

    No page shows a rank, so the readers consider all ranks that they may have, or all in their thirds.
    """
    ordered, n, found = np.sort(values), values.size, band(values, BASE)
    assert found.step is not None
    rows, low, high = [], [], []
    for name, mark in found.marks.items():
        w = weights(n, name)
        rows += [w, weights(n, name, 1.0) - w, w - weights(n, name, -1.0)]
        low += [mark - found.step / 2, 0.0, 0.0]
        high += [mark + found.step / 2, found.step, found.step]
    every = []
    for d in range(-min(readers), n - max(readers)):
        if know_thirds and any(3 * (k + d) // n != 3 * k // n for k in readers):
            continue
        ends = derived(rows, low, high, {k + d: ordered[k] for k in readers})
        every += [ends] if ends is not None else []
    return (np.max(every, axis=0)[:, 1] - np.min(every, axis=0)[:, 0]) / found.step


@pytest.mark.parametrize(
    ("n", "seed"), [(10, 0), pytest.param(13, 0, marks=pytest.mark.slow), pytest.param(17, 1, marks=pytest.mark.slow)]
)
@pytest.mark.parametrize("readers", [[1], [4, 7]], ids=["one reader", "two who collude"])
def test_no_value_is_derived_more_closely_than_a_step(n, seed, readers):
    assert attacked(growers(n, seed), readers).min() >= 1 - 1e-9


@pytest.mark.slow
def test_known_thirds_narrow_no_value_down_to_a_third_of_a_step():
    """The worst of 120 invented bands: two marks and two readers' values within one step."""
    assert attacked(growers(22, 3), [4, 7], know_thirds=True)[[*range(4), *range(8, 22)]].min() >= 1 / 3


def test_the_same_attack_solves_the_former_quantiles():
    """The median of ten growers was the mean of the fifth and the sixth: one of them solved the other to 11 digits."""
    ordered = np.sort(growers(10))
    rows = [former_weights(10, name) for name in QUANTILES]
    printed = [float(r @ ordered) for r in rows]
    ends = derived(rows, [p - 1e-12 for p in printed], [p + 1e-12 for p in printed], {4: ordered[4]})
    assert ends is not None
    assert ends[5] == pytest.approx([ordered[5]] * 2, abs=1e-11)


def test_two_shifts_do_not_tell_the_one_grower_who_changed():
    """Two bands, of which one grower alone is another: its new value is not derived more closely than a step."""
    n, start, end = 17, 2, 11
    x = np.sort(growers(n))
    new = (x[end] + x[end + 1]) / 2
    later = np.insert(np.delete(x, start), end, new)
    before, after = band(x, BASE), band(later, BASE)
    assert (later == np.sort(later)).all()
    assert before.step is not None
    assert after.step is not None
    moved = np.insert(np.delete(np.eye(n + 1)[:n], start, axis=0), end, np.eye(n + 1)[n], axis=0)
    rows, low, high = [], [], []
    for found, place in ((before, np.eye(n + 1)[:n]), (after, moved)):
        for name, mark in found.marks.items():
            rows.append(weights(n, name) @ place)
            low.append(mark - found.step / 2)
            high.append(mark + found.step / 2)
    ascending = [*np.diff(-np.eye(n + 1)[:n], axis=0), *np.diff(-moved, axis=0)]
    A, b = np.array([*rows, *(-r for r in rows), *ascending]), [*high, *(-v for v in low), *[0.0] * 2 * (n - 1)]
    bounds = [(x[5], x[5]) if k == 5 else (-20, 20) for k in range(n + 1)]
    for k in (start, n):
        ends = [linprog(s * np.eye(n + 1)[k], A_ub=A, b_ub=b, bounds=bounds, method="highs").fun for s in (1, -1)]
        assert -ends[1] - ends[0] >= before.step


def steps_between(before: np.ndarray, after: np.ndarray) -> float:
    """Return how far any mark that both bands show moved, in steps of the coarser."""
    a, b = band(before, BASE), band(after, BASE)
    if a.step is None or b.step is None:
        return 0.0
    step = max(a.step, b.step)
    return max((abs(a.marks[m] - b.marks[m]) / step for m in a.marks.keys() & b.marks.keys()), default=0.0)


@pytest.mark.parametrize("n", range(2, 41))
def test_one_grower_moves_no_mark_by_more_than_a_step(n):
    values = growers(n, 1)
    for j in range(n):
        assert steps_between(values, np.delete(values, j)) <= 1 + 1e-9
        for drastic in (-30.0, -0.2, 0.0, 0.4, 30.0, np.nan):
            changed = values.copy()
            changed[j] = drastic
            assert steps_between(values, changed) <= 1 + 1e-9


@CALM
@given(
    st.lists(st.one_of(st.floats(-3, 3), st.sampled_from([0.0, 0.05, 0.1, -0.15])), min_size=11, max_size=48),
    st.integers(0, 10),
    st.floats(-1e6, 1e6),
)
def test_the_bound_holds_for_ties_and_for_any_values(values, at, drastic):
    x = np.array(values)
    changed = x.copy()
    changed[at] = drastic
    assert steps_between(x, changed) <= 1 + 1e-6
    assert steps_between(x, np.delete(x, at)) <= 1 + 1e-6


@pytest.mark.parametrize("n", range(10, 41))
def test_every_mark_rests_on_seven_growers_and_never_on_the_ends(n):
    found = band(growers(n), BASE)
    assert "p50" in found.marks
    assert {"p25", "p75"} <= set(found.marks) if n >= 17 else set(found.marks) == {"p50"}
    for name, mark in found.marks.items():
        w = weights(n, name)
        assert np.count_nonzero(w > 1e-12) >= WIDTH
        assert w.max() <= 1 / WIDTH + 1e-12
        assert w[0] == 0
        assert w[-1] == 0
        assert mark == round_to_step(float(w @ np.sort(growers(n))), found.step or np.nan)
        assert mark / BASE == pytest.approx(round(mark / BASE), abs=1e-9)


def test_marks_lie_near_the_quantiles_of_many_growers():
    x = np.random.default_rng(4).normal(0, 1, 400)
    found = band(x, BASE)
    assert list(found.marks.values()) == pytest.approx(np.quantile(x, list(QUANTILES.values())), abs=0.1)


@pytest.mark.parametrize("n", range(10))
def test_fewer_than_ten_make_no_band(n):
    assert band(growers(n), BASE).reason == TOO_FEW_COMPARED
    assert band(growers(n), BASE).marks == {}


def test_values_that_are_missing_do_not_count():
    x = np.concatenate([growers(9), [np.nan, np.inf, -np.inf]])
    assert band(x, BASE).reason == TOO_FEW_COMPARED
    more = np.append(x, 0.2)
    assert band(more, BASE) == band(more[np.isfinite(more)], BASE)


def test_all_equal_values_are_known_to_a_step_only():
    found = band(np.full(41, 0.3137), BASE)
    assert found.marks == dict.fromkeys(QUANTILES, 0.3)
    assert found.step == BASE


def test_growers_too_far_apart_are_not_shown():
    assert band(np.linspace(-40, 40, 12), BASE).reason == TOO_FAR_APART
    wide = band(np.linspace(-2, 2, 12), BASE)
    assert wide.step in {BASE * k for k in DOUBLINGS[1:]}


def test_steps_are_the_first_that_hides_one_subject():
    assert [step_for(s, 0.1) for s in (0.0, 0.1, 0.11, 0.8, 0.81)] == [0.1, 0.1, 0.2, 0.8, None]


def test_a_figure_needs_five_others_and_none_that_dominates():
    even = {f"G{i}": 10 for i in range(6)}
    assert withholding_reason("G0", even) is None
    assert withholding_reason("G0", {**even, "G5": 0}) == TOO_FEW_OTHERS
    assert withholding_reason("G0", {"G0": 5}) == TOO_FEW_OTHERS
    assert withholding_reason("G0", {**even, "G5": 41}) == DOMINATED
    assert withholding_reason("G0", {**even, "G5": 40}) is None
    assert withholding_reason("G0", {**even, "G5": 31, "G4": 31}) == DOMINATED
    assert withholding_reason("G5", {**even, "G5": 1000}) is None
    assert MIN_COMPARED == 10


def test_the_mean_s_sensitivity_is_the_largest_of_leaving_one_out():
    means, counts = growers(8, 3) * 5, np.arange(1.0, 9.0)
    overall = means @ counts / counts.sum()
    left = [np.delete(means, j) @ np.delete(counts, j) / np.delete(counts, j).sum() for j in range(8)]
    assert mean_sensitivity(means, counts) == pytest.approx(np.abs(np.array(left) - overall).max())
    assert mean_sensitivity(means[:1], counts[:1]) == np.inf
