"""Several machines in one field: whose load is whose, all loads and machines weighed against each other at once.

Each machine's chain says how well a load fits it, given what the other chains say of the other loads; messages go
round until they settle (belief propagation on "a load is one machine's, or nobody's"). With one machine one turn is
exact. METHODS.md section 2.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from transforms.trace.load_ends_hmm import NO_LOAD, Chain, Departures, Placed
from transforms.trace.mass_streams import Stretch
from transforms.trace.slot_assignment import Slots, cut_into_slots

Array = NDArray[np.float64]
TURNS, SETTLED = 8, 0.03
"""At most so many rounds; fewer where no belief changes by more than this."""
DAMPING = 0.5
FIRST_ODDS = 30.0
NEAR_STEPS_MIN = (range(-6, 7, 2), range(-5, 6, 1))
"""Minutes by which a machine's slots may lie off: its mass strays."""
WRONG_NAME = 0.002
"""Chance that a ticket names a machine that did not lift the load, another in the field having done so."""


@dataclass(frozen=True)
class Association:
    """Whose each load is.

    Attributes:
        belief: chance that a load is each stream's, shape (n, m); what is missing to 1 is nobody's.
        placed: where each load may end in each stream, (load, stream) -> places.
    """

    belief: Array
    placed: dict[tuple[int, int], Placed]


def _allowed(stretch: Stretch, named: list[str | None]) -> Array:
    """Weight of each stream for each load before any time or mass: a named machine all but excludes the others."""
    here = {s.machine_id: i for i, s in enumerate(stretch.streams)}
    out = np.ones((len(named), len(here)))
    for i, name in enumerate(named):
        if name is None:
            continue
        out[i] = WRONG_NAME / max(len(here) - 1, 1) if name in here else 0.0
        if name in here:
            out[i, here[name]] = 1.0
    return out


def _spread(loads: Departures, stretch: Stretch, m: int) -> Array:
    """Spread of leaving times against a stream: where emptyings are not seen, when in a tank's time is not known."""
    stream = stretch.streams[m]
    if stream.has_signal:
        return loads.sd_min
    worked = max(float(stream.left_min[-1] - stream.left_min[0]), 1.0)
    return np.hypot(loads.sd_min, 0.29 * stream.tank_t * worked / stream.lifted_t)


def _chain(
    stretch: Stretch, m: int, who: NDArray[np.int64], loads: Departures, scales: tuple[float, float], ahead_min: float
) -> Chain:
    own = Departures(loads.left_min[who], _spread(loads, stretch, m)[who], loads.gross_t[who])
    return Chain(stretch.streams[m], own, *scales, ahead_min)


def associate_loads(
    stretch: Stretch,
    loads: Departures,
    named: list[str | None],
    closure: float,
    usual: float,
    ahead_min: dict[str, float],
    turns: int = TURNS,
) -> Association:
    """Say whose each load is and where it may end.

    Args:
        stretch: the work.
        loads: the loads that left during it, in order of time.
        named: the machine a ticket names, or None.
        closure: weighed over lifted mass of the stretch, where it is believable, else the usual one.
        usual: the field's closure.
        ahead_min: minutes each machine's clock runs ahead.
        turns: at most so many rounds of messages.
    """
    n, many = len(named), len(stretch.streams)
    allowed = _allowed(stretch, named)
    odds = np.ones((n, many))
    placed: dict[tuple[int, int], Placed] = {}
    # A load that only a wrong name could bring here is left out of the chain: it costs time and says nothing.
    who = [np.flatnonzero(allowed[:, m] > WRONG_NAME) for m in range(many)]
    chains = [
        _chain(stretch, m, who[m], loads, (closure, usual), ahead_min.get(s.machine_id, 0.0))
        for m, s in enumerate(stretch.streams)
    ]
    asked = np.zeros((n, many), dtype=bool)
    for m in range(many):
        asked[who[m], m] = True
    weight = np.where(asked, allowed, 0.0)
    contested = bool((asked.sum(axis=1) > 1).any())
    if contested:
        odds = _first_guess(stretch, loads, allowed, closure, ahead_min)
    belief = _belief(weight, odds)
    for turn in range(turns if contested else 1):
        for m in range(many):
            if not who[m].size:
                continue
            fits = weight * odds
            others = NO_LOAD + fits.sum(axis=1) - fits[:, m]
            found, new = chains[m].place(weight[who[m], m], others[who[m]])
            keep = 0.0 if turn == 0 else DAMPING
            odds[who[m], m] = np.exp(keep * np.log(odds[who[m], m]) + (1 - keep) * np.log(np.maximum(new, 1e-300)))
            placed.update({(int(i), m): p for i, p in zip(who[m], found, strict=True)})
        before, belief = belief, _belief(weight, odds)
        if np.abs(belief - before).max(initial=0.0) < SETTLED:
            break
    return Association(belief, placed)


def _first_guess(
    stretch: Stretch, loads: Departures, allowed: Array, closure: float, ahead_min: dict[str, float]
) -> Array:
    """Odds to begin from: loads given to slots by least misfit, slots moved by some minutes where that fits better."""
    owner, full = cut_into_slots(stretch, float(loads.gross_t.mean()) / closure, ahead_min)
    slots = Slots(loads.left_min, loads.sd_min, owner, full, allowed[:, owner] < 1)
    shift = slots.best_shift(np.zeros(len(stretch.streams)), NEAR_STEPS_MIN)
    _, found, at = slots.assigned(shift)
    out = np.full(allowed.shape, 1 / FIRST_ODDS)
    out[found, owner[at]] = FIRST_ODDS
    return out


def _belief(weight: Array, odds: Array) -> Array:
    fits = weight * odds
    return np.asarray(fits / (NO_LOAD + fits.sum(axis=1, keepdims=True)))
