"""Plan, file and loads of designed variation on a small invented season with known truth."""

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tests.unit.advice.test_advice import situation, slopes
from transforms.advice.advice_rows import advise_machine
from transforms.advice.move_effects import MoveEffects
from transforms.config.problems import ConfigError
from transforms.config.response_catalogue import DIRT, ROOT_LOSS
from transforms.config.season_tables import VaryTable
from transforms.config.workspace import read_season, season_template
from transforms.errors import WorkspaceError
from transforms.trial.size import TrialNoise
from transforms.trial.value import SeasonScale
from transforms.variation.design import MAX_PAIRS, Designed, SeasonFacts, design_plan, draw_loads
from transforms.variation.follow import find_varied_loads
from transforms.variation.options import POSSIBLE, variation_options
from transforms.variation.plan import LOADS_PER_PAIR, VariationPlan, plan_toml, read_plan

DAY = dt.date(2025, 10, 9)
LOADS = 9
CLEANER, DEPTH, DRIVE = "cleaner_1_speed_rpm", "share_depth_cm", "share_drive_pct"
TRIED = {CLEANER: (30.0, 45.0, 80), DEPTH: (4.0, 9.0, 80), DRIVE: (30.0, 70.0, 80)}
OPEN = {CLEANER: (0.0, 0.03), DEPTH: (0.0, 0.02), DRIVE: (0.0, 0.01)}
"""Mean and standard deviation of the log change of dirt by a step."""
KEPT = {CLEANER: (0.0, 0.001), DEPTH: (0.0, 0.001)}
"""Likewise of the root loss."""


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory):
    path = tmp_path_factory.mktemp("season") / "season.toml"
    path.write_text('[season]\nname = "Invented"\n[vary]\nenabled = true\n', "utf-8")
    return read_season(path)


def options_of(season, dirt: dict[str, tuple[float, float]], tried=TRIED) -> pl.DataFrame:
    where, effects = situation(**tried), MoveEffects({DIRT: slopes(**dirt), ROOT_LOSS: slopes(**KEPT)})
    advice = advise_machine(where, effects, season.catalogue, season.prices, season.advice)
    return variation_options(where, effects, advice, season)


def earlier_loads(loads: int = LOADS) -> pl.DataFrame:
    """Three earlier days of the machine, a usual number of loads each."""
    days = [DAY - dt.timedelta(days=d) for d in (3, 2, 1) for _ in range(loads)]
    n = len(days)
    return pl.DataFrame(
        {
            "machine_id": ["M1"] * n,
            "shift_date": days,
            "delivered_t": [14.0] * n,
            DIRT: [9.0] * n,
            "sample_kg": [25.0] * n,
        }
    )


def season_facts(loads: int = LOADS, tonnes: float = 20_000.0) -> SeasonFacts:
    return SeasonFacts(earlier_loads(loads), {DIRT: TrialNoise(0.09, 0.1)}, SeasonScale({"wet": tonnes}, 0.5))


def designed(season, dirt=OPEN, facts: SeasonFacts | None = None) -> Designed:
    return design_plan(options_of(season, dirt), facts or season_facts(), [], "here")


def planned(season) -> VariationPlan:
    plan = designed(season).plan
    assert plan is not None
    return plan


def test_the_two_settings_that_are_most_worth_knowing_are_varied(season):
    found = designed(season)
    assert found.plan is not None
    (machine,) = found.plan.machines
    assert [s.name for s in machine.settings] == [CLEANER, DEPTH]
    first, second = machine.settings
    assert first.worth - first.cost > second.worth - second.cost > 0
    assert {(x.setting, x.why.code) for x in found.left_out} == {
        (DRIVE, "vary_less_value"),
        ("ground_speed_kmh", "vary_cost_unknown"),
    }


def test_the_levels_are_one_step_either_way_and_inside_what_was_tried(season):
    for name, low, high in (
        r for r in options_of(season, OPEN).select("setting", "low_value", "high_value").iter_rows()
    ):
        if low is not None:
            assert high - low == pytest.approx(2 * season.catalogue[name].step)
            assert TRIED[name][0] <= low < high <= TRIED[name][1]


def test_a_flag_and_a_setting_without_loads_are_not_varied(season):
    rows = options_of(season, OPEN, {CLEANER: TRIED[CLEANER]})
    codes = dict(rows.select("setting", "reason_code").iter_rows())
    assert codes == {
        CLEANER: POSSIBLE.code,
        DEPTH: "vary_not_tried",
        DRIVE: "vary_not_tried",
        "ground_speed_kmh": "vary_cost_unknown",
    }


