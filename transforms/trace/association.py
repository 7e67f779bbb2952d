"""Joint association of loads with the machines that worked in one field.

Each machine's chain gives the odds of a load, conditional on the other chains' results for the other loads. Messages
are exchanged until they converge (belief propagation under the constraint "a load belongs to one machine or to none").
With one machine a single iteration is exact. METHODS.md section 2.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.trace.load_ends_hmm import NO_LOAD, Chain, Departures, LoadEnds, Placement
from transforms.trace.mass_streams import Stretch
from transforms.trace.slot_assignment import Slots, cut_into_slots
from transforms.trace.truck_evidence import TruckEvidence
from transforms.trace.truck_home import Agreement
from transforms.trace.truck_keeping import Keeping
from transforms.trace.truck_return import back_weights

Array = NDArray[np.float64]
MAX_ITERATIONS, TOLERANCE = 8, 0.03
"""Maximum number of message rounds; they stop earlier once no belief changes by TOLERANCE or more."""
TRUCK_ITERATION, TRUCK_ITERATIONS = 4, 12
"""Trucks join once the chains have settled on their own, at the latest in this round; then there are more rounds.
From the first round on, wrong beliefs would settle in the homes (measured on seasons 7100 on)."""
DAMPING = 0.5
FIRST_ODDS = 30.0
NEAR_STEPS_MIN = (range(-6, 7, 2), range(-5, 6, 1))
"""Minutes by which a machine's slots may be shifted, because its lifted mass drifts from the weighed mass."""
WRONG_NAME = 0.002
"""Probability that a ticket names the wrong machine: another machine in the field lifted the load."""


@dataclass(frozen=True)
class Association:
    """Association of loads with streams.

    Attributes:
        belief: probability that a load was taken from each stream, shape (n, m); the remainder to 1 is the probability
            that no stream filled it.
        placed: possible ends of each load in each stream, (load, stream) -> placements.
        agreement: how far trucks keep to machines; None if they say nothing.
    """

    belief: Array
    placed: dict[tuple[int, int], Placement]
    agreement: Agreement | None = None


def _allowed(stretch: Stretch, named: list[str | None]) -> Array:
    """Return prior weights, shape (n, m), from tickets alone: a named machine almost excludes the others."""
    stream_of = {s.machine_id: i for i, s in enumerate(stretch.streams)}
    out = np.ones((len(named), len(stream_of)))
    for i, name in enumerate(named):
        if name is None:
            continue
        out[i] = WRONG_NAME / max(len(stream_of) - 1, 1) if name in stream_of else 0.0
        if name in stream_of:
            out[i, stream_of[name]] = 1.0
    return out


def _departure_sd(loads: Departures, stretch: Stretch, m: int) -> Array:
    """Return the standard deviation of departure times against a stream, minutes, shape (n,).

    If emptyings are not seen, the moment within the time of one tank is unknown and widens it (0.29 = 1 / sqrt(12)).
    """
    stream = stretch.streams[m]
    if stream.has_signal:
        return loads.sd_min
    duration_min = max(float(stream.left_min[-1] - stream.left_min[0]), 1.0)
    return np.hypot(loads.sd_min, 0.29 * stream.tank_t * duration_min / stream.lifted_t)


def _chain(
    stretch: Stretch,
    m: int,
    rows: NDArray[np.int64],
    loads: Departures,
    scales: tuple[float, float],
    ahead_min: float,
    trucks: TruckEvidence | None,
) -> Chain:
    """Return the chain of stream m with the loads of these rows."""
    own = Departures(loads.left_min[rows], _departure_sd(loads, stretch, m)[rows], loads.delivered_t[rows])
    chain = Chain(stretch.streams[m], own, *scales, ahead_min)
    if trucks is not None:
        sizes_t = own.delivered_t / scales[0]
        chain.weights = back_weights(trucks.back_min[rows], sizes_t, chain.at, stretch.streams[m], ahead_min)
    return chain


