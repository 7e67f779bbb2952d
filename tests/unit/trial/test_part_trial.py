"""Trials of fitted parts: plan and file, days found, reading, and effects by lot in place of confounded ones."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from reports.language.reason_text import format_reason
from tests.support.invented_part_trials import (
    PARTS,
    START,
    DayNature,
    invent_days,
    invented_plan,
    machine_list,
    start_list,
)
from transforms.arrays import to_float
from transforms.config.response_catalogue import DIRT
from transforms.contracts.result_tables import schema_of
from transforms.errors import WorkspaceError
from transforms.model.fitted_parts import PART_SCHEMA
from transforms.model.response_scale import ratio_scale
from transforms.trial.part_by_lot import part_effects_by_lot, replace_by_lot
from transforms.trial.part_design import PartTrialAsked, PartTrialBasis, describe_part_trial, design_part_trial
from transforms.trial.part_plan import PartTrial, is_part_trial, part_trial_toml, read_part_trial
from transforms.trial.part_reading import analyse_part_trial, dirt_given_conditions, find_part_days, find_part_loads
from transforms.trial.part_size import DayNoise, days_of_each, field_change, part_trial_size
from transforms.trial.power import power_of
from transforms.trial.size import TrialNoise

ZONE = "Europe/Prague"
NO_LIST = machine_list(("M0", START - dt.timedelta(days=9), PARTS[0]))
CLEAR = DayNature(-0.2, day_sd=0.02, field_sd=0.02, load_sd=0.02)
NOISE = DayNoise(TrialNoise(0.1, 0.1), 0.1, 0.2)


def read(plan: PartTrial, loads: pl.DataFrame, setups: pl.DataFrame = NO_LIST):
    found = find_part_loads(plan, loads, setups, ZONE)
    return found, analyse_part_trial(plan, found, loads.select(pl.lit(DIRT).alias("response"), "load_id", "z"))


def results_of(plan: PartTrial, loads: pl.DataFrame, stop_code: str) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the rows of `trial_result` and `trial_load` of a trial that was read."""
    found, estimates = read(plan, loads)
    head = {
        "trial_id": plan.trial_id,
        "machine_id": ", ".join(plan.orders),
        "field_id": "",
        "shift_date": plan.shift_date,
        "setting": plan.setting,
        "value_a": 0.0,
        "value_b": 1.0,
        "part_a": plan.parts[0],
        "part_b": plan.parts[1],
        "wetness_class": plan.wetness_class,
    }
    row = {**head, **estimates[0].columns, "stop_code": stop_code}
    return pl.DataFrame([row], schema=schema_of("trial_result")), found


# --- plan


def test_a_plan_s_file_is_read_back(tmp_path):
    plan = replace(invented_plan(4, 2, 1, "wet"), dates={"M0": ("2025-10-01", "", "2025-10-05"), "M1": ()})
    path = tmp_path / "T001.toml"
    path.write_text(part_trial_toml(plan, format_reason), "utf-8")
    assert is_part_trial(path)
    assert read_part_trial(path) == plan
    assert not is_part_trial(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ('"A"', '"C"'),
        ('place = "cleaning"', 'place = "roof"'),
        ('topsoil = "wet"', 'topsoil = "damp"'),
        ('"M0" = []', '"M0" = ["tomorrow"]'),
        ("power", "strength"),
        ("shift_date = 2025-10-01", 'shift_date = "2025-10-01"'),
    ],
)
def test_a_file_that_is_wrong_is_named(wrong, right, tmp_path):
    path = tmp_path / "T001.toml"
    text = part_trial_toml(invented_plan(4, 1, 1, "wet"), format_reason)
    assert wrong in text
    path.write_text(text.replace(wrong, right, 1), "utf-8")
    with pytest.raises(WorkspaceError, match=r"T001\.toml"):
        read_part_trial(path)


def test_changes_in_the_workshop_are_those_of_the_order_drawn():
    plan = replace(invented_plan(2, 1, 1), orders={"M0": ("A", "B", "B", "A"), "M1": ("B", "A", "B", "A")})
    assert (plan.pairs, plan.days, plan.changes) == (4, 4, 2 + 4)
    assert describe_part_trial(plan, 150.0).args.count('"cost": 900') == 1


def basis(machines: int = 2, **changed) -> PartTrialBasis:
    loads = invent_days(invented_plan(8, machines, 3), DayNature(0.0), np.random.default_rng(3))
    empty = pl.DataFrame(schema=schema_of("trial_wanted"))
    made = PartTrialBasis(loads, empty, start_list(machines), NOISE, 0.8, ZONE, ["T001"])
    return replace(made, **changed)


ASKED = PartTrialAsked("cleaning", "tines", ("M0", "M1"), None, START, 20.0)


