import datetime as dt

import numpy as np
import polars as pl
import pytest

from tests.unit.trace.test_trace import CLOCKS, DAY, LAG_MIN, START, bins, signals, tickets, work
from transforms.contracts.result_tables import schema_of
from transforms.trace.field_work import TracedFieldWork
from transforms.trace.grade_evidence import grade_evidence, is_picked, picks_fingerprint, sampling_step
from transforms.trace.hidden_tickets import hide_tickets, judge_hidden
from transforms.trace.shares import expected_overlap, load_shares
from transforms.trace.stretch_loads import assign_loads, associate_stretch

DAYS = [DAY + dt.timedelta(days=d) for d in range(200)]


def two_machines(names: list[str | None]) -> TracedFieldWork:
    """Two machines that empty their tanks in turn, five minutes after each other, a truck each."""
    table = pl.concat([bins("M1", 60), bins("M2", 60, start=START + dt.timedelta(minutes=5))])
    later = signals(10, 60)
    moved = type(later)(later.emptied_us + 5 * 60_000_000, later.emptied_t, later.tank_t)
    full = [float(m + off) for m in range(10, 61, 10) for off in (0, 5)]
    loads = tickets([32.0] * 12, full, names)
    return work(table, {"M1": signals(10, 60), "M2": moved}, loads)


def test_small_seasons_are_drawn_whole_and_large_ones_in_part():
    assert [sampling_step(n) for n in (1, 199, 200, 400, 800, 100_000)] == [1, 1, 2, 4, 8, 8]


def test_a_larger_step_picks_a_part_of_the_same_stretches():
    picked = {step: {d for d in DAYS if is_picked("F", d, step)} for step in (0, 1, 2, 8)}
    assert not picked[0]
    assert picked[8] < picked[2] < picked[1] == set(DAYS)
    assert len(picked[8]) == pytest.approx(25, abs=12)


def test_the_fingerprint_changes_only_for_stretches_that_are_picked_otherwise():
    whole, half = (picks_fingerprint("F", DAYS, step) for step in (1, 2))
    changed = [d for d, a, b in zip(DAYS, whole, half, strict=True) if a != b]
    assert changed == [d for d in DAYS if not is_picked("F", d, 4)]


def test_a_name_is_no_knowledge_if_one_machine_worked():
    loads = tickets([32.0] * 8, list(range(10, 90, 10)), ["M1"] * 8)
    assert not hide_tickets(loads, 1)["is_hidden"].any()
    hidden = hide_tickets(loads, 2)
    assert 0 < hidden["is_hidden"].sum() < 8
    assert hidden.filter("is_hidden")["machine_id"].null_count() == hidden["is_hidden"].sum()
    assert hidden.filter(~pl.col("is_hidden"))["machine_id"].null_count() == 0


def test_shares_overlap_with_their_own_placements_as_claimed():
    own = assign_loads(two_machines(["M1", "M2"] * 6), {DAY: CLOCKS})
    (stretch_loads,) = own.of_stretch
    shared = associate_stretch(stretch_loads, own.usual).shared
    assert shared is not None
    for i in range(12):
        found = load_shares(stretch_loads.stretch, shared, i)
        assert expected_overlap(stretch_loads.stretch, shared, i, found) == pytest.approx(found.sure, abs=0.01)


def test_hidden_names_confirm_a_right_tracing_and_refute_a_wrong_one():
    right = judge_hidden(two_machines(["M1", "M2"] * 6), {DAY: CLOCKS})
    wrong = judge_hidden(two_machines(["M2", "M1"] * 6), {DAY: CLOCKS})
    assert right.height > 2
    assert right["overlap"].mean() > right["claimed_quality"].mean() - 0.1
    assert wrong["overlap"].mean() < right["overlap"].mean() - 0.3
    assert set(right["kind_code"].to_list()) == {"seen_contested"}


def test_hidden_departures_reveal_lags_that_vary_more_than_assumed():
    full = np.arange(10.0, 130.0, 10.0)
    off = np.where(np.arange(12) % 2 == 0, 9.0, -9.0)
    left = [START + dt.timedelta(minutes=m + 3.0) for m in full.tolist()]
    weighed = [START + dt.timedelta(minutes=m + LAG_MIN) for m in (full + off).tolist()]
    steady = tickets([32.0] * 12, full.tolist()).with_columns(pl.Series("left_field_at", left))
    table, of = bins("M1", 120), {"M1": signals(10, 120)}
    mixed = steady.with_columns(pl.Series("weighed_at", weighed))
    calm, rough = (judge_hidden(work(table, of, loads), {DAY: CLOCKS}) for loads in (steady, mixed))
    assert calm["overlap"].mean() > 0.8
    assert rough["overlap"].mean() < calm["overlap"].mean() - 0.2


def test_nothing_known_hides_nothing_and_draws_are_made():
    field = two_machines([None] * 12)
    assert judge_hidden(field, {DAY: CLOCKS}).height == 0
    found = grade_evidence(field, {DAY: CLOCKS}, 1)
    assert found.height >= 8
    assert found.schema == schema_of("trace_replicate")
    assert found["load_id"].str.starts_with("R").all()
    assert grade_evidence(field, {DAY: CLOCKS}, 0).height == 0
