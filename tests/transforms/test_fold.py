"""The night the clocks change: 26 October 2025, 03:00 in Prague becomes 02:00 again."""

import datetime as dt

import polars as pl
import pytest

from transforms.intake.fold import unfolded

ZONE = "Europe/Prague"
MIDNIGHT = dt.datetime(2025, 10, 25, 22, tzinfo=dt.UTC)


def night(minutes: list[float]) -> tuple[pl.Series, pl.Series]:
    """True times so many minutes after local midnight, and what a local clock shows of them."""
    true = pl.Series([MIDNIGHT + dt.timedelta(minutes=m) for m in minutes], dtype=pl.Datetime("us", "UTC"))
    return true, true.dt.convert_time_zone(ZONE).dt.replace_time_zone(None)


@pytest.mark.parametrize(
    "minutes",
    [
        pytest.param([m / 6 for m in range(600, 1500)], id="a log every ten seconds through the night"),
        pytest.param([100, 131, 150, 165, 182, 199, 221, 240, 260], id="tickets in both passes"),
        pytest.param([100, 131, 150, 165], id="tickets of the first pass alone"),
        pytest.param([200, 221, 240, 260], id="tickets of the second pass alone"),
        pytest.param([170], id="one ticket of the first pass, then the file ends"),
        pytest.param([118, 150, 185, 203, 260], id="a clock that goes back less than an hour"),
        pytest.param([100, 131, 129, 150, 182, 181, 199, 240], id="tickets a little out of order"),
        pytest.param([600, 700, 800], id="no time of the repeated hour"),
    ],
)
@pytest.mark.parametrize("newest_first", [False, True])
def test_each_pass_is_told_by_the_order_of_the_rows(minutes, newest_first):
    true, local = night(minutes[::-1] if newest_first else minutes)
    assert unfolded(local, ZONE).to_list() == true.to_list()


def test_missing_times_and_skipped_hours_stay_missing():
    texts = pl.Series(["2026-03-29 02:30", None, "2026-03-29 03:30"])
    spring = texts.str.to_datetime("%Y-%m-%d %H:%M", time_unit="us")
    assert unfolded(spring, ZONE).to_list() == [
        None,
        None,
        dt.datetime(2026, 3, 29, 1, 30, tzinfo=dt.UTC),
    ]
