import datetime as dt
import json
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from reports.language.reason_text import format_reason
from tests.validation.fit_seasons import fit_season
from transforms.advice.cost import CropAndHaul
from transforms.advice.cost_effects import CostLevels
from transforms.config.response_catalogue import DIRT
from transforms.config.workspace import read_season
from transforms.contracts.reason import reason
from transforms.errors import WorkspaceError
from transforms.mixed_model.contrasts import contrast
from transforms.model.effects import slope_weights
from transforms.model.estimate import fit_response
from transforms.trial.analysis import TrialEstimate, analyse_trial, find_loads
from transforms.trial.design import describe_trial_days, design_trial
from transforms.trial.measurements import measured_responses
from transforms.trial.plan import Trial, draw_order, read_trial, trial_toml
from transforms.trial.power import MIN_PAIRS, detectable_effect, pair_sd, power_of, required_pairs
from transforms.trial.randomisation import signs
from transforms.trial.size import TrialNoise, required_days
from transforms.trial.suggested_trials import TrialPrices, suggest_trials
from transforms.trial.value import SeasonScale

DAY = dt.date(2025, 10, 20)
ORDER = draw_order(8, 3)


def trial(**changes) -> Trial:
    base = {
        "trial_id": "T001",
        "machine_id": "M1",
        "field_id": "F1",
        "shift_date": DAY,
        "setting": "cleaner_1_speed_rpm",
        "values": (36.0, 39.0),
        "order": ORDER,
        "detect_pct": 10.0,
        "power": 0.8,
        "pair_sd": 0.2,
    }
    return Trial(**{**base, **changes})


def facts(t: Trial, effect: float, sd: float = 0.0, seed: int = 1) -> pl.DataFrame:
    rng, n = np.random.default_rng(seed), len(t.order)
    z = np.log(0.08) + effect * np.array([a == "B" for a in t.order]) + rng.normal(0, sd, n)
    at = [dt.datetime(2025, 10, 20, 8, tzinfo=dt.UTC) + dt.timedelta(minutes=30 * i) for i in range(n)]
    return pl.DataFrame(
        {
            "load_id": [f"L{i:02d}" for i in range(n)],
            "machine_id": ["M1"] * n,
            "field_id": ["F1"] * n,
            "shift_date": [DAY] * n,
            "lifted_at": at,
            "cleaner_1_speed_rpm": [t.value(i) + 0.1 for i in range(n)],
            DIRT: 100 / (1 + np.exp(-z)),
            "sample_kg": [25.0] * n,
        }
    )


def trial_prices(season, tonnes: float = 10_000.0) -> TrialPrices:
    levels = CostLevels({DIRT: 10.0}, 6.0, CropAndHaul(75.0, 20.0, 3.0))
    return TrialPrices(levels, season.prices, SeasonScale({"wet": tonnes, "moist": 10 * tonnes}, 0.5), 14.0)


def dirt_of(t: Trial, table: pl.DataFrame) -> TrialEstimate:
    loads = find_loads(t, table)
    return analyse_trial(t, loads, table, measured_responses({"load_fact": table}, loads["load_id"]))[0]


# --- planning


@pytest.mark.slow
def test_power_is_that_of_simulated_trials():
    """4,000 trials each, analysed as `analyse_trial` does: by their signs."""
    rng = np.random.default_rng(11)
    for pairs, effect in ((8, 0.8), (8, 1.2), (10, 1.0), (12, 0.7), (12, 1.0), (20, 0.65), (30, 0.5)):
        d = rng.normal(effect, 1.0, (4000, pairs))
        patterns = signs(pairs) if pairs <= 12 else rng.choice([-1.0, 1.0], (2000, pairs))
        means = np.abs(d @ patterns.T) / pairs
        found = np.mean(means >= np.abs(d.mean(axis=1))[:, None] - 1e-12, axis=1) <= 0.05
        assert power_of(pairs, effect, 1.0) == pytest.approx(found.mean(), abs=0.03), (pairs, effect)


