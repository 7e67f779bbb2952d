import datetime as dt

import numpy as np
import polars as pl
import pytest

from transforms.contracts.reason import codes_of
from transforms.telemetry.unloads import find_unloads
from transforms.trace.association import associate_loads
from transforms.trace.day_clocks import DayClocks
from transforms.trace.field_trace import trace_field
from transforms.trace.field_work import TracedFieldWork
from transforms.trace.lag_model import LagModel
from transforms.trace.lag_samples import SAMPLE, lag_samples
from transforms.trace.load_ends_hmm import Chain, Departures
from transforms.trace.mass_streams import Signals, Stream, Stretch, field_stretches
from transforms.trace.trace_tables import FieldTrace

START = dt.datetime(2025, 10, 1, 6, tzinfo=dt.UTC)
DAY = START.date()
LAG_MIN = 25.0
CLOCKS = DayClocks(site_lag_min={"north": LAG_MIN}, min_per_km=0.0, spread_min=3.0)
YIELD_T_HA = 80.0


def bins(machine: str, minutes: int, *, start: dt.datetime = START, skip: range = range(0)) -> pl.DataFrame:
    """One machine at 1.6 t a bin, all in one field."""
    kept = [i for i in range(minutes * 2) if i not in skip]
    return pl.DataFrame(
        {
            "machine_id": machine,
            "bin_at": pl.Series([start + dt.timedelta(seconds=30 * i) for i in kept]).dt.cast_time_unit("us"),
            "state": "working",
            "area_ha": 0.02,
            "silent_s": np.append(30.0 * (np.diff(kept) - 1), 0.0),
            "field_id": "F1",
        }
    )


def signals(every_min: int, minutes: int, *, said_t: float = np.nan) -> Signals:
    at = [START + dt.timedelta(minutes=m) for m in range(every_min, minutes + 1, every_min)] if every_min else []
    us = np.array([round(a.timestamp() * 1e6) for a in at], dtype=np.int64)
    return Signals(us, np.full(us.size, said_t), 20.0)


def tickets(delivered: list[float], full_min: list[float], machine: list[str | None] | None = None) -> pl.DataFrame:
    """Loads that were full at the given minutes after the start, weighed after the usual lag."""
    at = pl.Series([START + dt.timedelta(minutes=m + LAG_MIN) for m in full_min], dtype=pl.Datetime("us", "UTC"))
    return pl.DataFrame(
        {
            "load_id": pl.Series([f"L{i:02d}" for i in range(len(delivered))], dtype=pl.String),
            "site_id": "north",
            "km": 10.0,
            "machine_id": pl.Series(machine or [None] * len(delivered), dtype=pl.String),
            "left_field_at": pl.Series([None] * len(delivered), dtype=pl.Datetime("us", "UTC")),
            "weighed_at": at,
            "delivered_t": pl.Series(delivered, dtype=pl.Float64),
        }
    )


def work(table: pl.DataFrame, of: dict[str, Signals], loads: pl.DataFrame) -> TracedFieldWork:
    return TracedFieldWork("F1", field_stretches(table, of, YIELD_T_HA, "UTC", dt.time(3)), loads)


def traced(table: pl.DataFrame, of: dict[str, Signals], loads: pl.DataFrame, clocks: DayClocks = CLOCKS) -> FieldTrace:
    one = work(table, of, loads)
    return trace_field(one, {s.shift_date: clocks for s in one.stretches})


def main(found: FieldTrace) -> dict[str, str]:
    """The machine of most of each load."""
    known = found.load_trace.drop_nulls("machine_id").group_by("load_id", "machine_id").agg(pl.col("share").sum())
    return dict(known.sort("share").unique("load_id", keep="last").select("load_id", "machine_id").iter_rows())


def codes_by_load(found: FieldTrace) -> dict[str, list[str]]:
    """Return the codes of the reasons in each load's grade."""
    return {
        load: codes_of(code, args)
        for load, code, args in found.grade.select("load_id", "reason_code", "reason_args").iter_rows()
    }


def part_between(found: FieldTrace, load: str, first_min: float, last_min: float) -> float:
    span = pl.col("bin_at").is_between(
        START + dt.timedelta(minutes=first_min), START + dt.timedelta(minutes=last_min), closed="left"
    )
    return float(found.load_trace.filter((pl.col("load_id") == load) & span)["share"].sum())


