"""Invented haulage unlike the demo's, with known truth: crossing departures, and heaps loaded days later.

Machines, fields and trucks have physics of their own; nothing is shared with `transforms/demo`.
"""

from dataclasses import dataclass

import numpy as np

BIN_S = 30
HEAP_ORDERS = ("fifo", "lifo", "mixed")
Parts = tuple[np.ndarray, np.ndarray]
"""Bins, as indices, and the mass taken from each, t."""


@dataclass(frozen=True)
class Haulage:
    """Kind of a season.

    Attributes:
        machines, days: size of the season.
        field_ha: area of fields, ha, from and to.
        shared: share of fields lifted by two machines at once.
        capacities_t: capacity of each kind of truck, t; all kinds are equally frequent.
        capacity_sd_t: standard deviation of what a truck of one kind takes, t.
        drive_min: drive of the short road, min, from and to by field.
        detour: drive of the long road over that of the short one, taken by every second load.
        slow: drive of the slower half of the kinds of trucks over that of the faster.
        queue_min: mean of the queue at the weighbridge, min; gamma distributed, and longer in two hours of each day.
        breaks: share of loads whose driver takes a break of 15 to 45 min.
        heaps: share of fields piled at the edge and loaded one to four days later.
        named, reported: shares of tickets with machine and with departure.
        silent: share of machines whose emptyings are not logged.
        missing: share of loads without a ticket.
    """

    machines: int
    days: int
    field_ha: tuple[float, float] = (3.0, 9.0)
    shared: float = 0.25
    capacities_t: tuple[float, ...] = (27.0,)
    capacity_sd_t: float = 1.0
    drive_min: tuple[float, float] = (12.0, 40.0)
    detour: float = 1.0
    slow: float = 1.0
    queue_min: float = 8.0
    breaks: float = 0.0
    heaps: float = 0.0
    named: float = 0.4
    reported: float = 0.15
    silent: float = 0.2
    missing: float = 0.004


CROSSING = Haulage(
    machines=5,
    days=9,
    capacities_t=(19.0, 25.0, 31.0),
    capacity_sd_t=0.9,
    detour=1.25,
    slow=1.2,
    queue_min=8.0,
    breaks=0.06,
)
"""Queues, breaks, two roads and trucks of different speed: 35 to 40 % of the loads are weighed out of order."""
PILED = Haulage(machines=8, days=8, capacities_t=(23.0, 40.0), capacity_sd_t=1.5, queue_min=5.0, heaps=0.5, named=0.3)
"""Every second field is piled at its edge and loaded later, in the order of building, the reverse, or half and half."""


def lift_field(rng: np.random.Generator, begin_min: float, hectares: float, true_t_ha: float) -> dict[str, np.ndarray]:
    """Return bins of one machine in one field: start, min, area, ha, and mass, t."""
    per_bin = 0.0135 * rng.uniform(0.85, 1.15)
    count = int(hectares / per_bin * 1.12)
    speed, patch = np.ones(count), np.zeros(count)
    for i in range(1, count):
        speed[i] = 1 + 0.9 * (speed[i - 1] - 1) + rng.normal(0, 0.05)
        patch[i] = 0.99 * patch[i - 1] + rng.normal(0, 0.008)
    turning = np.arange(count) % rng.integers(9, 16) == 0
    area = np.where(turning, 0.0, per_bin * np.clip(speed, 0.3, 1.7))
    pause = np.cumsum(np.where(rng.random(count) < 0.004, rng.uniform(5, 25, count), 0.0))
    at = np.ceil(begin_min * 2) / 2 + np.arange(count) * BIN_S / 60 + np.round(pause * 2) / 2
    return {"at": at, "area": area, "mass": area * true_t_ha * np.exp(patch)}


def empty_tanks(
    rng: np.random.Generator, bins: dict[str, np.ndarray], tank_t: float, offset: int
) -> list[tuple[float, Parts]]:
    """Return (time of emptying, bins in the tank) of each emptied tank; the first bin has the index `offset`."""
    out: list[tuple[float, Parts]] = []
    first, inside, full = 0, 0.0, tank_t * rng.uniform(0.6, 1.0)
    for i, mass in enumerate(bins["mass"]):
        inside += mass
        if inside >= full:
            own = np.arange(first, i + 1)
            out.append((float(bins["at"][i]) + 0.5, (offset + own, bins["mass"][own])))
            first, inside, full = i + 1, 0.0, tank_t * rng.uniform(0.6, 1.0)
    if inside > 0.5:
        own = np.arange(first, bins["mass"].size)
        out.append((float(bins["at"][-1]) + 2.0, (offset + own, bins["mass"][own])))
    return out


def fill_in_turn(rng: np.random.Generator, kind: Haulage, tanks: list[tuple[float, Parts]]) -> list[tuple[float, int, Parts]]:
    """Return (departure, kind of truck, mass from each bin) of each truck, filled from tanks one after the other."""
    out: list[tuple[float, int, Parts]] = []
    truck = int(rng.integers(len(kind.capacities_t)))
    room, held = rng.normal(kind.capacities_t[truck], kind.capacity_sd_t), []
    for at, (index, mass) in tanks:
        left = total = float(mass.sum())
        while left > 1e-9:
            taken = min(left, room)
            held.append((index, mass * taken / total))
            left, room = left - taken, room - taken
            if room < 1e-6:
                out.append((at + rng.uniform(0.5, 5), truck, _joined(held)))
                truck = int(rng.integers(len(kind.capacities_t)))
                room, held = rng.normal(kind.capacities_t[truck], kind.capacity_sd_t), []
    if held and sum(m.sum() for _, m in held) > 3:
        out.append((tanks[-1][0] + rng.uniform(3, 9), truck, _joined(held)))
    return out


def _joined(parts: list[Parts]) -> Parts:
    return np.concatenate([i for i, _ in parts]), np.concatenate([m for _, m in parts])


def load_heap(
    rng: np.random.Generator, kind: Haulage, tanks: list[tuple[float, Parts]], order: str
) -> list[tuple[float, int, Parts]]:
    """Return the loads of a heap: tanks are tipped side by side and mix with their neighbours; one end is loaded first.

    A heap loaded in `mixed` order is taken from both ends in turn.
    """
    mass = np.array([m.sum() for _, (_, m) in tanks])
    cells = np.arange(0.0, mass.sum(), 0.5)
    near = np.exp(-0.5 * ((cells[:, None] - (np.cumsum(mass) - mass / 2)[None, :]) / (0.45 * mass)[None, :]) ** 2)
    near *= mass / near.sum(axis=0)
    todo = list(range(cells.size))
    start = (tanks[-1][0] // 1440 + rng.integers(1, 5)) * 1440 + rng.uniform(120, 420)
    out: list[tuple[float, int, Parts]] = []
    while todo:
        truck = int(rng.integers(len(kind.capacities_t)))
        room, taken = rng.normal(kind.capacities_t[truck], kind.capacity_sd_t), []
        from_end = order == "lifo" or (order == "mixed" and len(out) % 2 == 1)
        while todo and room > 0:
            taken.append(todo.pop(-1 if from_end else 0))
            room -= near[taken[-1]].sum()
        part = near[taken].sum(axis=0) / mass
        start += rng.uniform(6, 16)
        out.append((start, truck, _joined([(i, m * p) for (_, (i, m)), p in zip(tanks, part, strict=True)])))
    return out