def test_no_effect_is_found_as_often_as_the_test_says():
    rng = np.random.default_rng(12)
    d = rng.normal(0, 1, (4000, 10))
    means = np.abs(d @ signs(10).T) / 10
    found = np.mean(means >= np.abs(d.mean(axis=1))[:, None] - 1e-12, axis=1) <= 0.05
    assert found.mean() == pytest.approx(0.05, abs=0.012)


def test_noise_is_the_lab_s_and_the_fleet_s():
    assert pair_sd(0.09, 0.1, 25.0) == pytest.approx(np.sqrt(2 * (0.0081 + 0.01)))
    assert pair_sd(0.09, 0.1, 12.5) == pytest.approx(np.sqrt(2 * (0.0081 + 0.02)))


def test_the_fewest_pairs_that_do():
    pairs = required_pairs(0.1, 0.2, 0.8)
    assert pairs is not None
    assert power_of(pairs, 0.1, 0.2) >= 0.8 > power_of(pairs - 1, 0.1, 0.2)
    assert required_pairs(5.0, 0.2, 0.8) == 8
    assert required_pairs(0.001, 0.2, 0.8) is None


def test_what_a_day_finds_is_said():
    assert power_of(12, detectable_effect(12, 0.3, 0.8), 0.3) == pytest.approx(0.8, abs=1e-6)
    planned = trial(order=draw_order(40, 1))
    over_days = describe_trial_days(planned, facts(trial(), 0.0))
    args = json.loads(over_days.args)
    assert (over_days.code, args["loads"], args["days"]) == ("trial_over_days", 16, 5)
    within = describe_trial_days(trial(order=ORDER[:4]), facts(trial(), 0.0))
    assert within == reason("trial_within_a_day", loads=16.0)


def test_a_pair_parted_by_a_night_is_none():
    planned = trial()
    table = facts(planned, -0.1).with_columns(
        pl.when(pl.col("load_id") >= "L09")
        .then(pl.col("shift_date") + dt.timedelta(days=1))
        .otherwise("shift_date")
        .alias("shift_date")
    )
    assert dirt_of(planned, table).pairs == 7


def test_each_pair_has_both_arms_in_an_order_drawn_by_lot():
    order = draw_order(200, 5)
    assert all({*order[i : i + 2]} == {"A", "B"} for i in range(0, 400, 2))
    assert 0.4 < np.mean([a == "A" for a in order[::2]]) < 0.6
    assert order == draw_order(200, 5)


def test_a_trial_s_file_is_read_back(tmp_path, catalogue):
    planned = trial(machine_id='M"1\\x', tickets=("L1", "", "L3"))
    path = tmp_path / "T001.toml"
    path.write_text(trial_toml(planned, catalogue, format_reason), "utf-8")
    assert read_trial(path, catalogue) == planned


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ("setting = 3", "cannot be read"),
        ('order = ["A", "A"]', "not pairs"),
        ("\x00", "cannot be read"),
    ],
)
def test_a_spoilt_file_says_what_is_wrong(tmp_path, catalogue, wrong, says):
    text = trial_toml(trial(), catalogue, format_reason)
    head, tail = text.split("order = [")
    path = tmp_path / "T001.toml"
    path.write_text(head + (wrong if wrong.startswith("order") else f"{wrong}\norder = [{tail}"), "utf-8")
    with pytest.raises(WorkspaceError, match=says):
        read_trial(path, catalogue)


@pytest.fixture
def season(tmp_path):
    (tmp_path / "season.toml").write_text("", "utf-8")
    return read_season(tmp_path / "season.toml")


