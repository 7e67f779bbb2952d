import datetime as dt

import numpy as np
import polars as pl
import pytest

from tests.unit.trace.test_trace import DAY, bins, samples, season, signals, tickets, work
from transforms.trace.day_clocks import USUAL_LEAVE_MIN
from transforms.trace.known_drives import known_lags
from transforms.trace.lag_model import LagModel
from transforms.trace.lag_samples import CLOCK_STEPS_MIN, CLOCK_WEIGHT, lag_samples
from transforms.trace.slot_assignment import Slots


def test_lags_are_median_drives_of_a_site_and_unknown_with_few_drives():
    loads = tickets([30.0] * 8, [10.0 * k for k in range(8)]).with_columns(
        pl.Series("site_id", ["north"] * 5 + ["south"] * 3)
    )
    drives = [20, 22, 90, None, None, 30, 30, None]
    left = [
        None if d is None else w - dt.timedelta(minutes=d) for d, w in zip(drives, loads["weighed_at"], strict=True)
    ]
    loads = loads.with_columns(pl.Series("left_field_at", left, dtype=pl.Datetime("us", "UTC")))
    found = known_lags(loads)
    assert found[:5] == pytest.approx(np.full(5, 22 + USUAL_LEAVE_MIN))
    assert np.isnan(found[5:]).all()


def site_lag(rows: list[dict[str, object]]) -> float:
    return LagModel(samples(rows)).by_day[DAY].lag_min("north", 0.0)


@pytest.mark.parametrize("late_min", [0.0, 15.0])
def test_another_moment_that_all_tickets_report_does_not_change_the_lag(late_min: float):
    rows = season(days=6)
    nothing = {"machine_id": None, "leave_n": 0, "drive_n": 0}
    drives = [r | nothing | {"lag_min": 14 + 1.5 * float(str(r["km"])) - late_min} for r in rows]
    assert site_lag([*rows, *drives]) == pytest.approx(14, abs=2)


def test_known_drives_are_a_row_without_machine():
    full = [10.0 * k for k in range(1, 9)]
    loads = tickets([32.0] * 8, full)
    loads = loads.with_columns((pl.col("weighed_at") - dt.timedelta(minutes=21)).alias("left_field_at"))
    rows = lag_samples(work(bins("M1", 80), {"M1": signals(10, 80)}, loads))
    (known,) = rows.filter(pl.col("machine_id").is_null()).iter_rows(named=True)
    assert known["lag_min"] == pytest.approx(21 + USUAL_LEAVE_MIN)
    assert known["n"] == 8
    assert known["drive_n"] == 0


@pytest.mark.parametrize("ahead", [(0.0, 0.0, 11.0), (0.0, -8.0, 0.0), (0.0, 0.0, 0.0)])
def test_the_clock_that_is_off_is_shifted_and_no_other(ahead: tuple[float, ...]):
    rng = np.random.default_rng(5)
    times = [np.cumsum(rng.uniform(7, 15, 30)) for _ in ahead]
    owner = np.repeat(np.arange(3), 30)
    full = np.concatenate([t + a for t, a in zip(times, ahead, strict=True)])
    at = np.concatenate(times) + rng.normal(0, 3, 90)
    slots = Slots(at, np.full(90, 4.0), owner, full, np.zeros((90, 90), dtype=bool), clock_weight=CLOCK_WEIGHT)
    shift = slots.best_clocks(CLOCK_STEPS_MIN)
    assert shift == pytest.approx(-np.array(ahead), abs=2.5)