def test_the_days_are_those_that_detect_the_change_with_the_noise_of_the_fit():
    found = basis()
    plan = design_part_trial(ASKED, found)
    sd = NOISE.pair_sd(found.facts)
    needed = next(n for n in range(8, 200) if power_of(n, np.log(1.2), sd) >= 0.8)
    assert (plan.trial_id, plan.parts, plan.pair_sd) == ("T002", PARTS, sd)
    assert plan.days == days_of_each(needed, 2)
    assert plan.pairs >= needed
    assert all({*order[i : i + 2]} == {"A", "B"} for order in plan.orders.values() for i in range(0, len(order), 2))
    assert plan.orders["M0"] != plan.orders["M1"]
    assert design_part_trial(ASKED, found) == plan


def test_a_suggested_trial_names_what_is_left_out():
    row = {"setting": "cleaning_elements", "part": "tines", "machine_id": "M0, M1", "detect_pct": 20.0}
    wanted = pl.DataFrame([row], schema=schema_of("trial_wanted"))
    asked = replace(ASKED, part=None, machines=(), detect_pct=None)
    assert design_part_trial(asked, basis(wanted=wanted)) == design_part_trial(ASKED, basis())


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ({"machines": ()}, "no suggested trial"),
        ({"machines": ("M7",)}, "no machine 'M7'"),
        ({"part": "smooth bars"}, "fitted now"),
        ({"part": "tinnes"}, "'tines'"),
        ({"place": "cleaner_1"}, "not one and the same part"),
        ({"detect_pct": 1.0}, "more than 200 pairs of days"),
    ],
)
def test_what_cannot_be_planned_is_said(asked, message):
    with pytest.raises(WorkspaceError, match=message):
        design_part_trial(replace(ASKED, **asked), basis())


def test_machines_with_different_parts_share_no_trial():
    other = machine_list(("M0", START, PARTS[0]), ("M1", START, PARTS[1]))
    with pytest.raises(WorkspaceError, match="M0: smooth bars, M1: tines"):
        design_part_trial(ASKED, basis(setups=other))


# --- size


@pytest.mark.parametrize("stays", [0.0, 0.5, 1.0])
def test_the_standard_deviation_of_a_pair_is_that_of_its_days(stays):
    nature = DayNature(0.0, stays=stays, load_sd=float(np.hypot(0.1, 0.1)))
    plan = invented_plan(500, 2, 5)
    loads = invent_days(plan, nature, np.random.default_rng(5))
    noise = DayNoise(TrialNoise(0.1, 0.1), nature.day_sd, nature.field_sd)
    days = loads.group_by("machine_id", "shift_date", maintain_order=True).agg(pl.col("z").mean())
    apart = days.select((pl.col("z").diff().over("machine_id")).drop_nulls()).to_series()
    assert noise.pair_sd(loads) == pytest.approx(to_float(apart.std()), rel=0.06)
    assert field_change(loads) == pytest.approx(2 * (1 - stays), abs=0.15)


def test_the_cost_is_that_of_the_expected_changes():
    size = part_trial_size(None, 0.2, 0.8, 150.0)
    assert size.detect_pct == 10.0
    assert size.pairs is not None
    changes = np.mean([invented_plan(size.pairs, 1, seed).changes for seed in range(300)])
    assert size.cost == pytest.approx(150.0 * changes, rel=0.02)
    assert part_trial_size(2.0, 2.0, 0.8, 150.0).cost is None


# --- reading


def test_a_trial_finds_its_days_and_its_effect():
    plan = invented_plan(4, 2, 2)
    found, (dirt, *_) = read(plan, invent_days(plan, CLEAR, np.random.default_rng(2)))
    assert found.height == 2 * 8 * CLEAR.loads
    assert found["trial_block"].n_unique() == dirt.pairs == 8
    assert dirt.effect_pct == pytest.approx(100 * np.expm1(-0.2), abs=2.0)
    assert (dirt.reason.code, dirt.stopping.code, dirt.strayed) == ("b_cleaner", "trial_ended", 0)
    assert dirt.anytime[0] < dirt.lo95 < dirt.hi95 < dirt.anytime[1]
    assert dirt.traced.reason.code == "trial_not_traced"


def test_the_first_days_count_of_the_topsoil_or_the_dates_written_down():
    plan = invented_plan(4, 1, 2, "moist")
    loads = invent_days(replace(plan, orders={"M0": ("A", "B") * 10}), CLEAR, np.random.default_rng(2))
    days = find_part_days(plan, loads)
    assert [(d - START).days for d in days["shift_date"]] == [4, 5, 6, 7, 12, 13, 14, 15]
    dated = replace(plan, dates={"M0": ("2025-10-03", "", "2025-10-02")})
    assert find_part_days(dated, loads).select("shift_date", "position").rows() == [
        (dt.date(2025, 10, 3), 0),
        (dt.date(2025, 10, 2), 2),
    ]