def test_an_advised_move_is_the_base_and_a_sure_one_is_not_gone_back_on(season):
    advised = options_of(season, {**OPEN, CLEANER: (-0.05, 0.05)}).row(
        by_predicate=pl.col("setting") == CLEANER, named=True
    )
    assert (advised["reason_code"], advised["base_value"]) == (POSSIBLE.code, 42.0)
    sure = {CLEANER: (35.0, 40.0, 80), DEPTH: TRIED[DEPTH]}
    row = options_of(season, {**OPEN, CLEANER: (-0.08, 0.002)}, sure).row(
        by_predicate=pl.col("setting") == CLEANER, named=True
    )
    assert row["reason_code"] in {"vary_narrow_range", "vary_against_move"}
    one_step = {**sure, CLEANER: (33.0, 39.5, 80)}
    row = options_of(season, {**OPEN, CLEANER: (-0.08, 0.002)}, one_step).row(
        by_predicate=pl.col("setting") == CLEANER, named=True
    )
    assert row["reason_code"] == "vary_against_move"


def test_what_is_known_or_too_small_to_matter_is_not_varied(season):
    known = designed(season, {CLEANER: (0.05, 1e-4), DEPTH: (0.05, 1e-4), DRIVE: (0.05, 1e-4)})
    assert known.plan is None
    assert {x.why.code for x in known.left_out} <= {"vary_no_value", "vary_cost_unknown", "vary_against_move"}
    nothing_left = designed(season, facts=season_facts(tonnes=0.0))
    assert nothing_left.plan is None
    too_few = designed(season, facts=season_facts(loads=1))
    assert [(x.machine_id, x.setting, x.why.code) for x in too_few.left_out] == [("M1", None, "vary_too_few_loads")]


def test_a_belief_is_the_saving_and_as_much_of_its_spread_as_dirt_explains(season):
    """Dirt is 0.15 of clean mass and a tonne of it costs 0.11 x 20 + 4 + 6; the pile adds to it."""
    row = options_of(season, OPEN).row(by_predicate=pl.col("setting") == CLEANER, named=True)
    soil_alone = 0.15 * 12.2 * 0.03
    assert soil_alone < row["learnable_sd_per_t"] < 2 * soil_alone
    assert row["per_log"] < 0
    assert abs(row["gain_per_t"]) < row["learnable_sd_per_t"]
    # Dirt is exponential in the steps: the mean of a step down and up costs more, by about half the variance.
    assert 0 < row["loss_per_t"] < 0.01


def test_pairs_have_both_levels_in_an_order_by_lot_for_each_setting_alone(season):
    (machine,) = planned(season).machines
    values = np.array(draw_loads(machine.settings, 200, np.random.default_rng(1))).reshape(200, 2, 2)
    is_low_first = values[:, 0] < values[:, 1]
    assert (values[:, 0] != values[:, 1]).all()
    assert is_low_first.mean(axis=0) == pytest.approx([0.5, 0.5], abs=0.12)
    assert np.mean(is_low_first[:, 0] == is_low_first[:, 1]) == pytest.approx(0.5, abs=0.12)


def test_a_long_day_has_six_pairs_and_the_same_plan_in_every_run(season):
    plans = [designed(season, facts=season_facts(loads=400)).plan for _ in range(2)]
    assert plans[0] is not None
    assert plans[0] == plans[1]
    assert len(plans[0].machines[0].loads) == LOADS_PER_PAIR * MAX_PAIRS


def test_a_usual_day_s_loads_make_pairs_with_the_odd_one_left_over(season):
    (machine,) = planned(season).machines
    assert len(machine.loads) == LOADS - 1
    with pytest.raises(WorkspaceError, match="no advice"):
        design_plan(options_of(season, OPEN).head(0), season_facts(), [], "here")


def test_it_is_off_by_default_and_in_the_template(season, tmp_path):
    path = tmp_path / "season.toml"
    for text in ("", season_template()):
        path.write_text(text, "utf-8")
        assert not read_season(path).may_vary
    assert season.may_vary
    assert not VaryTable().enabled


# --- file


def written(plan: VariationPlan, season, folder: Path) -> Path:
    path = folder / f"{plan.plan_id}.toml"
    path.write_text(plan_toml(plan, season.catalogue, lambda why: why.code), "utf-8")
    return path


def test_a_plan_is_read_back_as_it_was_written(season, tmp_path):
    plan = planned(season)
    second = replace(plan.machines[0], machine_id='M "2"\\', first_pair=5)
    plan = replace(plan, machines=(*plan.machines, second))
    assert read_plan(written(plan, season, tmp_path), season.catalogue) == plan
    assert [plan.block(second, i) for i in (0, 1, 2)] == ["V001/5", "V001/5", "V001/6"]


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("seed = ", "sead = ", "seed"),
        ("field_id = ", "# field_id = ", "field_id"),
        ("low_value = ", "low_value = 1", "loads"),
        (f'name = "{CLEANER}"', 'name = "unknown_speed_rpm"', "name"),
        ("first_pair = 1", "first_pair = 0", "first_pair"),
        ("shift_date = 2025-10-09", 'shift_date = "today"', "shift_date"),
        ("    [39.0, ", "    [33.0, ", "loads"),
    ],
)
def test_a_changed_file_is_refused_with_the_key(season, tmp_path, old, new, key):
    path = written(planned(season), season, tmp_path)
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")
    with pytest.raises(ConfigError) as raised:
        read_plan(path, season.catalogue)
    assert key in {p.key for p in raised.value.problems}
    assert all("\n" not in p.sentence() for p in raised.value.problems)


