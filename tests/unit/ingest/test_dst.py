"""The night the clocks change: 26 October 2025, 03:00 in Prague becomes 02:00 again."""

import datetime as dt

import polars as pl
import pytest

from transforms.ingest.dst import UnfoldedTimes, first_pass_before, unfold_times

ZONE = "Europe/Prague"
MIDNIGHT = dt.datetime(2025, 10, 25, 22, tzinfo=dt.UTC)


def night(minutes: list[float]) -> tuple[pl.Series, pl.Series]:
    """True times at the given minutes after local midnight, and what a local clock shows of them."""
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
        pytest.param([118, 130, 140, 230, 245, 260], id="the last ticket of the hour after a pause of 90 minutes"),
        pytest.param(
            [*(m / 6 for m in range(600, 1080)), 236, *(m / 6 for m in range(1440, 1500))],
            id="a log of the first pass, then one row of the second that goes back by 4 minutes",
        ),
        pytest.param([m / 6 for m in [*range(600, 800), *range(1300, 1500)]], id="a log with a pause between passes"),
    ],
)
@pytest.mark.parametrize("newest_first", [False, True])
def test_each_pass_is_told_by_the_order_of_the_rows(minutes, newest_first):
    true, local = night(minutes[::-1] if newest_first else minutes)
    assert unfold_times(local, ZONE).utc.to_list() == true.to_list()


def test_missing_times_and_skipped_hours_stay_missing():
    texts = pl.Series(["2026-03-29 02:30", None, "2026-03-29 03:30"])
    spring = texts.str.to_datetime("%Y-%m-%d %H:%M", time_unit="us")
    assert unfold_times(spring, ZONE).utc.to_list() == [
        None,
        None,
        dt.datetime(2026, 3, 29, 1, 30, tzinfo=dt.UTC),
    ]


@pytest.mark.parametrize(
    ("minutes", "doubtful"),
    [
        ([170], 1),  # one row, as in a file of corrections
        ([600, 170, 20], 1),  # a row among others in no order of time
        ([100, 110, 120, 140, 230], 2),  # the last row before the end of the file: 30 minutes later, or 90
        ([118, 150, 185, 203, 260], 0),
        ([m / 6 for m in range(600, 800)], 0),
        ([m / 6 for m in range(1300, 1500)], 0),
    ],
)
def test_times_without_a_clear_pass_are_reported(minutes, doubtful):
    _, local = night(minutes)
    found = unfold_times(local, ZONE)
    assert len(found.doubtful) == doubtful
    assert len(found.finding("weighed_at")) == min(doubtful, 1)


def test_a_file_in_no_order_of_time_is_bounded_and_reported():
    _, local = night([150, 600] * 50_000)
    assert len(unfold_times(local, ZONE).doubtful) == 50_000


def test_times_beyond_the_calendar_are_read_without_an_error():
    far = pl.Series([4_612_345_678_901_234_567, -4_612_345_678_901_234_567], dtype=pl.Datetime("us"))
    assert unfold_times(far, ZONE).utc.len() == 2


def test_a_time_in_the_second_pass_after_its_limit_is_moved_to_the_first():
    """Trucks left at 02:26 and 02:50 and were weighed at 02:48 in the first pass and at 02:14 in the second."""
    day = dt.datetime(2025, 10, 26, tzinfo=dt.UTC)
    late = pl.Series([day.replace(hour=1, minute=26), day.replace(hour=1, minute=50), day.replace(hour=1, minute=5)])
    limit = pl.Series([day.replace(hour=0, minute=48), day.replace(hour=1, minute=14), day.replace(hour=1, minute=20)])
    moved = first_pass_before(UnfoldedTimes(late, zone="Europe/Prague"), limit)
    assert moved.to_list() == [day.replace(minute=26), day.replace(minute=50), late[2]]
    assert first_pass_before(UnfoldedTimes(late), limit).to_list() == late.to_list()
