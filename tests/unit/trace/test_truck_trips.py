"""Tickets of one arrival of a truck are one trip."""

import datetime as dt

import polars as pl
import pytest

from transforms.trace.truck_trips import add_trips

START = dt.datetime(2025, 10, 14, 8, tzinfo=dt.UTC)
Ticket = tuple[float, str | None, str | None]


def trips(tickets: list[Ticket], *, km: float = 20.0, sites: list[str] | None = None) -> list[str | None]:
    """Trip of each ticket (minute of weighing, truck, trailer), as numbers of tickets."""
    rows = [
        {
            "load_id": f"L{i}",
            "site_id": "N" if sites is None else sites[i],
            "km": km,
            "weighed_at": START + dt.timedelta(minutes=minute),
            "truck_id": truck,
            "trailer_id": trailer,
        }
        for i, (minute, truck, trailer) in enumerate(tickets)
    ]
    schema = {"truck_id": pl.String, "trailer_id": pl.String}
    return add_trips(pl.DataFrame(rows, schema_overrides=schema))["trip_id"].to_list()


@pytest.mark.parametrize(
    ("tickets", "expected"),
    [
        ([(0, "T1", None), (90, "T1", None)], ["L0", "L1"]),
        ([(0, "T1", None), (0, "T1", None)], ["L0", "L0"]),
        ([(0, "T1", None), (6, "T2", None), (8, "T1", None)], ["L0", "L1", "L0"]),
        ([(0, "T1", "A1"), (12, None, "A1")], ["L0", "L0"]),
        ([(0, "T1", "A1"), (12, "T1", None)], ["L0", "L0"]),
        ([(0, "T1", "A1"), (100, None, "A1")], ["L0", "L1"]),
        ([(0, None, "A1"), (5, None, "A1")], ["L0", "L0"]),
        ([(0, None, None), (1, None, None)], [None, None]),
        ([(8, "T1", None), (0, "T1", None)], ["L1", "L1"]),
    ],
)
def test_tickets_between_which_a_truck_cannot_have_been_at_a_field_are_one_trip(tickets, expected):
    assert trips(tickets) == expected


@pytest.mark.parametrize(("km", "is_one"), [(2.0, False), (6.0, True)])
def test_a_near_field_leaves_time_for_another_trip(km, is_one):
    assert (len(set(trips([(0, "T1", None), (18, "T1", None)], km=km))) == 1) == is_one


def test_another_site_is_another_trip():
    assert trips([(0, "T1", None), (5, "T1", None)], sites=["N", "S"]) == ["L0", "L1"]


def test_a_trip_does_not_grow_by_many_tickets_in_a_row_beyond_the_time_of_a_way():
    assert trips([(0, "T1", None), (4, "T1", None), (50, "T1", None)]) == ["L0", "L0", "L2"]