def test_days_that_had_the_other_part_by_the_machine_list_are_counted_and_rescaled():
    """Two of sixteen days stray: the effect of the part is larger than that of the plan."""
    plan = invented_plan(8, 1, 2)
    order = list(plan.orders["M0"])
    ran = [*("A" if a == "B" else a for a in order[:4]), *order[4:]]
    loads = invent_days(replace(plan, orders={"M0": tuple(ran)}), CLEAR, np.random.default_rng(2))
    listed = machine_list(*(("M0", START + dt.timedelta(days=i), plan.part(a)) for i, a in enumerate(ran)))
    _, (dirt, *_) = read(plan, loads, listed)
    assert dirt.strayed == 2
    assert dirt.traced.share == pytest.approx(6 / 8)
    assert dirt.traced.effect_pct == pytest.approx(100 * np.expm1(-0.2), abs=2.0)
    assert dirt.effect_pct > dirt.traced.effect_pct


def test_dirt_is_read_given_the_conditions_of_the_load():
    expected = pl.DataFrame({"load_id": ["L1", "L2"], "observed_pct": [8.0, 12.0], "conditions_pct": [8.0, 8.0]})
    z = dirt_given_conditions(expected)["z"].to_numpy()
    assert z == pytest.approx([0.0, float(ratio_scale(np.array([12.0]))[0] - ratio_scale(np.array([8.0]))[0])])


# --- effects by lot


def confounded(wetness_class: str | None) -> dict[str, object]:
    return {
        "response": DIRT,
        "place": "cleaning",
        "part": "smooth bars",
        "compared_with": "tines",
        "wetness_class": wetness_class,
        "change_pct": -9.0,
        "lo95": -20.0,
        "hi95": 4.0,
        "machines": 3,
        "n": 90,
        "wetness_gap": -0.3,
        "reason_code": "part_confounded_wetness",
        "reason_args": '{"gap": -0.3}',
    }


def effects_after(plan: PartTrial, nature: DayNature = CLEAR, stop_code: str = "trial_ended") -> pl.DataFrame:
    loads = invent_days(plan, nature, np.random.default_rng(4))
    by_lot = part_effects_by_lot(*results_of(plan, loads, stop_code), loads)
    before = pl.DataFrame([confounded(c) for c in (None, "dry", "moist", "wet")], schema=PART_SCHEMA)
    return replace_by_lot(before, by_lot)


def test_a_trial_that_is_complete_makes_the_confounded_part_known():
    after = {r["wetness_class"]: r for r in effects_after(invented_plan(8, 2, 4)).iter_rows(named=True)}
    assert {c: r["reason_code"] for c, r in after.items()} == {
        None: "part_by_lot",
        "moist": "part_by_lot",
        "wet": "part_by_lot",
        "dry": "part_confounded_wetness",
    }
    assert (after[None]["pairs"], after["wet"]["pairs"], after[None]["machines"]) == (16, 8, 2)
    # The row is of smooth bars instead of tines: the other way round than B against A.
    assert after[None]["change_pct"] == pytest.approx(100 * np.expm1(0.2), abs=1.5)
    assert after[None]["lo95"] < 100 * np.expm1(0.2) < after[None]["hi95"]
    assert after[None]["n"] == 2 * 16 * CLEAR.loads


def test_a_trial_on_one_topsoil_says_nothing_of_all_days():
    after = effects_after(invented_plan(8, 2, 4, "wet"))
    known = after.filter(reason_code="part_by_lot")["wetness_class"].to_list()
    assert known == ["wet"]


def test_a_trial_that_goes_on_changes_nothing_and_one_that_may_stop_has_the_interval_of_any_day():
    plan = invented_plan(8, 2, 4)
    assert effects_after(plan, stop_code="trial_carry_on")["pairs"].null_count() == 4
    ended, stopped = (
        effects_after(plan, stop_code=c)
        .filter(pl.col("wetness_class").is_null(), pl.col("pairs") > 0)
        .row(0, named=True)
        for c in ("trial_ended", "trial_may_stop")
    )
    assert stopped["change_pct"] == ended["change_pct"]
    assert stopped["lo95"] < ended["lo95"] < ended["hi95"] < stopped["hi95"]


def test_trials_of_the_same_parts_count_together_whichever_part_was_fitted_first():
    plans = (invented_plan(4, 1, 4), replace(invented_plan(4, 1, 7), trial_id="T002", parts=(PARTS[1], PARTS[0])))
    natures = (CLEAR, replace(CLEAR, effect=0.2))
    read_ = []
    for k, (plan, nature) in enumerate(zip(plans, natures, strict=True)):
        loads = invent_days(plan, nature, np.random.default_rng(k))
        loads = loads.with_columns(pl.format("{}-{}", pl.lit(plan.trial_id), "load_id").alias("load_id"))
        read_.append((*results_of(plan, loads, "trial_ended"), loads))
    results, found, loads = (pl.concat(tables) for tables in zip(*read_, strict=True))
    row = part_effects_by_lot(results, found, loads).filter(pl.col("wetness_class").is_null()).row(0, named=True)
    assert row["pairs"] == 8
    assert row["change_pct"] == pytest.approx(100 * np.expm1(0.2), abs=2.0)