def associate_loads(
    stretch: Stretch,
    loads: Departures,
    named: list[str | None],
    closure: float,
    usual: float,
    ahead_min: dict[str, float],
    trucks: TruckEvidence | None = None,
) -> Association:
    """Return the association of each load with the streams of a stretch and its possible ends in them.

    Args:
        stretch: the stretch of work.
        loads: n loads that left during the stretch, in order of time.
        named: machine named on each ticket, or None.
        closure: weighed over lifted mass of the stretch if that is plausible, else the usual one.
        usual: the field's usual closure.
        ahead_min: machine -> minutes its clock runs ahead.
        trucks: evidence of trucks, or None.
    """
    n, stream_count = len(named), len(stretch.streams)
    allowed = _allowed(stretch, named)
    if trucks is not None:
        allowed = allowed * trucks.beside
    odds = np.ones((n, stream_count))
    ends: dict[int, LoadEnds] = {}
    # A load that only a wrong ticket could bring here is left out of the chain: it costs time and adds no information.
    is_candidate = allowed > WRONG_NAME
    candidates = [np.flatnonzero(is_candidate[:, m]) for m in range(stream_count)]
    chains = [
        _chain(stretch, m, candidates[m], loads, (closure, usual), ahead_min.get(s.machine_id, 0.0), trucks)
        for m, s in enumerate(stretch.streams)
    ]
    weight = np.where(is_candidate, allowed, 0.0)
    contested = bool((is_candidate.sum(axis=1) > 1).any())
    if contested:
        odds = _first_guess(stretch, loads, allowed, closure, ahead_min)
    homes = trucks.homes if contested and trucks is not None and trucks.homes.are_known else None
    keeping = Keeping() if trucks is None else trucks.keeping
    last = 1 if not contested else MAX_ITERATIONS if homes is None else TRUCK_ITERATIONS
    belief, prior, change, agreement = _belief(weight, odds), weight, 1.0, None
    for iteration in range(last):
        if homes is not None and agreement is None and (iteration >= TRUCK_ITERATION or change < TOLERANCE):
            agreement = homes.agreement(belief, keeping)
        if homes is not None and agreement is not None:
            prior = weight * homes.messages(belief, agreement)
        _exchange(chains, candidates, prior, odds, ends, 0.0 if iteration == 0 else DAMPING)
        before, belief = belief, _belief(weight, odds)
        change = float(np.abs(belief - before).max(initial=0.0))
        if change < TOLERANCE and (homes is None or agreement is not None):
            break
    placed = {
        (int(i), m): p for m, found in ends.items() for i, p in zip(candidates[m], found.placements(), strict=True)
    }
    return Association(_belief(prior, odds), placed, agreement)


def _exchange(
    chains: list[Chain],
    candidates: list[NDArray[np.int64]],
    prior: Array,
    odds: Array,
    ends: dict[int, LoadEnds],
    keep: float,
) -> None:
    """Update the odds and ends of every chain in turn, given those of the others; keep a part of the odds."""
    for m, (chain, rows) in enumerate(zip(chains, candidates, strict=True)):
        if not rows.size:
            continue
        fits = prior * odds
        others = NO_LOAD + fits.sum(axis=1) - fits[:, m]
        ends[m] = chain.place(prior[rows, m], others[rows])
        new = np.log(np.maximum(ends[m].odds, 1e-300))
        odds[rows, m] = np.exp(keep * np.log(odds[rows, m]) + (1 - keep) * new)


def _first_guess(
    stretch: Stretch, loads: Departures, allowed: Array, closure: float, ahead_min: dict[str, float]
) -> Array:
    """Return initial odds, shape (n, m), from the assignment of loads to slots with the smallest misfit.

    Slots are shifted by some minutes if that reduces the misfit.
    """
    owner, full = cut_into_slots(stretch, float(loads.delivered_t.mean()) / closure, ahead_min)
    slots = Slots(loads.left_min, loads.sd_min, owner, full, allowed[:, owner] < 1)
    shift = slots.best_shift(np.zeros(len(stretch.streams)), NEAR_STEPS_MIN)
    _, found, at = slots.assigned(shift)
    out = np.full(allowed.shape, 1 / FIRST_ODDS)
    out[found, owner[at]] = FIRST_ODDS
    return out


def _belief(weight: Array, odds: Array) -> Array:
    """Return the probability of each stream for each load, shape (n, m)."""
    fits = weight * odds
    return np.asarray(fits / (NO_LOAD + fits.sum(axis=1, keepdims=True)))