def test_shares_follow_the_emptied_tanks_and_sum_to_one():
    found = traced(bins("M1", 40), {"M1": signals(10, 40)}, tickets([32.0] * 4, [10, 20, 30, 40]))
    total = found.load_trace.group_by("load_id").agg(pl.col("share").sum())["share"].to_numpy()
    assert total == pytest.approx(np.ones(4), abs=1e-9)
    for k, load in enumerate(("L00", "L01", "L02", "L03")):
        assert part_between(found, load, 10 * k, 10 * k + 10) > 0.9
    assert found.grade["trace_quality"].min() > 0.8


def test_a_truck_takes_parts_of_two_tankfuls_and_a_stirred_tank_gives_each_bin_the_same():
    found = traced(bins("M1", 40), {"M1": signals(20, 40)}, tickets([32.0, 64.0, 32.0], [20, 40, 40.5]))
    first = found.load_trace.filter(
        (pl.col("load_id") == "L00") & (pl.col("bin_at") < START + dt.timedelta(minutes=20))
    )
    assert first.height == 40
    assert first["share"].to_numpy() == pytest.approx(np.full(40, first["share"][0]))
    assert part_between(found, "L01", 0, 20) == pytest.approx(0.5, abs=0.1)
    assert part_between(found, "L01", 20, 40) == pytest.approx(0.5, abs=0.1)


def test_what_a_silent_log_hides_is_an_explicit_remainder():
    found = traced(bins("M1", 40, skip=range(30, 50)), {"M1": signals(10, 40)}, tickets([32.0] * 4, [10, 20, 30, 40]))
    rest = found.load_trace.filter(pl.col("bin_at").is_null())
    assert rest["machine_id"].null_count() == rest.height
    # Ten of forty minutes are silent: a quarter of all mass.
    assert rest["share"].sum() == pytest.approx(1.0, abs=0.2)
    assert "log_incomplete" in {c for codes in codes_by_load(found).values() for c in codes}


def test_a_load_without_telemetry_is_kept_whole_as_untraced():
    found = trace_field(TracedFieldWork("F9", [], tickets([30.0], [60])), {})
    assert found.load_trace.select("bin_at", "share").row(0) == (None, 1.0)
    assert found.grade.select("trace_quality", "reason_code").row(0) == (0.0, "no_telemetry_in_field")


def test_without_emptyings_the_mass_curve_is_followed_and_said():
    found = traced(bins("M1", 60), {"M1": signals(0, 60)}, tickets([32.0] * 6, [14, 24, 34, 44, 54, 60]))
    at = found.load_trace.drop_nulls("bin_at").with_columns(
        ((pl.col("bin_at") - START).dt.total_seconds() / 60 * pl.col("share")).alias("weighted")
    )
    means = at.group_by("load_id", maintain_order=True).agg(pl.col("weighted").sum() / pl.col("share").sum())
    assert means["weighted"].to_numpy() == pytest.approx(np.arange(6) * 10 + 5, abs=3)
    assert "emptyings_not_detected" in codes_by_load(found)["L00"]
    seen = traced(bins("M1", 60), {"M1": signals(10, 60)}, tickets([32.0] * 6, [10, 20, 30, 40, 50, 60]))
    assert found.grade["trace_quality"].mean() < seen.grade["trace_quality"].mean()


def test_what_the_machine_weighed_itself_goes_before_area_times_yield():
    heavy_first = Signals(signals(10, 40).emptied_us, np.array([48.0, 16.0, 32.0, 32.0]), 20.0)
    stretch = work(bins("M1", 40), {"M1": heavy_first}, tickets([], [])).stretches[0]
    assert stretch.streams[0].batch_t == pytest.approx(np.array([48.0, 16.0, 32.0, 32.0]))


def test_the_work_of_a_field_is_cut_where_the_whole_field_rests():
    next_day = bins("M1", 40, start=START + dt.timedelta(days=1))
    two = pl.concat([bins("M1", 40), bins("M1", 10, start=START + dt.timedelta(hours=2)), next_day])
    stretches = work(two, {"M1": signals(0, 0)}, tickets([], [])).stretches
    # Two hours of rest are one stretch, a night is not, and no mass is made up over the night.
    assert [s.shift_date for s in stretches] == [DAY, DAY + dt.timedelta(days=1)]
    assert stretches[1].lifted_t == pytest.approx(128.0)