ASKED = {"setting": None, "machine": None, "field": None, "to": None, "day": None, "detect_pct": None}
ADVICE = pl.DataFrame(
    {
        "machine_id": ["M1", "M1"],
        "field_id": ["F1", "F1"],
        "verdict": ["try", "move"],
        "setting": ["cleaner_1_speed_rpm", "share_depth_cm"],
        "to_value": [38.9, 7.0],
        "dirt_change_pct": [-9.0, 1.0],
        "gain_per_t": [0.1, 0.5],
    }
)
FITTED = pl.DataFrame({"response": [DIRT], "residual_sd": [0.09]})


def test_a_question_of_the_advice_becomes_a_trial(season):
    found = design_trial(ASKED, facts(trial(), 0.0), ADVICE, FITTED, season, ["T001"], "here")
    assert (found.trial_id, found.machine_id, found.field_id) == ("T002", "M1", "F1")
    assert found.shift_date == DAY + dt.timedelta(days=1)
    assert found.values == (37.5, 39.0)
    assert found.detect_pct == 9.0
    assert len(found.order) == 2 * required_pairs(np.log1p(0.09), pair_sd(0.09, 0.1, 25.0), 0.8)


def test_a_trial_has_the_power_of_the_season(season):
    found = design_trial(ASKED, facts(trial(), 0.0), ADVICE, FITTED, replace(season, trial_power=0.95), [], "here")
    assert found.power == 0.95
    assert len(found.order) == 2 * required_pairs(np.log1p(0.09), pair_sd(0.09, 0.1, 25.0), 0.95)


def test_nothing_is_tried_that_the_fleet_has_not(season):
    asked = {**ASKED, "setting": "cleaner_1_speed_rpm", "machine": "M1"}
    with pytest.raises(WorkspaceError, match="not inside what this fleet has tried"):
        design_trial({**asked, "to": 70.0}, facts(trial(), 0.0), ADVICE, FITTED, season, [], "here")
    with pytest.raises(WorkspaceError, match="no advice calls"):
        design_trial(ASKED, facts(trial(), 0.0), ADVICE.head(0), FITTED, season, [], "here")
    with pytest.raises(WorkspaceError, match="more than 200 pairs"):
        design_trial({**asked, "detect_pct": 0.5}, facts(trial(), 0.0), ADVICE, FITTED, season, [], "here")


def test_a_machine_at_the_top_of_the_range_tries_a_step_down(season):
    """Without advice and without a value, the plan tries a step up if the fleet has tried that, else a step down."""
    loads = facts(trial(), 0.0)
    asked = {**ASKED, "setting": "cleaner_1_speed_rpm", "machine": "M1", "detect_pct": 9.0}
    own, low, other = (facts(trial(values=(v, v)), 0.0) for v in (39.0, 30.0, 36.0))
    loads = pl.concat([own, *(f.with_columns(machine_id=pl.lit("M2")) for f in (low, other))])
    down = design_trial(asked, loads, ADVICE.head(0), FITTED, season, [], "here")
    assert down.values == (39.0, 36.0)
    up = design_trial({**asked, "machine": "M2"}, loads.filter(machine_id="M2"), ADVICE.head(0), FITTED, season, [], "")
    assert up.values == (33.0, 36.0)


FLAG = "rear_roller_reversed"


def flag_facts(share_on: float) -> pl.DataFrame:
    return facts(trial(), 0.0).with_columns(pl.lit(share_on).alias(FLAG))


@pytest.mark.parametrize(("share_on", "values"), [(0.9, (1.0, 0.0)), (0.1, (0.0, 1.0))])
def test_a_flag_is_tried_in_its_other_state_also_if_the_fleet_never_was_in_it(share_on, values, season, tmp_path):
    asked = {**ASKED, "setting": FLAG, "machine": "M1", "detect_pct": 9.0}
    loads, flag = flag_facts(share_on), season.catalogue[FLAG]
    planned = design_trial(asked, loads, ADVICE.head(0), FITTED, season, [], "here")
    assert planned.values == values
    assert design_trial({**asked, "to": values[1]}, loads, ADVICE.head(0), FITTED, season, [], "here") == planned
    with pytest.raises(WorkspaceError, match="in this state now"):
        design_trial({**asked, "to": values[0]}, loads, ADVICE.head(0), FITTED, season, [], "here")
    path = tmp_path / "T001.toml"
    path.write_text(trial_toml(planned, season.catalogue, format_reason), "utf-8")
    assert read_trial(path, season.catalogue) == planned
    lines = path.read_text("utf-8").partition("order = [\n")[2].splitlines()
    states = [flag.up if planned.value(i) else flag.down for i in range(4)]
    assert [line.endswith(f": {state}") for state, line in zip(states, lines[:4], strict=True)] == [True] * 4


