"""Search for the variances that maximise the likelihood of a mixed model.

Initial variances by moments or two Fellner-Schall steps (Wood and Fasiolo 2017), then average information (Johnson and
Thompson 1995).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.arrays import Array
from transforms.mixed_model.equations import RemlError, Solution
from transforms.mixed_model.initial_variances import equal_shares, moments, variance_of_y
from transforms.mixed_model.likelihood import Criterion, inverse_information, reduced_equations

WarmStart = tuple[dict[str, float], float]
"""Initial variances: (variance of each block and factor, residual variance)."""
MAX_ITERATIONS = 60
MAX_NEAR_STEPS = 15
ENOUGH = 0.001
"""Gain in log-likelihood up to which a step from variances near the optimum is the last (common practice, no source):
average information converges quadratically, so what is left is a small part of it."""
LARGE_MODEL = 2000
"""From this number of equations on, moments are a better start than two steps, and much cheaper."""
FLOOR = 1e-10
"""Lower bound of a variance, as a fraction of the variance of y: the zero boundary."""
VANISHING_EDF = 0.01
"""A component with fewer effective degrees of freedom and a negative score is set to the boundary immediately."""
ON_THE_BOUNDARY = 100.0
"""A variance up to this multiple of the floor counts as zero."""
OFF_THE_BOUNDARY = 0.001
"""First variance of a component that leaves the boundary, as a fraction of the residual variance of a row."""
WORTH_LEAVING = 0.1
"""Zero-variance components are dropped from the search if they make up at least this share of the equations."""


@dataclass(frozen=True)
class Optimum:
    """Result of a variance search.

    Attributes:
        solution: solution of the equations at the variances found.
        minus_2l: -2 log-likelihood there.
        floor: value of a variance on the boundary.
        iterations: number of steps.
        converged: True if the expected gain of the last step was below the tolerance.
    """

    solution: Solution
    minus_2l: float
    floor: float
    iterations: int
    converged: bool


@dataclass(frozen=True)
class _Bounds:
    """Limits of a search.

    Attributes:
        floor: value of a variance on the boundary.
        first_off: name -> variance of a component that leaves the boundary, in residual variances.
        tolerance: the search ends when a step would gain less than half of this in log-likelihood.
    """

    floor: float
    first_off: dict[str, float]
    tolerance: float


@dataclass(frozen=True)
class _Step:
    """Outcome of one step: the solution, its -2 log-likelihood, and the Newton decrement before the step."""

    solution: Solution
    value: float
    decrement: float


def _bounds_of(criterion: Criterion, tolerance: float) -> _Bounds:
    """Return the limits of a search for the variances of a model."""
    total = max(variance_of_y(criterion.m), 1e-300)
    guess, _ = equal_shares(criterion.m, variance_of_y(criterion.m))
    first_off = {k: OFF_THE_BOUNDARY * v * (len(guess) + 1) / total for k, v in guess.items()}
    return _Bounds(FLOOR * total, first_off, tolerance)


def steps_from(criterion: Criterion, variances: WarmStart, max_gain: float) -> Optimum:
    """Take average-information steps from variances near the optimum: one or a few, at most `MAX_NEAR_STEPS`.

    Another step follows only if the last one gained a log-likelihood of more than `ENOUGH`, or took a component off its
    boundary, because its first step there does not predict how far it goes.

    Args:
        criterion: likelihood of the model.
        variances: (variance of each block and factor, residual variance), from a fit to nearly the same data.
        max_gain: largest gain in log-likelihood that the first step may promise; 0 to solve at the given variances.

    Raises:
        RemlError: the equations cannot be solved, the first step promises a larger gain, or the last step was
            not enough.
    """
    bounds, names = _bounds_of(criterion, 0.0), list(criterion.eq.spans)
    # Far below its first step off the boundary, a variance would need many steps to leave it.
    least = {k: bounds.first_off[k] * variances[1] if max_gain else bounds.floor for k in names}
    at = {k: v if (v := variances[0][k]) > least[k] else bounds.floor for k in names}
    s = criterion.eq.solve(at, variances[1])
    value, steps, goes_on = criterion.minus_2l(s), 0, max_gain > 0
    while goes_on and steps < MAX_NEAR_STEPS:
        before, step = s, _newton(criterion, s, value, bounds)
        if step.decrement > 2 * max_gain:
            raise RemlError("the given variances are too far from the optimum")
        s, value, steps = step.solution, step.value, steps + 1
        at_zero = ON_THE_BOUNDARY * bounds.floor
        left = any(before.variances[k] <= at_zero < s.variances[k] for k in names)
        goes_on = left or step.decrement > 2 * ENOUGH
    if goes_on:
        raise RemlError("the given variances are too far from the optimum")
    return Optimum(s, value, bounds.floor, steps, converged=True)


def find_variances(criterion: Criterion, start: WarmStart | None, tolerance: float) -> Optimum:
    """Maximise the likelihood over the variances.

    Args:
        criterion: likelihood of the model.
        start: initial variances; None for a cold start.
        tolerance: the search ends when a step would gain less than half of this in log-likelihood.

    Raises:
        RemlError: columns of X depend on each other.
    """
    equations = criterion.eq
    bounds = _bounds_of(criterion, tolerance)
    floor = bounds.floor
    if start is None:
        at, steps = _cold_start(criterion, variance_of_y(equations.m), floor)
    else:
        guess, _ = equal_shares(equations.m, variance_of_y(equations.m))
        bounded: WarmStart = ({k: max(start[0].get(k, v), floor) for k, v in guess.items()}, start[1])
        at, steps = _search_interior(criterion, bounded, bounds, 2)
    s = equations.solve(*at)
    value, converged, left_boundary = criterion.minus_2l(s), not equations.spans, set[str]()
    while steps < MAX_ITERATIONS and not converged:
        at_zero, before = {k for k, v in s.variances.items() if v <= ON_THE_BOUNDARY * floor}, s
        step = _newton(criterion, s, value, bounds)
        s, value = step.solution, step.value
        # The gain of a component's first step off the boundary does not predict the gain of later steps.
        up = {k for k in at_zero if s.variances[k] > ON_THE_BOUNDARY * floor} - left_boundary
        converged, left_boundary = step.decrement < tolerance and not up, left_boundary | up
        at, steps = (s.variances, s.residual), steps + 1
        if s is before:
            break
        if not converged:
            moved, steps = _search_interior(criterion, at, bounds, steps)
            if moved != at:
                s = equations.solve(*moved)
                value = criterion.minus_2l(s)
    return Optimum(s, value, floor, steps, converged)


def _cold_start(criterion: Criterion, total: float, floor: float) -> tuple[WarmStart, int]:
    """Return (initial variances, steps taken): moments if the model is large, else two Fellner-Schall steps.

    Args:
        criterion: likelihood of the model.
        total: variance of y about its regression on X.
        floor: value of a variance on the boundary.
    """
    m = criterion.m
    if m.r.size >= LARGE_MODEL:
        try:
            found = moments(m)
        except np.linalg.LinAlgError:
            raise RemlError("columns of the model depend on each other") from None
        if found is not None:
            return found, 1
    s = criterion.eq.solve(*equal_shares(m, total))
    if criterion.eq.spans:
        s = criterion.eq.solve(*_fellner_schall(criterion, s, floor))
    return _fellner_schall(criterion, s, floor), 2


def _fellner_schall(criterion: Criterion, s: Solution, floor: float) -> tuple[dict[str, float], float]:
    """Return the variances after one Fellner-Schall step."""
    edf, variances = criterion.edf(s), {}
    for name, span in criterion.eq.spans.items():
        u = s.coef[span]
        variances[name] = max(float(u @ u) / max(edf[name], 1e-8), floor)
    return variances, max(s.rss / max(criterion.residual_df(edf), 1e-8), floor)


def _search_interior(criterion: Criterion, at: WarmStart, bounds: _Bounds, steps: int) -> tuple[WarmStart, int]:
    """Search without the zero-variance components until the others have converged; return (variances, steps so far).

    The reduced equations are much smaller and have the same solution. The next step of the full search decides whether
    a component leaves its boundary.
    """
    m = criterion.m
    dropped = {k for k, v in at[0].items() if v <= ON_THE_BOUNDARY * bounds.floor}
    if sum(criterion.eq.sizes[k] for k in dropped) < WORTH_LEAVING * m.r.size:
        return at, steps
    interior = Criterion(reduced_equations(m, dropped), criterion.method)
    s = interior.eq.solve({k: at[0][k] for k in interior.eq.spans}, at[1])
    value, converged = interior.minus_2l(s), not interior.eq.spans
    while steps < MAX_ITERATIONS and not converged:
        before, steps = s, steps + 1
        step = _newton(interior, s, value, bounds)
        s, value = step.solution, step.value
        converged = step.decrement < bounds.tolerance or s is before
    return ({**at[0], **s.variances}, s.residual), steps


def _newton(criterion: Criterion, s: Solution, now: float, bounds: _Bounds) -> _Step:
    """Take one average-information step from `s`, whose -2 log-likelihood is `now`.

    The decrement returned is score' AI^-1 score before the step.

    A vanishing variance is set to the boundary before the steps of the others are computed, because it would distort
    them. Near the optimum that can cost more than they gain: then it takes part in the step. If no step gains, the
    solution returned is `s` itself.
    """
    edf = criterion.edf(s)
    score = criterion.score(s, edf)
    vanishing = np.append((np.array(list(edf.values())) < VANISHING_EDF) & (score[:-1] < 0), False)
    step = _step_without(criterion, s, now, bounds, score, vanishing)
    if step.solution is s and vanishing.any():
        return _step_without(criterion, s, now, bounds, score, np.zeros_like(vanishing))
    return step


def _step_without(
    criterion: Criterion, s: Solution, now: float, bounds: _Bounds, score: Array, vanishing: NDArray[np.bool_]
) -> _Step:
    """Take the step that sets the vanishing variances to the boundary; return `s` itself if it does not gain.

    A variance on the boundary whose score points away from it moves to `first_off` residual variances: near zero, in
    its own units, average information cannot predict how far it should go. No variance moves against its own score.

    Args:
        criterion: likelihood of the model.
        s: solution before the step.
        now: -2 log-likelihood before the step.
        bounds: limits of the search.
        score: derivatives of the log-likelihood by the variances, the residual's last, shape (k + 1,).
        vanishing: True for variances to set to the boundary, shape (k + 1,).
    """
    names, floor = list(criterion.eq.spans), bounds.floor
    theta = np.array([s.variances[n] for n in names] + [s.residual])
    bound = theta <= ON_THE_BOUNDARY * floor
    free, leaving = ~bound & ~vanishing, bound & (score > 0)
    information = criterion.information(s)
    move = np.zeros(theta.size)
    move[free] = inverse_information(information, theta, free)[np.ix_(free, free)] @ score[free]
    first = np.array([*(bounds.first_off[n] * s.residual for n in names), 0.0])
    move[leaving] = first[leaving]
    move[move * score < 0] = 0.0
    # The likelihood between zero and `first` is unknown: if all cannot leave together, try the strongest, then none.
    strongest = leaving & (score * first == (score * first)[leaving].max(initial=0.0))
    decrement = 0.0
    for up in [leaving, strongest, np.zeros_like(leaving)] if leaving.any() else [leaving]:
        tried = np.where(free | up, move, 0.0)
        decrement = float(score @ tried)
        found = _shortened(criterion, theta, tried, np.where(up, first, 5 * theta), free | up, floor, now)
        if found is not None:
            return _Step(*found, decrement)
    return _Step(s, now, decrement)


def _shortened(
    criterion: Criterion, theta: Array, move: Array, upper: Array, inside: NDArray[np.bool_], floor: float, now: float
) -> tuple[Solution, float] | None:
    """Halve a step until it gains; return None if no step gains.

    Args:
        criterion: likelihood of the model.
        theta: variances before the step, the residual's last.
        move: full step.
        upper: upper limits of the variances.
        inside: mask of the variances that stay off the boundary; the others are set to it.
        floor: value of a variance on the boundary.
        now: -2 log-likelihood before the step.
    """
    for _ in range(12):
        step = np.where(inside, np.maximum(np.clip(theta + move, 0.1 * theta, upper), floor), floor)
        at = dict(zip(criterion.eq.spans, step[:-1].tolist(), strict=True))
        candidate = criterion.eq.solve(at, float(step[-1]))
        value = criterion.minus_2l(candidate)
        if value <= now + 1e-9:
            return candidate, value
        move = move / 2
    return None
