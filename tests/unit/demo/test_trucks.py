"""Trucks of the demo season: one is filled only when it is back, and waits beside its machine while it is filled."""

import dataclasses

import numpy as np
import polars as pl
import pytest

from transforms.config.settings_catalogue import Catalogue
from transforms.demo.exports import tickets_of
from transforms.demo.scenario import Plan, Scenario
from transforms.demo.season import DemoSeason, invent_season
from transforms.demo.truck_exports import true_trips, with_haulage
from transforms.demo.truck_tracks import EAST_M, NORTH_M, truck_positions
from transforms.demo.trucks import Trip, truck_columns, truck_trips


@pytest.fixture(scope="module")
def season(catalogue: Catalogue) -> DemoSeason:
    return invent_season(Plan(4, 2, 3, 0.05, Scenario(machines_a_field=2, split=0.1, site_clocks=())), catalogue)


@pytest.fixture(scope="module")
def trips(season: DemoSeason) -> list[Trip]:
    return truck_trips(season)


def test_every_ticket_has_one_truck_and_tickets_of_a_trip_the_same(season, trips):
    table = truck_columns(trips)
    assert sorted(table["order"]) == sorted(season.tickets["order"])
    together = (
        season.tickets.group_by("machine", "left_s", "true_field").agg("order").filter(pl.col("order").list.len() > 1)
    )
    assert together.height > 0
    truck_of = dict(table.select("order", "truck_id").iter_rows())
    assert all(len({truck_of[o] for o in orders}) == 1 for orders in together["order"])


def test_no_truck_is_filled_before_it_is_back(trips):
    back: dict[int, float] = {}
    for trip in trips:
        assert trip.arrived_s >= back.get(trip.truck, -np.inf)
        assert trip.arrived_s <= trip.from_s < trip.left_s < trip.weighed_s < trip.tared_s
        back[trip.truck] = trip.tared_s + trip.drive_s


def test_most_trucks_serve_one_machine_and_some_come_once(trips):
    rows = pl.DataFrame([(t.truck, t.machine) for t in trips], schema=["truck", "machine"], orient="row")
    rows = rows.filter(pl.col("machine") >= 0)
    loads = rows.group_by("truck").agg(
        pl.len(), (pl.col("machine") == pl.col("machine").mode().first()).mean().alias("own")
    )
    assert 0 < loads.filter(pl.col("len") == 1).height < 0.1 * rows.height
    regular = loads.filter(pl.col("len") > 5)
    assert 0.75 < np.average(regular["own"], weights=regular["len"]) < 1


def test_trucks_change_nothing_else_of_the_season(season, catalogue):
    plan = dataclasses.replace(season.plan, scenario=dataclasses.replace(season.plan.scenario, truck_ids=0.0))
    other = invent_season(plan, catalogue)
    assert other.tickets.equals(season.tickets)
    assert other.tares.equals(season.tares)


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_the_asked_share_of_tickets_names_its_truck(season, trips, share):
    asked = dataclasses.replace(season.plan.scenario, truck_ids=share)
    named = dataclasses.replace(season, plan=dataclasses.replace(season.plan, scenario=asked))
    tickets = with_haulage(named, tickets_of(np.random.default_rng(1), named), pl.lit(0.0), trips)
    known = 1 - tickets["truck_id"].null_count() / tickets.height
    assert known == pytest.approx(share, abs=0.08)
    assert tickets["truck_id"].is_null().equals(tickets["tared_at"].is_null())
    assert (tickets["tared_at"] > tickets["weighed_at"]).drop_nulls().all()
    truth = true_trips(named, trips)
    both = tickets.join(truth, on="load_id", suffix="_true").drop_nulls("truck_id")
    assert (both["truck_id"] == both["truck_id_true"]).all()


@pytest.mark.parametrize("interval_s", [10.0, 60.0])
def test_a_truck_is_logged_beside_its_machine_at_every_emptying_into_it(season, trips, interval_s):
    rows = truck_positions(season, trips, interval_s)
    gaps = rows.select(pl.col("second").diff().over("truck_id")).to_series().drop_nulls()
    assert (gaps >= interval_s - 1e-6).all()
    unloading = season.records.filter("unloading").select("machine", "second", "east_m", "north_m")
    distances = []
    for trip in [t for t in trips if t.machine >= 0][:80]:
        filling = pl.col("second").is_between(trip.from_s, trip.left_s)
        during = unloading.filter(pl.col("machine") == trip.machine, filling)
        own = rows.filter(pl.col("truck_id") == f"LK {trip.truck}")
        place = season.district.fields.row(trip.field_index, named=True)
        at = during["second"].to_numpy().astype(float)
        lon = np.interp(at, own["second"], own["lon_deg"])
        east = (lon - place["lon_deg"]) * EAST_M - during["east_m"].to_numpy()
        north = (np.interp(at, own["second"], own["lat_deg"]) - place["lat_deg"]) * NORTH_M - during[
            "north_m"
        ].to_numpy()
        distances.append(np.hypot(east, north))
    far = np.concatenate(distances) > 40
    assert far.size > 500
    assert far.mean() < {10.0: 0.05, 60.0: 0.25}[interval_s]
