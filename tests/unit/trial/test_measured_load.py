"""The load of a plot or of a quality check without a ticket, by the trace and the machine's own clock."""

import datetime as dt

import polars as pl
import pytest

from transforms.storage.warehouse import Warehouse

AT = dt.datetime(2025, 10, 20, 8, tzinfo=dt.UTC)
LATER = {"L1": 0, "L2": 20}
"""Load -> minutes after 8:00 at which its half hour of lifting begins, by the machine's clock."""


def at(minutes: float) -> dt.datetime:
    return AT + dt.timedelta(minutes=minutes)


@pytest.fixture
def warehouse():
    with Warehouse.in_memory() as opened:
        bins = [(load, "M1", at(start + k / 2), 1 / 40) for load, start in LATER.items() for k in range(40)]
        opened.replace("load_trace", pl.DataFrame(bins, ["load_id", "machine_id", "bin_at", "share"], orient="row"))
        yield opened


def store(warehouse: Warehouse, plots: list[float], checks: list[tuple[float, str | None, str | None]]) -> None:
    """Store plots by their minutes and checks by their minutes, place and ticket, all of M1."""
    instant = pl.Datetime("us", "UTC")
    warehouse.store(
        "audit_fact",
        pl.DataFrame(
            [(f"A{i}", "M1", at(m)) for i, m in enumerate(plots)],
            {"audit_id": pl.String(), "machine_id": pl.String(), "audited_at": instant},
            orient="row",
        ),
    )
    warehouse.store(
        "root_check_fact",
        pl.DataFrame(
            [(f"C{i}", "M1", at(m), place, ticket) for i, (m, place, ticket) in enumerate(checks)],
            {
                "check_id": pl.String(),
                "machine_id": pl.String(),
                "checked_at": instant,
                "place": pl.String(),
                "load_id": pl.String(),
            },
            orient="row",
        ),
    )


def loads(warehouse: Warehouse) -> dict[str, str]:
    return dict(warehouse.query("trial_measured_load").select("row_id", "load_id").iter_rows())


def test_a_plot_and_a_check_belong_to_the_load_with_most_of_the_mass_around_them(warehouse):
    store(warehouse, [3.0, 19.0, 25.0, 90.0], [(10.0, None, None), (16.0, "tank", None), (26.0, "tank", None)])
    assert loads(warehouse) == {"A0": "L1", "A1": "L1", "A2": "L2", "C0": "L1", "C1": "L1", "C2": "L2"}


def test_checks_with_a_ticket_or_from_a_pile_are_not_assigned(warehouse):
    store(warehouse, [], [(10.0, "tank", "L9"), (10.0, "pile", None), (10.0, "yard", None)])
    assert loads(warehouse) == {}


def test_the_clock_of_the_machine_is_allowed_for(warehouse):
    store(warehouse, [15.0], [])
    assert loads(warehouse) == {"A0": "L1"}
    offset = {
        "subject_kind": "machine",
        "subject_id": "M1",
        "from_date": AT.date(),
        "to_date": AT.date(),
        "n": 9,
        "offset_min": 10.0,
        "lo95": 9.0,
        "hi95": 11.0,
        "corrected": True,
    }
    warehouse.replace("clock_offset", pl.DataFrame([offset]))
    assert loads(warehouse) == {"A0": "L2"}