def test_a_trial_of_a_flag_is_read_with_its_traced_state():
    planned = trial(setting=FLAG, values=(0.0, 1.0))
    on = pl.Series(FLAG, [planned.value(i) for i in range(len(ORDER))])
    found = dirt_of(planned, facts(planned, -0.1).with_columns(on))
    assert (found.pairs, found.strayed, found.traced.share) == (8, 0, 1.0)
    assert found.traced.effect_pct == pytest.approx(100 * np.expm1(-0.1))


def test_the_season_page_and_trial_plan_have_the_same_pairs_and_days(season):
    """An open effect of -2.2 to 6.4 %: the page's row, then a plan by the very arguments that the page names."""
    one = facts(trial(), 0.0)
    # Fewer loads on the wet day than on the others: days are those of the machine, whatever the class.
    days = [
        one.with_columns(pl.lit(DAY + dt.timedelta(days=d)).alias("shift_date")).head(n)
        for d, n in enumerate((16, 6, 13))
    ]
    loads = pl.concat(days).with_columns(
        pl.format("L{}", pl.int_range(pl.len())).alias("load_id"),
        pl.when(pl.col("shift_date") == DAY + dt.timedelta(days=1)).then(pl.lit("wet")).alias("wetness_class"),
        pl.Series("sample_kg", np.linspace(10, 25, 35)),
    )
    effect = pl.DataFrame(
        [
            {
                "response": DIRT,
                "setting": "cleaner_1_speed_rpm",
                "wetness_class": "wet",
                "soil_class": None,
                "step": 1.5,
                "unit": "rpm",
                "change_pct": 2.0,
                "lo95": -2.2,
                "hi95": 6.4,
                "n": 50,
                **reason("effect_within_visits").columns,
            }
        ],
        schema_overrides={"soil_class": pl.String},
    )
    noise = TrialNoise(0.09, season.lab_cv_at_25_kg)
    wanted = suggest_trials(effect, loads, noise, season.trial_power, trial_prices(season)).row(0, named=True)
    asked = {
        **ASKED,
        "setting": wanted["setting"],
        "machine": wanted["machine_id"],
        "to": 39.0,
        "detect_pct": float(f"{wanted['detect_pct']:.0f}"),
    }
    planned = design_trial(asked, loads, ADVICE.head(0), FITTED, season, [], "here")
    assert len(planned.order) == 2 * wanted["pairs"]
    assert required_days(len(planned.order), loads, planned.machine_id) == wanted["machine_days"]
    assert json.loads(describe_trial_days(planned, loads).args)["days"] == wanted["machine_days"]


def open_effect(setting: str, wetness: str, low: float | None, high: float | None, code: str) -> dict[str, object]:
    return {
        "response": DIRT,
        "setting": setting,
        "wetness_class": wetness,
        "soil_class": None,
        "step": 1.0,
        "unit": "rpm",
        "change_pct": None if low is None or high is None else (low + high) / 2,
        "lo95": low,
        "hi95": high,
        "n": 50,
        **reason(code).columns,
    }


