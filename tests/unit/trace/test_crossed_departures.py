import datetime as dt
import itertools
import math

import numpy as np
import polars as pl
import pytest

from tests.unit.trace.test_trace import CLOCKS, START, bins, part_between, signals, tickets, work
from transforms.trace.calibration import KINDS, KNOTS, calibrate_season
from transforms.trace.crossed_departures import place_chances
from transforms.trace.day_clocks import DayClocks, lag_density
from transforms.trace.field_trace import trace_field
from transforms.trace.grade_evidence import REPLICATE
from transforms.trace.heaps import Heap, heap_contents
from transforms.trace.lag_medians import delayed_share, unsorted_spread
from transforms.trace.lag_samples import SAMPLE
from transforms.trace.replicates import draw_loads

WIDE = DayClocks(site_lag_min={"north": 25.0}, min_per_km=0.0, spread_min=12.0)


def enumerated(weight: np.ndarray) -> np.ndarray:
    """Marginals of permutations weighted by the product of their entries, by full enumeration."""
    n = weight.shape[0]
    out = np.zeros((n, n))
    for order in itertools.permutations(range(n)):
        out[np.arange(n), order] += np.prod(weight[np.arange(n), order])
    return out / out.sum(axis=1, keepdims=True)


def test_marginals_of_permutations_agree_with_enumeration():
    rng = np.random.default_rng(3)
    at = np.arange(6) * 10.0
    off = []
    for _ in range(20):
        seen = np.sort(at + rng.normal(0, 8, 6))
        weight = lag_density(seen[:, None] - at[None, :], np.full((6, 1), 8.0))
        off.append(place_chances(weight) - enumerated(weight))
    assert np.sqrt(np.mean(np.square(off))) < 0.08
    # Not too sure of the order, on average.
    assert np.mean([np.diag(o).mean() for o in off]) == pytest.approx(0.0, abs=0.06)


def test_a_certain_order_stays():
    weight = np.full((4, 4), 1e-9) + np.eye(4)
    assert place_chances(weight) == pytest.approx(np.eye(4), abs=1e-6)


def test_loads_that_may_have_changed_places_are_spread_over_both_and_graded_lower():
    loads = tickets([32.0] * 4, [10, 24, 26, 40])
    stretch = {START.date(): WIDE}
    found = trace_field(work(bins("M1", 40), {"M1": signals(10, 40)}, loads), stretch)
    usual = trace_field(work(bins("M1", 40), {"M1": signals(10, 40)}, loads), {START.date(): CLOCKS})
    assert 0.2 < part_between(found, "L01", 20, 30) < 0.6
    assert found.grade["claimed_quality"].mean() < usual.grade["claimed_quality"].mean() - 0.1


def test_masses_reject_a_swap():
    loads = tickets([32.0, 64.0, 32.0], [20, 40, 40.5])
    found = trace_field(work(bins("M1", 40), {"M1": signals(20, 40)}, loads), {START.date(): CLOCKS})
    assert part_between(found, "L01", 0, 20) == pytest.approx(0.5, abs=0.1)


def test_sorted_lags_vary_less_than_lags():
    rng = np.random.default_rng(1)
    slots = np.arange(4000) * 10.0
    off = np.sort(slots + rng.normal(0, 8.0, slots.size)) - slots
    raw = 1.4826 * float(np.median(np.abs(off - np.median(off))))
    assert raw < 6.5
    assert unsorted_spread(raw, 10.0) == pytest.approx(8.0, abs=1.2)


def test_delays_follow_known_drives():
    row = dict.fromkeys(SAMPLE, None) | {"drive_n": 1000, "late_n": 100}
    many = pl.DataFrame([row], schema=SAMPLE)
    assert delayed_share(many) == pytest.approx(0.1 * math.e, abs=0.02)
    assert delayed_share(many.clear()) == pytest.approx(0.03 * math.e, abs=0.001)


