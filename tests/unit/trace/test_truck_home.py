from collections.abc import Sequence
from itertools import product

import numpy as np
import polars as pl
import pytest

from transforms.trace.truck_home import RELIABILITY, SURE, Homes, excess_agreement, leak


def loads(**columns: Sequence[str | None]) -> pl.DataFrame:
    n = len(next(iter(columns.values())))
    names = {"load_id": [f"L{i}" for i in range(n)]}
    return pl.DataFrame(names | columns, schema_overrides=dict.fromkeys(columns, pl.String))


def beliefs(machine: np.ndarray, streams: int, sure: float) -> np.ndarray:
    out = np.full((machine.size, streams), (1 - sure) / (streams - 1))
    out[np.arange(machine.size), machine] = sure
    return out


def messages(homes: Homes, belief: np.ndarray) -> np.ndarray:
    return homes.messages(belief, homes.agreement(belief))


def test_messages_are_those_of_full_enumeration():
    truck = ["K1", "K2", "K1", "K1", "K2"]
    b = np.random.default_rng(1).dirichlet([1, 1, 1], 5)
    homes = Homes.of(loads(home_vehicle_id=truck), 3)
    found = messages(homes, b)
    e = leak(excess_agreement(b, np.array([0, 1, 0, 0, 1]), 3), 3)
    keeps = np.full((3, 3), e / 2) + (1 - 1.5 * e) * np.eye(3)
    for i in range(5):
        others = [j for j in range(5) if truck[j] == truck[i] and j != i]
        home = np.zeros(3)
        for h, *machines in product(range(3), repeat=1 + len(others)):
            home[h] += np.prod([b[j, m] * keeps[m, h] for j, m in zip(others, machines, strict=True)])
        expected = 3 * keeps @ (SURE * home / home.sum() + (1 - SURE) / 3)
        assert found[i] == pytest.approx(expected, rel=1e-6)


def test_a_truck_that_comes_once_and_a_load_without_truck_carry_no_home():
    found = messages(
        Homes.of(loads(home_vehicle_id=["K1", None, "K2", "K2"]), 2),
        np.array([[0.9, 0.1], [0.9, 0.1], [0.9, 0.1], [0.5, 0.5]]),
    )
    assert found[:3] == pytest.approx(np.ones((3, 2)), abs=1e-6)
    assert found[3, 0] > 1.2
    assert not Homes.of(loads(home_vehicle_id=["K1", None, "K2"]), 2).are_known
    assert not Homes.of(loads(home_vehicle_id=["K1", "K1"]), 1).are_known


@pytest.mark.parametrize("streams", [2, 3])
def test_the_leak_is_estimated_and_pooled_trucks_change_nothing(streams: int):
    rng = np.random.default_rng(2)
    truck = np.repeat(np.arange(60), 8)
    home = rng.integers(0, streams, 60)[truck]
    right = 1 / streams + RELIABILITY * (0.85 - 1 / streams)
    leaks = []
    for share in (0.0, 0.1, 0.3, (streams - 1) / streams):
        machine = (home + (rng.random(truck.size) < share) * rng.integers(1, streams, truck.size)) % streams
        believed = (machine + (rng.random(truck.size) > right) * rng.integers(1, streams, truck.size)) % streams
        b = beliefs(believed, streams, 0.85)
        leaks.append(leak(excess_agreement(b, truck, streams), streams))
    assert leaks[:3] == pytest.approx([0.0, 0.1, 0.3], abs=0.13)
    assert leaks[3] > 0.6 * (streams - 1) / streams
    ids = [f"K{k}" for k in truck]
    assert np.abs(messages(Homes.of(loads(home_vehicle_id=ids), streams), b) - 1).mean() < 0.25


def test_tickets_of_one_trip_share_their_machine():
    trips: dict[str, list[str | None]] = {"home_vehicle_id": ["K1", "K1", "K2"], "trip_id": ["L0", "L0", "L2"]}
    found = messages(Homes.of(loads(**trips), 2), np.array([[0.95, 0.05], [0.5, 0.5], [0.5, 0.5]]))
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
    truck = [f"K{k // 2}" for k in range(12)]
    gang = ["A"] * 6 + ["B"] * 6
    b = beliefs(np.repeat([0, 1], 6), 2, 0.9)
    b[:2] = 0.5
    alone = messages(Homes.of(loads(home_vehicle_id=truck), 2), b)
    joined = messages(Homes.of(loads(home_vehicle_id=truck, gang_id=gang), 2), b)
    assert alone[0] == pytest.approx([1, 1], abs=1e-6)
    assert joined[0, 0] / joined[0, 1] > 3