def test_suggested_trials_are_in_order_of_the_worth_of_their_answer(season):
    """The same interval is worth ten times as much in ten times the tonnes, and more the wider it is about zero."""
    loads = pl.concat([facts(trial(), 0.0).with_columns(wetness_class=pl.lit(w)) for w in ("wet", "moist", "dry")])
    rows = [
        open_effect("cleaner_1_speed_rpm", "wet", -6.0, 6.4, "effect_within_visits"),
        open_effect("cleaner_1_speed_rpm", "moist", -6.0, 6.4, "effect_within_visits"),
        open_effect("cleaner_2_speed_rpm", "wet", -12.0, 12.4, "effect_within_visits"),
        open_effect("cleaner_2_speed_rpm", "moist", 1.0, 9.0, "effect_confounded"),
        open_effect("share_drive_pct", "dry", -20.0, 20.0, "effect_within_visits"),
        open_effect("share_drive_pct", "wet", None, None, "too_few_loads"),
    ]
    effects = pl.DataFrame(rows, schema_overrides={"soil_class": pl.String})
    noise = TrialNoise(0.09, season.lab_cv_at_25_kg)
    wanted = suggest_trials(effects, loads, noise, 0.8, trial_prices(season))
    worth = {(s, w): v for s, w, v in wanted.select("setting", "wetness_class", "worth").iter_rows()}
    known = [v for v in wanted["worth"].to_list() if v is not None]
    assert known == sorted(known, reverse=True)
    assert wanted["setting"][-1] == "share_drive_pct"
    assert worth["share_drive_pct", "dry"] is None  # no tonnes were lifted in dry topsoil
    per_tonne = worth["cleaner_1_speed_rpm", "wet"]
    assert worth["cleaner_1_speed_rpm", "moist"] == pytest.approx(10 * per_tonne, rel=0.05)
    assert worth["cleaner_2_speed_rpm", "wet"] > 1.5 * per_tonne > 0
    # The interval of a confounded effect does not show how far it may be off, so the effect is worth asking about.
    assert worth["cleaner_2_speed_rpm", "moist"] > worth["cleaner_1_speed_rpm", "moist"] / 5


def test_a_flag_whose_effect_is_open_has_a_trial(season):
    loads = facts(trial(), 0.0).with_columns(wetness_class=pl.lit("wet"))
    effects = pl.DataFrame(
        [open_effect(FLAG, "wet", 1.0, 9.0, "effect_confounded")], schema_overrides={"soil_class": pl.String}
    )
    (wanted,) = suggest_trials(effects, loads, TrialNoise(0.09, 0.1), 0.8, trial_prices(season)).to_dicts()
    assert (wanted["setting"], wanted["reason_code"]) == (FLAG, "open_confounded")
    assert wanted["pairs"] > 0
    assert wanted["worth"] is not None


def test_trials_of_unknown_worth_are_in_order_of_urgency_and_width(season):
    loads = facts(trial(), 0.0).with_columns(wetness_class=pl.lit("wet"))
    rows = [
        open_effect("share_drive_pct", "wet", None, None, "too_few_loads"),
        open_effect("cleaner_1_speed_rpm", "wet", -6.0, 6.4, "effect_within_visits"),
        open_effect("cleaner_2_speed_rpm", "wet", -12.0, 12.4, "effect_within_visits"),
        open_effect("cleaner_3_speed_rpm", "wet", 1.0, 9.0, "effect_confounded"),
    ]
    effects = pl.DataFrame(rows, schema_overrides={"soil_class": pl.String})
    unknown = replace(trial_prices(season), scale=SeasonScale({}, 0.5))
    wanted = suggest_trials(effects, loads, TrialNoise(0.09, 0.1), 0.8, unknown)
    assert wanted["worth"].null_count() == wanted.height
    assert wanted["reason_code"].to_list() == ["open_confounded", *["open_wide_interval"] * 2, "open_not_tried"]
    assert wanted["setting"][1] == "cleaner_2_speed_rpm"


# --- reading