def test_a_machine_that_passes_through_or_works_elsewhere_meanwhile_is_not_silent():
    """Eight days before, on its way, and for an hour in the middle it was elsewhere and logged there."""
    passing = bins("M1", 1, start=START - dt.timedelta(days=8)).with_columns(area_ha=0.0, state=pl.lit("road"))
    back = bins("M1", 20, start=START + dt.timedelta(minutes=100))
    mine = pl.concat([passing, bins("M1", 40), back])
    stretches = work(mine, {"M1": signals(10, 120)}, tickets([], [])).stretches
    assert sum(s.lifted_t for s in stretches) == pytest.approx(60 * 3.2)


TWO = {"M1": signals(10, 80), "M2": signals(10, 80)}
"""Two machines whose tanks are emptied at the same minutes."""


def late(machine: str, minutes: int) -> pl.DataFrame:
    return bins(machine, minutes, start=START + dt.timedelta(minutes=5))


def shifted(minutes: float) -> Signals:
    one = signals(10, 80)
    return Signals(one.emptied_us + round(minutes * 60e6), one.emptied_t, one.tank_t)


def test_two_machines_share_a_field_by_the_tickets_that_name_them():
    both = pl.concat([bins("M1", 80), bins("M2", 80)])
    named: list[str | None] = [m for _ in range(8) for m in ("M1", "M2")]
    found = traced(both, TWO, tickets([32.0] * 16, [10 * (k // 2 + 1) + 0.1 * (k % 2) for k in range(16)], named))
    assert main(found) == {f"L{k:02d}": named[k] for k in range(16)}


def test_without_names_two_machines_are_told_apart_by_when_they_were_full():
    both = pl.concat([bins("M1", 80), late("M2", 80)])
    full = sorted([(10.0 * k, "M1") for k in range(1, 9)] + [(10.0 * k + 5, "M2") for k in range(1, 9)])
    loads = tickets([32.0] * 16, [t for t, _ in full])
    sharp = DayClocks(site_lag_min={"north": LAG_MIN}, min_per_km=0.0, spread_min=2.0)
    found = traced(both, {"M1": signals(10, 80), "M2": shifted(5)}, loads, sharp)
    right = [main(found)[f"L{k:02d}"] == full[k][1] for k in range(16)]
    assert np.mean(right) > 0.9


def test_a_machine_whose_clock_runs_ahead_is_read_with_its_clock_put_right():
    both = pl.concat([bins("M1", 80), late("M2", 80)])
    full = sorted([(10.0 * k, "M1") for k in range(1, 9)] + [(10.0 * k, "M2") for k in range(1, 9)])
    clocks = DayClocks(site_lag_min={"north": LAG_MIN}, min_per_km=0.0, machine_ahead_min={"M2": 5.0})
    named: list[str | None] = [m for _, m in full]
    found = traced(
        both, {"M1": signals(10, 80), "M2": shifted(5)}, tickets([32.0] * 16, [t for t, _ in full], named), clocks
    )
    assert main(found) == {f"L{k:02d}": full[k][1] for k in range(16)}
    assert found.grade["trace_quality"].min() > 0.7


def test_a_ticket_that_names_a_machine_that_was_not_there_stays_untraced():
    loads = tickets([32.0] * 4, [10, 20, 30, 40], [None, "M7", None, None])
    found = traced(bins("M1", 40), {"M1": signals(10, 40)}, loads)
    grade = dict(found.grade.select("load_id", "trace_quality").iter_rows())
    assert grade["L01"] == 0.0
    assert min(q for load, q in grade.items() if load != "L01") > 0.3


def full_at(k: int) -> float:
    """Return the time at which load k of 32 t was full: at the emptying, every 6 min and 19.2 t, that completes it."""
    return 6.0 * np.ceil(32 * k / 19.2)


def parts_of(found: FieldTrace, loads: list[int]) -> np.ndarray:
    """The part of each load, all of 32 t in order, that lies in its own ten minutes, give or take the tank's six."""
    return np.array([part_between(found, f"L{i:02d}", 10 * k - 16, 10 * k + 6) for i, k in enumerate(loads)])


def test_a_missing_ticket_does_not_shift_those_after_it():
    kept = [k for k in range(1, 17) if k != 8]
    found = traced(bins("M1", 160), {"M1": signals(6, 164)}, tickets([32.0] * 15, [full_at(k) for k in kept]))
    parts = parts_of(found, kept)
    assert parts.mean() > 0.9
    assert parts.min() > 0.7
    assert found.balance["closure"][0] == pytest.approx(15 / 16, abs=0.02)


def test_a_ticket_of_another_field_is_doubted_and_the_others_keep_their_minutes():
    full = [*(full_at(k) for k in range(1, 17)), 330.0]
    found = traced(bins("M1", 160), {"M1": signals(6, 164)}, tickets([32.0] * 17, full))
    assert parts_of(found, list(range(1, 17))).mean() > 0.85
    grade = {r["load_id"]: r for r in found.grade.iter_rows(named=True)}
    assert grade["L16"]["trace_quality"] < 0.3
    assert "no_matching_mass" in codes_by_load(found)["L16"]


def test_truck_and_trailer_weighed_apart_are_two_parts_of_one_filling():
    found = traced(
        bins("M1", 40), {"M1": signals(10, 40)}, tickets([18.0, 14.0, 32.0, 32.0, 32.0], [10, 10.2, 20, 30, 40])
    )
    assert part_between(found, "L00", 0, 10) > 0.85
    assert part_between(found, "L01", 0, 10) > 0.75


def test_a_heap_is_spread_over_all_that_lay_there():
    found = traced(bins("M1", 40), {"M1": signals(10, 40)}, tickets([64.0, 64.0], [4 * 1440, 4 * 1440 + 30]))
    assert found.load_trace.group_by("load_id").len()["len"].to_list() == [80, 80]
    assert codes_by_load(found)["L00"] == ["from_heap", "heap_order_unknown"]
    assert found.balance.filter(pl.col("machine_id").is_null())["weighed_t"].to_list() == [128.0]


def test_work_hauled_in_time_is_no_heap():
    loads = tickets([32.0] * 4 + [30.0], [10, 20, 30, 40, 4 * 1440])
    found = traced(bins("M1", 40), {"M1": signals(10, 40)}, loads)
    assert codes_by_load(found)["L04"] == ["nothing_left_to_haul"]


def stream(total_t: float, batch_t: float) -> Stream:
    count = round(total_t / batch_t)
    left = np.arange(1, count + 1) * np.float64(batch_t) / 2.0
    return Stream(
        "M1",
        np.arange(count),
        np.full(count, batch_t),
        np.arange(count),
        np.full(count, batch_t),
        left,
        has_signal=True,
        tank_t=batch_t,
    )


def test_the_chain_agrees_with_counting_every_way_there_is():
    """Two loads and a stream of ten tonnes, against brute force over all pairs of ends on the grid."""
    s = stream(10.0, 1.0)
    loads = Departures(np.array([2.0, 5.0]), np.array([1.5, 1.5]), np.array([4.0, 6.0]))
    chain = Chain(s, loads, 1.0, 1.0, 0.0)
    found = chain.place(np.ones(2), np.full(2, 1e-6))
    one = chain._filled(chain._start(), 0)
    end = chain._end(0, chain.cells)
    ends = np.zeros(chain.cells)
    for scale in range(chain.scale.size):
        for cell in range(chain.cells):
            alone = np.zeros_like(one.weight)
            alone[scale, cell] = one.weight[scale, cell]
            ends[cell] += (chain._filled(type(one)(0, alone), 1).weight * end).sum()
    mean = float((ends / ends.sum() * np.arange(chain.cells)).sum())
    first = found.placements()[0]
    assert float(first.chance @ first.end_t) == pytest.approx(mean, abs=0.05)
    assert found.odds.min() > 1


def test_a_share_that_is_less_sure_has_the_wider_spread():
    """Two machines distinguishable by time alone: half of each load may be the other's; alone, it may not."""
    both = pl.concat([bins("M1", 80), late("M2", 80)])
    full = sorted([(10.0 * k, "M1") for k in range(1, 9)] + [(10.0 * k + 5, "M2") for k in range(1, 9)])
    nameless = traced(both, {"M1": signals(10, 80), "M2": shifted(5)}, tickets([32.0] * 16, [t for t, _ in full]))
    alone = traced(bins("M1", 80), {"M1": signals(10, 80)}, tickets([32.0] * 8, [10.0 * k for k in range(1, 9)]))
    spread = [
        (f.load_trace.drop_nulls("bin_at")["share_sd"] / f.load_trace.drop_nulls("bin_at")["share"]).median()
        for f in (nameless, alone)
    ]
    assert spread[0] > 2 * spread[1]


def test_beliefs_of_one_load_sum_to_at_most_one():
    both = pl.concat([bins("M1", 80), late("M2", 80)])
    stretch = work(both, {"M1": signals(10, 80), "M2": shifted(5)}, tickets([], [])).stretches[0]
    assert isinstance(stretch, Stretch)
    left = np.sort(np.concatenate([np.arange(1, 9) * 10.0, np.arange(1, 9) * 10.0 + 5])) + START.timestamp() / 60
    shared = associate_loads(stretch, Departures(left, np.full(16, 4.0), np.full(16, 32.0)), [None] * 16, 1.0, 1.0, {})
    assert shared.belief.sum(axis=1).max() <= 1 + 1e-9
    assert shared.belief.sum(axis=1).min() > 0.9


def samples(rows: list[dict[str, object]]) -> pl.DataFrame:
    usual = {
        "field_id": "F1",
        "machine_id": "M1",
        "site_id": "north",
        "km": 10.0,
        "n": 30,
        "lag_spread_min": 4.0,
        "leave_min": 2.5,
        "leave_spread_min": 1.0,
        "leave_n": 9,
        "drive_spread_min": 3.0,
        "drive_n": 9,
        "closure": 1.0,
        "has_signal": True,
    }
    return pl.DataFrame([usual | r for r in rows], schema=SAMPLE)


def season(
    *, days: int, seed: int = 1, machines: int = 8, site: str = "north", **change: object
) -> list[dict[str, object]]:
    """Samples of a district: 14 min and 1.5 min a km, whole machines and sites off as given by `off(day, machine)`.

    Each machine lifts another field every day.
    """
    rng = np.random.default_rng(seed)
    off = change.get("off", lambda _day, _machine: 0.0)
    return [
        {
            "shift_date": DAY + dt.timedelta(days=d),
            "machine_id": f"M{m}",
            "site_id": site,
            "field_id": f"{site}{m}-{d}",
            "km": (km := float(rng.uniform(5, 30))),
            "lag_min": 14 + 1.5 * km + float(rng.normal(0, 3)) + off(d, m),
        }
        for d in range(days)
        for m in range(machines)
    ]


def test_a_machine_eleven_minutes_ahead_is_found_with_its_interval_and_no_other():
    learnt = LagModel(samples(season(days=12, off=lambda _d, m: -11.0 * (m == 3))))
    offsets = learnt.offsets().filter(pl.col("subject_kind") == "machine")
    off = offsets.filter("corrected")
    assert off["subject_id"].to_list() == ["M3"]
    assert off["lo95"][0] < 11 < off["hi95"][0]
    assert off["hi95"][0] - off["lo95"][0] < 7
    assert set(learnt.by_day[DAY + dt.timedelta(days=11)].machine_ahead_min) == {"M3"}


def test_a_site_seven_minutes_off_and_one_in_the_wrong_zone_are_found():
    rows = []
    for site, ahead in (("north", 0.0), ("south", 7.0), ("east", 60.0), ("west", 0.0), ("mid", 0.0)):
        rows += season(days=10, site=site, seed=len(site), off=lambda _d, _m, a=ahead: a)
    offsets = LagModel(samples(rows)).offsets().filter((pl.col("subject_kind") == "site") & pl.col("corrected"))
    found = {r["subject_id"]: r for r in offsets.iter_rows(named=True)}
    assert set(found) == {"south", "east"}
    for site, ahead in (("south", 7.0), ("east", 60.0)):
        assert found[site]["lo95"] < ahead < found[site]["hi95"]


def test_a_clock_set_anew_in_the_season_is_two_clocks():
    """As when a weighbridge misses the night the clocks change, and is put right five days later."""
    rows = season(days=15, off=lambda d, _m: 60.0 * (5 <= d < 10))
    learnt = LagModel(samples(rows))
    sites = learnt.offsets().filter(pl.col("subject_kind") == "site").sort("from_date")
    assert sites["from_date"].to_list() == [DAY, DAY + dt.timedelta(days=5), DAY + dt.timedelta(days=10)]
    lag = {d: learnt.by_day[DAY + dt.timedelta(days=d)].lag_min("north", 0.0) for d in (4, 5, 9, 10)}
    assert lag[5] - lag[4] == pytest.approx(60, abs=3)
    assert lag[9] - lag[10] == pytest.approx(60, abs=3)


def test_what_is_taken_for_a_day_does_not_change_more_than_a_week_later():
    rows = season(days=20)
    before, after = LagModel(samples(rows[: 8 * 15])), LagModel(samples(rows))
    old = [d for d in before.by_day if (max(before.by_day) - d).days > 7]
    assert len(old) == 7
    assert all(before.by_day[d] == after.by_day[d] for d in old)


def test_samples_come_in_any_order():
    rows = season(days=6)
    shuffled = [rows[i] for i in np.random.default_rng(2).permutation(len(rows))]
    assert LagModel(samples(rows)).by_day == LagModel(samples(shuffled)).by_day


def test_a_field_tells_its_lag_whatever_the_clocks_say():
    full = [10.0 * k for k in range(1, 9)]
    reported = lag_samples(work(bins("M1", 80), {"M1": signals(10, 80)}, tickets([32.0] * 8, [f + 60 for f in full])))
    assert reported["lag_min"].to_list() == pytest.approx([LAG_MIN + 60], abs=1)
    assert reported["machine_id"].to_list() == ["M1"]


@pytest.mark.parametrize("named", [0, 3])
def test_a_clock_that_is_off_is_told_among_others_even_without_names(named):
    """Two machines, the second's clock 7 min ahead, most tickets without a name: each tells its own lag."""
    slower = bins("M2", 120, start=START + dt.timedelta(minutes=4 + 7)).with_columns(pl.col("area_ha") * 10 / 12)
    second = [round((START.timestamp() + 60 * (12 * k + 4 + 7)) * 1e6) for k in range(1, 11)]
    both = pl.concat([bins("M1", 120), slower])
    of = {"M1": signals(10, 120), "M2": Signals(np.array(second), np.full(10, np.nan), 20.0)}
    full = sorted([(10.0 * k, "M1") for k in range(1, 13)] + [(12.0 * k + 4, "M2") for k in range(1, 11)])
    names: list[str | None] = [m if k < named else None for k, (_, m) in enumerate(full)]
    reported = lag_samples(work(both, of, tickets([32.0] * 22, [t for t, _ in full], names)))
    lag = dict(reported.select("machine_id", "lag_min").iter_rows())
    assert lag["M1"] == pytest.approx(LAG_MIN, abs=2)
    assert lag["M2"] == pytest.approx(LAG_MIN - 7, abs=2)


FILLS_AND_FALLS = [*np.linspace(0, 18, 60), *np.linspace(18, 0, 9), *np.linspace(0, 18, 60), *np.linspace(18, 0, 9)]


def records(n: int, **columns: object) -> pl.DataFrame:
    at = pl.Series([START + dt.timedelta(seconds=10 * i) for i in range(n)]).dt.cast_time_unit("us")
    return pl.DataFrame({"machine_id": "M1", "logged_at": at, **columns})


def test_unloads_are_seen_in_the_tank_level():
    events = find_unloads(records(len(FILLS_AND_FALLS), tank_t=FILLS_AND_FALLS), 18.0)
    assert events["found_by"].to_list() == ["level", "level"]
    assert (events["started_at"][0] - START).total_seconds() == pytest.approx(600, abs=20)


def test_a_flag_goes_before_the_level():
    flag = [0.0] * 50 + [1.0] * 5 + [0.0] * (len(FILLS_AND_FALLS) - 55)
    events = find_unloads(records(len(flag), tank_t=FILLS_AND_FALLS, unloading=flag), 18.0)
    assert events.select("found_by").rows() == [("flag",)]
    assert (events["started_at"][0] - START).total_seconds() == 500


def test_the_unload_counter_tells_when_and_how_much():
    number = [3.0] * 40 + [4.0] * 40 + [5.0] * 20
    reported = [11.0] * 40 + [17.5] * 40 + [16.0] * 20
    events = find_unloads(records(100, unload_number=number, unloaded_t=reported), 18.0)
    assert events.select("found_by", "unloaded_t").rows() == [("counter", 17.5), ("counter", 16.0)]
    assert [(t - START).total_seconds() for t in events["started_at"]] == [400, 800]


@pytest.mark.parametrize("delay", [0, 3, 30])
def test_the_mass_of_an_emptying_is_read_beside_any_signal_of_it(delay):
    flag = ([0.0] * 95 + [1.0] * 5) * 3
    changes = [100 + delay, 200 + delay]
    reported = [11.0] * changes[0] + [17.5] * (changes[1] - changes[0]) + [16.0] * (300 - changes[1])
    events = find_unloads(records(300, unloading=flag, unloaded_t=reported), 18.0)
    assert events["unloaded_t"].to_list() == [17.5, 16.0, None]
    assert events["found_by"].unique().to_list() == ["flag"]


def test_a_mass_that_is_logged_once_per_emptying_is_read():
    reported: list[float | None] = [None] * 300
    reported[101] = reported[102] = 17.5
    reported[205] = 16.0
    flag = ([0.0] * 95 + [1.0] * 5) * 3
    events = find_unloads(records(300, unloading=flag, unloaded_t=pl.Series(reported, dtype=pl.Float64)), 18.0)
    assert events["unloaded_t"].to_list() == [17.5, 16.0, None]


def test_the_mass_alone_shows_emptyings_before_the_level_does():
    reported = [11.0] * 60 + [17.5] * 69 + [16.0] * 9
    events = find_unloads(records(138, tank_t=FILLS_AND_FALLS, unloaded_t=reported), 18.0)
    assert events.select("found_by", "unloaded_t").rows() == [("mass", 17.5), ("mass", 16.0)]
    assert [(t - START).total_seconds() for t in events["started_at"]] == [600, 1290]


def test_a_logged_state_of_unloading_tells_as_well():
    state = ["working"] * 30 + ["unloading"] * 6 + ["working"] * 30
    events = find_unloads(records(66, state=state), 18.0)
    assert events.select("found_by").rows() == [("state",)]


def day_of_stops(stops: list[int], *, stands_s: int = 90) -> pl.DataFrame:
    """Lifting for a number of records before each stop of 90 s; a turn of 25 s every 40 records."""
    speed, working = [], []
    for records_before in stops:
        for k in range(records_before):
            turns = k % 40 == 39
            speed += [4.0 if turns else 6.0]
            working += [not turns]
        speed += [0.0] * (stands_s // 10)
        working += [False] * (stands_s // 10)
    n = len(speed)
    return records(n, ground_speed_kmh=speed, working=working, dt_s=[10.0] * n, state=["working"] * n)


def test_stops_in_a_pattern_are_emptyings():
    events = find_unloads(day_of_stops([60, 58, 63, 61, 59, 60]), 18.0)
    assert events["found_by"].to_list() == ["stops"] * 6


def test_a_short_stop_between_two_emptyings_and_a_long_rest_are_none():
    short = day_of_stops([60, 58, 63, 61, 59, 60])
    # A minute's stop for a look, ten records after an emptying.
    looked = day_of_stops([60, 58, 10, 53, 61, 59, 60])
    assert find_unloads(looked, 18.0).height == find_unloads(short, 18.0).height
    assert find_unloads(day_of_stops([60, 58, 63, 61, 59, 60], stands_s=1800), 18.0).height == 0


def test_stops_without_a_pattern_and_machines_without_signals_give_no_events():
    assert find_unloads(day_of_stops([5, 160, 12, 90, 31, 220]), 18.0).height == 0
    assert find_unloads(records(20), 18.0).height == 0
