"""Loads weighed in another order than they left: probability that a load was filled in the place of another.

The chains take loads in the order of their estimated departures. If lags vary by more than the time between two
departures, some loads changed places on the way. A place is the role of one load in the chains: its machine and its
ends there. The weight of a load in a place is the density of its departure, given the place,

    A_ik = sum_m b_km sqrt(b_im) sum_x p_kmx f((d_i - T_m(x)) / sd_i)                                          (2.5)

with b the association of loads with machines, p the ends of place k, and f a t density. The probability that a
load has a place is the marginal of the permutations weighted by the product of A: sum-product messages between rows
and columns (B. Huang and T. Jebara, Approximating the permanent with belief propagation, arXiv:0908.1769, 2009).
METHODS.md section 2.
"""

import numpy as np
from numpy.typing import NDArray

from transforms.trace.association import Association
from transforms.trace.day_clocks import DayClocks, lag_density
from transforms.trace.load_ends_hmm import OUTLIER_LAG_MIN, OUTLIER_PROBABILITY, Departures, Placement, departure_times
from transforms.trace.mass_streams import Stretch

Array = NDArray[np.float64]

MAX_ITERATIONS, TOLERANCE = 60, 1e-3
TEMPER = 0.75
"""Power of the weights: messages alone are too sure, by .07 on average against enumeration of six loads."""
SMALLEST = 0.01
"""Places of a load with a smaller probability are dropped."""
SMALLEST_SWAP = 0.01
"""A pair of loads is compared if the odds of the swapped order, one against one, exceed this."""
REACH_SD = 9.0
"""Longest difference between a load's departure and a place, in standard deviations."""


def place_chances(weight: Array) -> Array:
    """Return the probability of each place for each load, shape (n, n): marginals of the weighted permutations.

    Args:
        weight: weight of load i in place k, shape (n, n); the diagonal is positive.
    """
    scaled = (weight / weight.max(axis=1, keepdims=True)) ** TEMPER
    tiny = 1e-12
    from_places = np.ones_like(scaled)
    before = np.zeros_like(scaled)
    for _ in range(MAX_ITERATIONS):
        offered = scaled * from_places
        others = np.maximum(offered.sum(axis=1, keepdims=True) - offered, tiny)
        from_loads = scaled / others
        claims = np.maximum(from_loads.sum(axis=0, keepdims=True) - from_loads, tiny)
        from_places = np.sqrt(from_places / claims)
        odds = from_loads / claims
        chance = odds / (1 + odds)
        if np.abs(chance - before).max() < TOLERANCE:
            break
        before = chance
    return np.asarray(chance / chance.sum(axis=1, keepdims=True))


def place_weights(stretch: Stretch, shared: Association, loads: Departures, day: DayClocks) -> Array:
    """Return the weight of each load in each place (2.5), shape (n, n).

    Args:
        stretch: the stretch of work.
        shared: association of all loads with the streams, in the order of their departures.
        loads: the n loads.
        day: lags and clocks of the day.
    """
    ahead_min = [day.machine_ahead_min.get(s.machine_id, 0.0) for s in stretch.streams]
    n = loads.left_min.size
    floor = OUTLIER_PROBABILITY / OUTLIER_LAG_MIN
    out = np.full((n, n), floor)
    own = _tempered(shared.belief)
    for (k, m), place in shared.placed.items():
        if not place.end_t.size or shared.belief[k, m] < SMALLEST:
            continue
        stream = stretch.streams[m]
        usual_min = float(departure_times(stream, place.end_t) @ place.chance) - ahead_min[m]
        is_near = np.abs(loads.left_min - usual_min) < REACH_SD * loads.sd_min
        near = np.flatnonzero(is_near & (shared.belief[:, m] > SMALLEST))
        full = departure_times(stream, _ends(place, loads, near, k)) - ahead_min[m]
        density = lag_density(loads.left_min[near, None] - full, loads.sd_min[near, None])
        out[near, k] += shared.belief[k, m] * own[near, m] * (density @ place.chance)
    return out


def _tempered(belief: Array) -> Array:
    """Return the weight of a load's own association in another place: its square root.

    The association rests on the load's own place, whose departure is part of the evidence already.
    """
    return np.asarray(np.sqrt(belief))


def _ends(place: Placement, loads: Departures, rows: NDArray[np.int64], k: int) -> Array:
    """Return the ends of loads in place k, lifted t, shape (rows, ends).

    A load that left earlier than its own place begins where that place begins; one that left later ends where it ends.
    """
    larger = np.where(rows > k, loads.delivered_t[rows] / loads.delivered_t[k] - 1, 0.0)
    return np.asarray(place.end_t[None, :] + larger[:, None] * place.size_t[None, :])


def infer_swaps(stretch: Stretch, shared: Association, loads: Departures, day: DayClocks) -> Association:
    """Return the association in which each load may have the place of any other.

    Args:
        stretch: the stretch of work.
        shared: association of all loads with the streams, in the order of their departures.
        loads: the n loads.
        day: lags and clocks of the day.
    """
    weight = place_weights(stretch, shared, loads, day)
    own = np.maximum(np.diag(weight), weight.max(axis=1) * 1e-9)
    swapped = weight * weight.T / (own[:, None] * own[None, :])
    np.fill_diagonal(swapped, 0.0)
    moved = np.flatnonzero((swapped > SMALLEST_SWAP).any(axis=1))
    if not moved.size:
        return shared
    chance = place_chances(weight[np.ix_(moved, moved)])
    belief, placed = shared.belief.copy(), dict(shared.placed)
    for row, i in enumerate(moved.tolist()):
        likely = np.flatnonzero(chance[row] >= SMALLEST)
        places = [(int(moved[k]), float(chance[row, k])) for k in likely]
        for m in range(belief.shape[1]):
            found = _mixed_place(shared, loads, _tempered(shared.belief[i])[m], places, i, m)
            belief[i, m] = 0.0 if found is None else found.taken
            if found is not None:
                placed[i, m] = found
        belief[i] *= shared.belief[i].sum() / max(float(belief[i].sum()), 1e-9)
    return Association(belief, placed, shared.agreement)


def _mixed_place(
    shared: Association, loads: Departures, own: float, places: list[tuple[int, float]], i: int, m: int
) -> Placement | None:
    """Return the ends of load i in stream m over its possible places; None if it has none there."""
    ends, sizes, chances = [], [], []
    for k, chance in places:
        place = shared.placed.get((k, m))
        if place is None or not place.end_t.size or shared.belief[k, m] < SMALLEST:
            continue
        ends.append(_ends(place, loads, np.array([i]), k)[0])
        sizes.append(place.size_t * loads.delivered_t[i] / loads.delivered_t[k])
        chances.append(place.chance * chance * shared.belief[k, m] * own)
    if not ends:
        return None
    mass = np.concatenate(chances)
    total = float(mass.sum())
    return Placement(total, np.concatenate(ends), np.concatenate(sizes), mass / total) if total > 0 else None