def test_a_missing_or_broken_file_is_one_sentence(season, tmp_path):
    with pytest.raises(WorkspaceError, match="no such plan"):
        read_plan(tmp_path / "V009.toml", season.catalogue)
    path = tmp_path / "V001.toml"
    path.write_text("shift_date = ", "utf-8")
    with pytest.raises(WorkspaceError, match="cannot be read"):
        read_plan(path, season.catalogue)


# --- loads


def lifted(plan: VariationPlan, traced) -> pl.DataFrame:
    """The shift of the plan as it was lifted: one load more than planned, and loads of another machine and day."""
    (machine,) = plan.machines
    n = len(machine.loads) + 1
    at = dt.datetime(2025, 10, 9, 6, tzinfo=dt.UTC)
    values = [*machine.loads, machine.loads[0]]
    own = pl.DataFrame(
        {
            "load_id": [f"L{i:02d}" for i in range(n)],
            "machine_id": ["M1"] * n,
            "field_id": ["F1"] * n,
            "shift_date": [DAY] * n,
            "lifted_at": [at + dt.timedelta(minutes=40 * i) for i in range(n)],
            **{s.name: [traced(i, k, values[i][k]) for i in range(n)] for k, s in enumerate(machine.settings)},
        },
        strict=False,
    )
    other = own.with_columns(load_id=pl.lit("X"), machine_id=pl.lit("M2"))
    earlier = own.with_columns(load_id=pl.lit("Y"), shift_date=pl.col("shift_date") - dt.timedelta(days=1))
    return pl.concat([other, own.reverse(), earlier])


def test_a_plan_that_is_followed_counts_with_the_values_of_the_log(season):
    """The operator sets a little less than planned: rows have the logged values, and every pair counts."""
    plan = planned(season)
    found = find_varied_loads(plan, lifted(plan, lambda _i, _k, v: v - 0.1))
    assert found.height == 2 * (LOADS - 1)
    assert found["is_counted"].all()
    assert found["is_followed"].all()
    assert found["variation_block"].unique(maintain_order=True).to_list() == [f"V001/{k}" for k in (1, 2, 3, 4)]
    assert found["load_id"].unique(maintain_order=True).to_list() == [f"L{i:02d}" for i in range(LOADS - 1)]
    off = (found["planned_value"] - found["traced_value"]).to_numpy()
    assert off == pytest.approx(0.1)


def test_pairs_count_by_what_was_done_in_each_setting(season):
    """Pair 1 as planned; 2 in reverse for the cleaner; 3 with a third of the difference; 4 without a log."""
    plan = planned(season)
    (machine,) = plan.machines
    base, other = (
        machine.settings[0].base_value,
        sum(machine.settings[0].__dict__[k] for k in ("low_value", "high_value")),
    )

    def traced(i: int, k: int, value: float) -> float | None:
        if k == 1 or i // 2 in {0, 4}:
            return value
        return {1: other - value, 2: base + (value - base) / 3, 3: None}[i // 2]

    found = find_varied_loads(plan, lifted(plan, traced))
    pairs = found.filter(setting=CLEANER).unique("variation_block", keep="first", maintain_order=True)
    assert pairs["reason_code"].to_list() == [
        "pair_counts",
        "pair_difference_small",
        "pair_difference_small",
        "pair_untraced",
    ]
    assert pairs["is_followed"].to_list() == [True, False, True, None]
    assert found.filter(setting=DEPTH)["is_counted"].all()


def test_a_pair_in_two_fields_and_a_lonely_load_do_not_count(season):
    plan = planned(season)
    loads = lifted(plan, lambda _i, _k, v: v)
    crossed = loads.with_columns(
        pl.when(pl.col("load_id") > "L02").then(pl.lit("F2")).otherwise("field_id").alias("field_id")
    )
    codes = find_varied_loads(plan, crossed).filter(setting=CLEANER)["reason_code"].to_list()
    assert codes == ["pair_counts"] * 2 + ["pair_across_fields"] * 2 + ["pair_counts"] * 4
    short = find_varied_loads(plan, loads.filter(pl.col("load_id") <= "L02")).filter(setting=CLEANER)
    assert short["reason_code"].to_list() == ["pair_counts", "pair_counts", "pair_incomplete"]
    assert find_varied_loads(plan, loads.head(0)).height == 0