def heap() -> Heap:
    """Eight batches of 30 t, the first four by machine 0 and the others by machine 1."""
    stream = np.repeat([0, 1], 4)
    start_t = np.arange(0.0, 80.0, 10.0)
    return Heap(np.zeros(8, dtype=np.int64), stream, np.arange(8), start_t, np.full(8, 30.0))


def test_named_tickets_give_the_order_of_a_heap():
    left, size = np.arange(5000.0, 5120.0, 15.0), np.full(8, 30.0)
    unknown = heap_contents(heap(), heap().stream, left, size, np.full(8, -1))
    newest_first = heap_contents(heap(), heap().stream, left, size, np.repeat([1, 0], 4))
    assert not unknown.order_known
    assert newest_first.order_known
    assert newest_first.share[0].argmax() == 7
    assert newest_first.share[7].argmax() == 0
    assert newest_first.sure.mean() > unknown.sure.mean() + 0.15
    assert unknown.share.sum(axis=1) == pytest.approx(np.ones(8))
    assert unknown.share[0, 0] == pytest.approx(unknown.share[0, 7], abs=0.02)


def test_the_grade_of_an_unknown_order_fits_ordered_and_mixed_heaps_alike():
    n = 40
    same = np.zeros(n, dtype=np.int64)
    large = Heap(same, same, np.arange(n), np.arange(0.0, 10.0 * n, 10.0), np.full(n, 27.0))
    left = np.arange(5000.0, 5000.0 + 15 * n, 15.0)
    found = heap_contents(large, large.stream, left, np.full(n, 27.0), np.full(n, -1))
    place = (np.arange(n) + 0.5) / n
    near = np.exp(-0.5 * ((place[:, None] - place[None, :]) / 0.25) ** 2)
    mixed = near / near.sum(axis=1, keepdims=True)
    for truth in (np.eye(n), np.eye(n)[::-1], mixed):
        overlap = np.minimum(found.share, truth).sum(axis=1).mean()
        assert found.sure.mean() == pytest.approx(overlap, abs=0.13)


def test_a_load_takes_nothing_that_was_tipped_later():
    left = np.array([35.0, 5000.0])
    found = heap_contents(heap(), heap().stream, left, np.full(2, 30.0), np.full(2, -1))
    assert found.share[0, 4:].sum() == pytest.approx(0.0)


def test_drawn_loads_hold_the_mass_of_the_stretch():
    loads = tickets([32.0] * 4, [10, 20, 30, 40])
    field = work(bins("M1", 40), {"M1": signals(10, 40)}, loads)
    drawn, truth = draw_loads(np.random.default_rng(5), field.stretches[0], loads, CLOCKS)
    assert drawn["delivered_t"].sum() == pytest.approx(128.0, rel=0.35)
    total = truth.group_by("load_id").agg(pl.col("share").sum())["share"].to_numpy()
    assert total == pytest.approx(np.ones(total.size))


def drawn_grades(overlap: float) -> pl.DataFrame:
    n = 400
    row = {"field_id": "F", "shift_date": dt.date(2025, 10, 1), "load_id": "R", "site_id": "s", "kind_code": "seen"}
    table = pl.DataFrame([row] * n).with_columns(
        pl.Series("claimed_quality", np.linspace(0.7, 0.95, n)), pl.lit(overlap).alias("overlap")
    )
    return table.select(pl.col(c).cast(t) for c, t in REPLICATE.items())


def test_a_season_that_traces_worse_than_the_prior_gets_lower_grades():
    loads = pl.DataFrame({"claimed_quality": [0.9, 0.9], "kind_code": ["seen", "silent"], "site_id": ["s", "s"]})
    prior = float(np.interp(0.9, KNOTS, KINDS["seen"]))
    low = calibrate_season(drawn_grades(0.3)).quality(loads)
    assert low[0] == pytest.approx(0.3, abs=0.05)
    assert calibrate_season(drawn_grades(0.3).clear()).quality(loads)[0] == pytest.approx(prior)
