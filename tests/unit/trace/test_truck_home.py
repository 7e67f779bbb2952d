from collections.abc import Sequence
from itertools import product

import numpy as np
import polars as pl
import pytest

from transforms.trace.truck_home import SURE, Homes, leak
from transforms.trace.truck_keeping import Keeping


def loads(**columns: Sequence[str | None]) -> pl.DataFrame:
    n = len(next(iter(columns.values())))
    names = {"load_id": [f"L{i}" for i in range(n)]}
    return pl.DataFrame(names | columns, schema_overrides=dict.fromkeys(columns, pl.String))


def beliefs(machine: np.ndarray, streams: int, sure: float) -> np.ndarray:
    out = np.full((machine.size, streams), (1 - sure) / (streams - 1))
    out[np.arange(machine.size), machine] = sure
    return out


def messages(homes: Homes, belief: np.ndarray) -> np.ndarray:
    return homes.messages(belief, homes.agreement(belief, Keeping()))


def test_messages_are_those_of_full_enumeration():
    truck = ["K1", "K2", "K1", "K1", "K2"]
    b = np.random.default_rng(1).dirichlet([4, 1, 1], 5)
    homes = Homes.of(loads(home_vehicle_id=truck), 3)
    agreement = homes.agreement(b, Keeping())
    found = homes.messages(b, agreement)
    share = b.sum(axis=0) / b.sum()
    assert agreement.share == pytest.approx(share)
    keeps = agreement.of_vehicle * np.eye(3) + (1 - agreement.of_vehicle) * share[:, None]
    for i in range(5):
        others = [j for j in range(5) if truck[j] == truck[i] and j != i]
        home = np.zeros(3)
        for h, *machines in product(range(3), repeat=1 + len(others)):
            chances = [b[j, m] / share[m] * keeps[m, h] for j, m in zip(others, machines, strict=True)]
            home[h] += share[h] * np.prod(chances)
        expected = keeps @ (SURE * home / home.sum() + (1 - SURE) * share) / share
        assert found[i] == pytest.approx(expected, rel=1e-6)


def test_a_truck_that_comes_once_and_a_load_without_truck_carry_no_home():
    found = messages(
        Homes.of(loads(home_vehicle_id=["K1", None, "K2", "K2"]), 2),
        np.array([[0.9, 0.1], [0.1, 0.9], [0.8, 0.2], [0.6, 0.4]]),
    )
    assert found[:3] == pytest.approx(np.ones((3, 2)), abs=1e-6)
    assert found[3, 0] > 1.1 * found[3, 1]
    assert not Homes.of(loads(home_vehicle_id=["K1", None, "K2"]), 2).are_known
    assert not Homes.of(loads(home_vehicle_id=["K1", "K1"]), 1).are_known


def hauled(rng: np.random.Generator, share: list[float], stray: float) -> tuple[list[str], np.ndarray]:
    """Trucks of 480 loads by 60 trucks, and beliefs that name the machine as often as they claim and tracing does."""
    p = np.array(share)
    truck = np.repeat(np.arange(60), 8)
    home, any_machine = rng.choice(p.size, 60, p=p)[truck], rng.choice(p.size, truck.size, p=p)
    machine = np.where(rng.random(truck.size) < stray, any_machine, home)
    known = rng.random(truck.size) < 0.7 * 0.6
    believed = np.where(known, machine, rng.choice(p.size, truck.size, p=p))
    return [f"K{k}" for k in truck], 0.6 * np.eye(p.size)[believed] + 0.4 * p


@pytest.mark.parametrize("share", [[0.5, 0.5], [0.8, 0.2], [0.4, 0.35, 0.25]])
def test_the_leak_is_estimated_and_pooled_trucks_change_nothing(share: list[float]):
    for stray in (0.05, 0.2, 0.5, 1.0):
        leaks, moved = [], []
        for seed in range(6):
            truck, b = hauled(np.random.default_rng(seed), share, stray)
            homes = Homes.of(loads(home_vehicle_id=truck), len(share))
            agreement = homes.agreement(b, Keeping())
            leaks.append(leak(agreement.of_vehicle, agreement.share))
            moved.append(np.abs(homes.messages(b, agreement) - 1).mean())
        assert np.mean(leaks) == pytest.approx(stray * (1 - sum(s**2 for s in share)), abs=0.08)
    assert np.mean(moved) < 0.06


def test_tickets_of_one_trip_share_their_machine():
    trips: dict[str, list[str | None]] = {
        "home_vehicle_id": ["K1", "K1", "K2", "K3"],
        "trip_id": ["L0", "L0", "L2", "L3"],
    }
    found = messages(Homes.of(loads(**trips), 2), np.array([[0.95, 0.05], [0.5, 0.5], [0.5, 0.5], [0.05, 0.95]]))
    assert found[1, 0] / found[1, 1] > 10
    assert found[2] == pytest.approx([1, 1], abs=1e-6)
    # The other ticket of the trip knows nothing, and the truck made no other trip.
    assert found[0] == pytest.approx([1, 1], abs=1e-6)


@pytest.mark.parametrize("column", ["home_vehicle_id", "gang_id"])
def test_a_vehicle_or_a_gang_alone_is_a_weaker_home(column: str):
    group = ["A"] * 6 + ["B"] * 6
    machine = np.repeat([0, 1], 6)
    b = beliefs(machine, 2, 0.9)
    b[0], b[11] = 0.5, 0.5
    by_group = Homes.of(loads(**{column: group}), 2)
    assert by_group.are_known
    found = messages(by_group, b)
    assert found[0, 0] / found[0, 1] > 3
    assert found[11, 1] / found[11, 0] > 3


def test_a_gang_joins_the_trucks_of_which_little_is_known():
    truck = [f"K{k // 2}" for k in range(24)]
    gang = ["A"] * 12 + ["B"] * 12
    b = beliefs(np.repeat([0, 1], 12), 2, 0.9)
    b[[0, 1, 22, 23]] = 0.5
    alone = messages(Homes.of(loads(home_vehicle_id=truck), 2), b)
    joined = messages(Homes.of(loads(home_vehicle_id=truck, gang_id=gang), 2), b)
    assert alone[0] == pytest.approx([1, 1], abs=1e-6)
    assert joined[0, 0] / joined[0, 1] > 3
