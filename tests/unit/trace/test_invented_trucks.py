"""Truck numbers of a season's own trips: a truck comes back, and serves one machine but for a few loads."""

import datetime as dt

import polars as pl
import pytest

from transforms.trace.invented_trucks import invent_trucks

START = dt.datetime(2025, 10, 14, 8, tzinfo=dt.UTC)


def loads(n: int, every_min: float = 6.0) -> pl.DataFrame:
    at = [START + dt.timedelta(minutes=every_min * i) for i in range(n)]
    return pl.DataFrame({"load_id": [f"L{i:03d}" for i in range(n)], "km": 20.0, "weighed_at": at})


def test_trucks_alternate_and_are_not_back_before_their_way():
    machines = {f"L{i:03d}": "M1" for i in range(60)}
    trucks = invent_trucks(loads(60), machines, seed=1)["truck_id"].to_list()
    last: dict[str, int] = {}
    for i, truck in enumerate(trucks):
        assert i - last.get(truck, -100) >= 2 * 1.45 * 20 / 6
        last[truck] = i
    assert 10 < len(last) < 25


@pytest.mark.parametrize("seed", [1, 2])
def test_a_tenth_of_the_loads_goes_with_a_truck_of_the_other_machine(seed):
    machines = {f"L{i:03d}": f"M{1 + i % 2}" for i in range(300)}
    found = invent_trucks(loads(300), machines, seed).with_columns(
        pl.col("load_id").replace_strict(machines).alias("machine")
    )
    share = found.group_by("truck_id").agg(
        pl.len(), (pl.col("machine") == pl.col("machine").mode().min()).sum().alias("own")
    )
    assert 0.8 < share["own"].sum() / share["len"].sum() < 0.98


def test_a_load_without_a_traced_machine_has_no_truck():
    assert invent_trucks(loads(2), {"L000": "M1"}, seed=1)["truck_id"].null_count() == 1