def test_a_trial_finds_its_loads_and_its_effect():
    planned = trial()
    table = facts(planned, -0.1)
    loads = find_loads(planned, table)
    assert loads["arm"].to_list() == list(ORDER)
    assert loads["trial_block"].to_list()[:3] == ["T001/1", "T001/1", "T001/2"]
    found = dirt_of(planned, table)
    assert found.pairs == 8
    assert found.effect_pct == pytest.approx(100 * np.expm1(-0.1))
    assert found.p_value == pytest.approx(2 / 256)
    assert found.strayed == 0
    assert found.reason.code == "b_cleaner"


def test_tickets_written_down_say_which_loads():
    planned = trial(tickets=("L01", "L00", "", *(f"L{i:02d}" for i in range(3, 16))))
    loads = find_loads(planned, facts(planned, -0.1))
    assert loads["load_id"].to_list()[:3] == ["L01", "L00", "L03"]
    assert loads["position"].to_list()[:3] == [0, 1, 3]
    assert dirt_of(planned, facts(planned, -0.1)).pairs == 7


def test_few_pairs_and_strayed_loads_are_said():
    planned = trial(order=ORDER[:8])
    table = facts(planned, -0.1).with_columns(pl.lit(36.0).alias("cleaner_1_speed_rpm"))
    found = dirt_of(planned, table)
    assert found.effect_pct is None
    assert found.reason == reason("trial_too_few_pairs", measured=4, planned=4, needed=MIN_PAIRS)
    assert found.strayed == 4


@pytest.mark.slow
def test_a_trial_is_cleaner_evidence_than_as_many_other_loads(catalogue):
    """The same loads and settings, known by their trace alone and known to be a trial's: the effect in these loads."""
    season = fit_season(41, "crumbling", catalogue, machines=6, days=12).facts
    day = season["shift_date"].max()
    mine = season.filter((pl.col("machine_id") == "M000") & (pl.col("shift_date") == day)).head(6)
    assert mine.height == 6
    rng = np.random.default_rng(4)
    arms = np.tile([36.0, 42.0], 30)
    loads = pl.concat([mine] * 10).with_columns(
        pl.Series("load_id", [f"T{i:03d}" for i in range(60)]),
        pl.Series("cleaner_1_speed_rpm", arms),
        pl.Series(DIRT, 100 / (1 + np.exp(2.4 + 0.1 * (arms - 36) / 3 + rng.normal(0, 0.14, 60)))),
        pl.lit(0.6).alias("trace_quality"),
    )
    graded = [f.with_columns(claimed_quality=pl.lit(0.9), machine_chance=pl.lit(1.0)) for f in (season, loads)]
    plain = graded[1].with_columns(
        trial_block=pl.lit(None, dtype=pl.String),
        trial_setting=pl.lit(None, dtype=pl.String),
        trial_value=pl.lit(None, dtype=pl.Float64),
    )
    as_trial = plain.with_columns(
        trial_block=pl.Series([f"T001/{i // 2}" for i in range(60)]),
        trial_setting=pl.lit("cleaner_1_speed_rpm"),
        trial_value=pl.Series(arms),
        # What the trace makes of a load that shares a tank with the one before.
        cleaner_1_speed_rpm=pl.Series(0.7 * arms + 0.3 * np.roll(arms, 1)),
    )
    as_loads = as_trial.with_columns(
        pl.lit(None, dtype=pl.String).alias("trial_block"), pl.lit(None, dtype=pl.String).alias("trial_setting")
    )
    found = {}
    for name, rows in (("trial", as_trial), ("loads", as_loads)):
        fit = fit_response(pl.concat([graded[0], rows], how="diagonal_relaxed"), DIRT, catalogue, 0.1)
        assert fit is not None
        own = fit.rows["load_id"].str.starts_with("T").to_numpy()
        found[name] = contrast(fit.reml, slope_weights(fit, "cleaner_1_speed_rpm", own))
    assert found["trial"].se < 0.9 * found["loads"].se
