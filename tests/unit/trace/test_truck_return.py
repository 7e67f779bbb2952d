import datetime as dt

import numpy as np
import polars as pl
import pytest

from tests.unit.trace.test_trace import START, bins, signals, work
from transforms.trace.truck_return import back_min, back_weights, waiting_density

MINUTES = START.timestamp() / 60
TWO = {"M1": signals(10, 600), "M2": signals(10, 20)}
STRETCH = work(pl.concat([bins("M1", 600), bins("M2", 20)]), TWO, pl.DataFrame()).stretches[0]


def trips(ahead_min: float, *, tared: bool, count: int = 60) -> tuple[pl.DataFrame, np.ndarray, np.ndarray]:
    """Loads of six trucks, when each was full, and when its truck was back; a lap takes 66 min or longer."""
    rng = np.random.default_rng(3)
    full, back = np.zeros(count), np.full(count, np.nan)
    for i in range(count):
        wait = rng.exponential(6.0)
        back[i] = full[i - 6] + 56 + rng.normal(0, 1) if i >= 6 else np.nan
        full[i] = max(back[i] + wait, full[i - 1]) + 10 if i >= 6 else 10.0 * (i + 1)
    weighed = full + 25 + ahead_min
    at = {
        name: pl.Series([START + dt.timedelta(minutes=float(m)) for m in values], dtype=pl.Datetime("us", "UTC"))
        for name, values in (("weighed_at", weighed), ("tared_at", weighed + 16))
    }
    table = pl.DataFrame(
        {
            "load_id": [f"L{i}" for i in range(count)],
            "truck_id": [f"K{i % 6}" for i in range(count)],
            "site_id": "north",
            "km": 10.0,
            **at,
        }
    )
    return table if tared else table.drop("tared_at"), full + MINUTES, back + MINUTES


@pytest.mark.parametrize("tared", [True, False])
@pytest.mark.parametrize("ahead_min", [0.0, 60.0, -7.0])
def test_returns_are_found_by_any_clock_of_the_site(tared: bool, ahead_min: float):  # noqa: FBT001
    loads, full, true = trips(ahead_min, tared=tared)
    found = back_min(loads, full, STRETCH, 1.5)
    assert np.isnan(found[:6]).all()
    assert np.median(found[6:] - true[6:]) == pytest.approx(0, abs=6)
    # Almost no truck is filled before it is back.
    assert (found[6:] < full[6:] - 10 + 3).mean() > 0.9


def test_too_few_returns_and_tickets_without_truck_show_nothing():
    loads, full, _ = trips(0.0, tared=True, count=12)
    assert np.isnan(back_min(loads, full, STRETCH, 1.5)).all()
    assert np.isnan(back_min(loads.drop("truck_id"), full, STRETCH, 1.5)).all()


def test_two_tickets_of_one_trip_have_the_same_return():
    loads, full, _ = trips(0.0, tared=True)
    second = loads.with_columns(pl.col("load_id") + "b", pl.col("weighed_at") + pl.duration(minutes=3))
    both = pl.concat([loads, second])
    found = back_min(both, np.concatenate([full, full]), STRETCH, 1.5)
    assert found[:60] == pytest.approx(found[60:], nan_ok=True)


def test_an_end_before_the_return_is_unlikely_and_unknown_returns_change_nothing():
    stream, at_t = STRETCH.streams[0], np.arange(0.0, 300.0)
    back = np.array([MINUTES + 60, np.nan])
    weights = back_weights(back, np.full(2, 32.0), at_t, stream, 0.0)
    assert weights is not None
    # A load of 32 t that ends at 96 t began to be filled at 20 min, one that ends at 288 t at 80 min.
    assert weights[0, 96] < 0.1
    assert weights[0, 288] > 0.9
    assert (weights[1] == 1).all()
    assert back_weights(back[1:], np.full(1, 32.0), at_t, stream, 0.0) is None


def test_the_waiting_density_is_one():
    x = np.arange(-60.0, 400.0, 0.05)
    for mean in (2.0, 24.0):
        density = waiting_density(x, mean, 5.0)
        assert density.sum() * 0.05 == pytest.approx(1, abs=1e-3)
        assert (density * x).sum() * 0.05 == pytest.approx(mean, rel=1e-2)
