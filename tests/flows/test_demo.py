"""The demo season as a user runs it, compared with its true values, which only these tests read."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tests.support.advised_truth import Contradiction, contradictions, true_changes, true_gain
from tests.support.program import Demo, taretrace_here
from tests.validation.traced import baselines, mean_settings, settings_r2
from transforms.arrays import to_float
from transforms.config.response_catalogue import DAMAGED, DIRT, OVER_TOPPED, TOPS
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.classes import wetness_class
from transforms.operations.export import exported_tables
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse
from transforms.trial.suggested_trials import CONFOUNDED_EFFECT, WIDE_PCT


@pytest.fixture(scope="module")
def tables(demo: Demo) -> dict[str, pl.DataFrame]:
    with Warehouse(demo.workspace.warehouse) as warehouse:
        return exported_tables(warehouse, Lake(demo.workspace.lake))


@pytest.fixture(scope="module")
def default_tables(default_demo: Demo) -> dict[str, pl.DataFrame]:
    with Warehouse(default_demo.workspace.warehouse) as warehouse:
        return exported_tables(warehouse, Lake(default_demo.workspace.lake))


def truth(demo: Demo, name: str) -> pl.DataFrame:
    return pl.read_parquet(demo.workspace.root / "truth" / f"{name}.parquet")


def test_the_demo_ends_with_the_path_of_the_page_and_prints_no_errors(demo):
    assert demo.ran.err == ""
    page = demo.workspace.root / "out" / "shift.html"
    assert page.exists()
    assert str(demo.outcome["shift_page"]).startswith(str(demo.workspace.root))


@pytest.mark.slow
def test_the_default_demo_has_thirty_days(default_tables):
    assert default_tables["machine_day"]["day"].n_unique() == 30


def test_each_open_question_has_a_trial(tables):
    dirt = tables["effect"].filter(pl.col("soil_class").is_null(), pl.col("wetness_class").is_not_null())
    wide = (pl.col("lo95") < 0) & (pl.col("hi95") > 0) & (pl.col("hi95") - pl.col("lo95") > WIDE_PCT)
    open_to = pl.col("change_pct").is_null() | (pl.col("reason_code") == CONFOUNDED_EFFECT) | wide
    asked = dirt.filter(pl.col("response") == DIRT, open_to)
    key, wanted = ["setting", "wetness_class"], tables["trial_wanted"]
    assert set(wanted.filter(pl.col("part").is_null()).select(key).rows()) == set(asked.select(key).rows())


def test_each_comparison_of_parts_that_a_machine_has_now_has_a_trial(tables):
    compared = tables["part_effect"].filter(response=DIRT)
    now = tables["machine_setup"].sort("valid_from_at").group_by("machine_id").last()["cleaning_elements"]
    in_class = compared.filter(pl.col("wetness_class").is_not_null())
    open_to = in_class.filter(pl.col("part").is_in(now.implode()) | pl.col("compared_with").is_in(now.implode()))
    wanted = tables["trial_wanted"].drop_nulls("part")
    parts = wanted.select(
        pl.min_horizontal("part", "part_now"), pl.max_horizontal("part", "part_now").alias("with"), "wetness_class"
    )
    asked = set(open_to.select("part", "compared_with", "wetness_class").rows())
    assert asked <= set(parts.rows())
    assert wanted["workshop_cost"].null_count() == wanted["pairs"].null_count()


def test_every_row_of_every_file_is_accounted_for(demo, tables):
    files = tables["source_file"]
    assert files.height == len(list(demo.workspace.inbox.iterdir()))
    balance = files["rows_in"] - files["rows_accepted"] - files["rows_rejected"] - files["rows_repeated"]
    assert balance.to_list() == [0] * files.height
    kept = tables["rejected_row"].group_by("source_sha256").len("kept")
    both = files.join(kept, on="source_sha256", how="left").with_columns(pl.col("kept").fill_null(0))
    assert (both["rows_rejected"] == both["kept"]).all()
    for row in files.filter(pl.col("file").str.ends_with(".csv")).iter_rows(named=True):
        lines = (demo.workspace.inbox / row["file"]).read_text().splitlines()
        assert row["rows_in"] == len(lines) - (2 if row["file"].startswith("log_a") else 1)


def test_the_faults_planted_in_the_files_are_found_and_reported(tables):
    reasons = set(tables["rejected_row"].select("reason_code", "reason_args").rows())
    assert {"uneven_row", "not_a_time"} <= {code for code, _ in reasons}
    values = {(code, json.loads(args).get("column"), json.loads(args).get("bound")) for code, args in reasons}
    assert {("not_above_bound", "delivered_t", 0), ("above_maximum", "dirt_tare_pct", 70)} <= values
    assert tables["source_file"]["rows_repeated"].sum() > 0
    faults = tables["sensor_fault"].filter(pl.col("fault_code").is_in(["stuck", "drift", "clock_step", "off_position"]))
    found = faults.select("machine_id", "setting", "fault_code").unique().sort("machine_id").rows()
    assert found == [
        ("M02", "separator_1_height_mm", "drift"),
        ("M03", "cleaner_2_speed_rpm", "stuck"),
        ("M04", "clock", "clock_step"),
    ]
    assert faults.filter(pl.col("fault_code") == "clock_step")["size"].to_list() == pytest.approx([25.0], abs=0.5)
    ahead = {r["subject_id"]: r for r in tables["clock_offset"].filter("corrected").iter_rows(named=True)}
    assert {clock: r["cause_code"] for clock, r in ahead.items()} == {"M12": "clock", "east": "queue_or_clock"}
    for clock, minutes, width in (("M12", 11, 6), ("east", 7, 11)):
        assert ahead[clock]["lo95"] < minutes < ahead[clock]["hi95"]
        assert ahead[clock]["hi95"] - ahead[clock]["lo95"] < width


def test_the_raw_text_of_rejected_rows_equals_the_source_line(demo, tables):
    rejected = tables["rejected_row"].filter(pl.col("file").str.ends_with(".csv"))
    assert rejected.height > 5
    for row in rejected.iter_rows(named=True):
        line = (demo.workspace.inbox / row["file"]).read_bytes().decode().split("\n")[row["line"] - 1]
        assert row["raw"] == line.rstrip("\r")


def test_shares_sum_to_one_with_an_explicit_remainder(tables):
    total = tables["load_trace"].group_by("load_id").agg(pl.col("share").sum())
    assert total.height == tables["load"].height
    assert total["share"].to_numpy() == pytest.approx(np.ones(total.height), abs=1e-9)
    rest = tables["load_trace"].filter(pl.col("bin_at").is_null())
    assert 0 < rest.height < total.height


@pytest.mark.slow
def test_traced_mean_settings_of_sampled_loads_with_a_tank_signal(default_demo, default_tables, catalogue: Catalogue):
    """R2 of traced mean settings is at least 0.9; both baselines from the methods are printed for comparison."""
    names = [n for n in catalogue if n in default_tables["bin"].columns and n != "rear_roller_reversed"]
    machines = truth(default_demo, "machine")
    with_signal = machines.filter(pl.col("signal") != "none")["machine_id"].to_list()
    true_trace = truth(default_demo, "load_trace")
    main = (
        true_trace.group_by("load_id", "machine_id")
        .agg(pl.col("share").sum())
        .sort("share")
        .unique("load_id", keep="last")
    )
    sampled = main.filter(pl.col("machine_id").is_in(with_signal)).join(
        default_tables["tare"].select("load_id").unique(), on="load_id"
    )
    heaps = default_tables["load_trace_grade"].filter(pl.col("kind_code") == "heap")
    sampled = sampled.join(heaps, on="load_id", how="anti").select("load_id")
    true = mean_settings(true_trace.join(sampled, on="load_id"), truth(default_demo, "bin"), names)
    known = default_tables["load_trace"].filter(pl.col("bin_at").is_not_null())
    methods = {"traced": known} | baselines(
        default_tables["bin"], default_tables["load"], default_tables["unload_event"]
    )
    rows = {
        label: settings_r2(mean_settings(trace.join(sampled, on="load_id"), default_tables["bin"], names), true, names)
        for label, trace in methods.items()
    }
    print(f"\nR2 of mean settings, {sampled.height} sampled loads with a tank signal")
    for label, found in rows.items():
        print(f"  {label:30s} mean {np.mean(list(found.values())):.3f}  lowest {min(found.values()):.3f}")
    assert len(rows["traced"]) >= 11
    assert min(rows["traced"].values()) >= 0.9
    for label in ("field's hour before weigh-in", "nearest unload in time"):
        assert np.mean(list(rows[label].values())) < np.mean(list(rows["traced"].values()))


Found = dict[str, list[Contradiction]]


@pytest.fixture(scope="module")
def judge_moves(default_demo, default_tables, catalogue: Catalogue) -> Callable[[pl.DataFrame], Found]:
    """A function that compares the advised moves with true effects, those of the season or planted ones."""
    soil_of = default_tables["field"].select("field_id", clay="clay_pct")
    moves = default_tables["advice"].filter(pl.col("verdict") == "move").join(soil_of, on="field_id")
    moves = moves.rename({"topsoil_wetness": "wetness"})
    assert moves.height >= 12
    facts = default_tables["load_fact"].select("load_id", "topsoil_wetness", "clay_pct")
    names = [n for n in catalogue if n in default_tables["load_fact"].columns]
    values = default_tables["load_fact"].select("load_id", *names).unpivot(index="load_id", variable_name="setting")
    expected = default_tables["expected_load"].join(default_tables["load_fact"], on="load_id").sort("lifted_at")

    def judge(effects: pl.DataFrame) -> Found:
        by_load = effects.join(facts, on="load_id").join(values, on=["load_id", "setting"])
        found: Found = {"sign": [], "gain": []}
        for row in moves.iter_rows(named=True):
            changes = true_changes(by_load, row, catalogue[row["setting"]].step)
            observed = expected.filter(machine_id=row["machine_id"]).tail(20)["observed_pct"]
            ratio = to_float((observed / (100 - observed)).mean())
            gain = true_gain(row, changes, ratio, default_demo.workspace.season.prices)
            for kind, wrong in contradictions(row, changes, gain).items():
                found[kind] += wrong
        return found

    return judge


@pytest.fixture(scope="module")
def wrong_moves(default_demo, judge_moves) -> Found:
    """Advised changes contradicted by the true effects in the advised conditions: by sign and by gain."""
    return judge_moves(truth(default_demo, "load_effect"))


@pytest.mark.slow
def test_every_advised_sign_is_right(wrong_moves):
    assert wrong_moves["sign"] == []


@pytest.mark.slow
def test_every_certain_gain_is_a_true_gain(wrong_moves):
    assert wrong_moves["gain"] == []


@pytest.mark.slow
@pytest.mark.parametrize(("response", "column"), [(TOPS, "tops"), (OVER_TOPPED, "over_topped"), (DAMAGED, "damaged")])
def test_a_wrong_sign_of_topping_or_damage_would_be_found(
    default_demo, default_tables, judge_moves, response: str, column: str
):
    """Effects of the opposite sign are planted in the truth: every certain sign of the response is then reported."""
    moves = default_tables["advice"].filter(pl.col("verdict") == "move")
    certain = moves.filter(pl.col(f"{column}_lo95") * pl.col(f"{column}_hi95") > 0)
    assert certain.height > 0
    planted = truth(default_demo, "load_effect").with_columns(-pl.col(response))
    found = [(w.machine_id, w.setting) for w in judge_moves(planted)["sign"] if w.promise == column]
    assert sorted(found) == sorted(certain.select("machine_id", "setting").rows())


@pytest.mark.slow
def test_a_scalper_moved_the_wrong_way_is_not_a_gain(default_demo, default_tables, judge_moves):
    """With the signs of topping turned round, moves of the topper that promise a certain gain truly cost."""
    moves = default_tables["advice"].filter(pl.col("verdict") == "move", pl.col("setting") == "scalper_height_mm")
    certain = moves.filter(pl.col("gain_lo95") > 0.02)
    assert certain.height > 0
    planted = truth(default_demo, "load_effect").with_columns(-pl.col(TOPS), -pl.col(OVER_TOPPED))
    found = [w.machine_id for w in judge_moves(planted)["gain"] if w.setting == "scalper_height_mm"]
    assert sorted(found) == sorted(certain["machine_id"])


def test_advice_obeys_its_limits(demo, tables, catalogue: Catalogue):
    advice = tables["advice"].filter(pl.col("verdict") == "move")
    rules = demo.workspace.season.advice
    assert advice.group_by("machine_id").len()["len"].max() <= rules.max_moves
    steps = [abs(r["to_value"] - r["from_value"]) / catalogue[r["setting"]].step for r in advice.iter_rows(named=True)]
    assert max(steps) <= rules.max_steps + 1e-9
    assert advice["probability_better"].min() >= rules.probability
    assert advice["n"].min() >= rules.min_loads
    assert advice["total_gain_per_t"].min() > 0


def test_advice_goes_both_ways_because_habits_do(demo, tables):
    """Shares run deeper where soil is wet and needs less depth; the moves of the last shift go up and down."""
    moves = tables["advice"].filter(pl.col("verdict") == "move")
    up = to_float((moves["to_value"] > moves["from_value"]).mean())
    assert 0.2 < up < 0.8
    bins = truth(demo, "bin").with_columns(wet=wetness_class(pl.col("wetness")))
    depth = dict(bins.group_by("wet").agg(pl.col("share_depth_cm").mean()).iter_rows())
    assert depth["wet"] > depth["dry"] + 0.2


def test_naive_correlation_misleads_but_the_fit_does_not(demo, tables):
    """Operators react to the dirt they see: pooled regressions get signs wrong that within-visit effects get right."""
    facts = tables["load_fact"].drop_nulls(DIRT)
    z = np.log(facts[DIRT] / (100 - facts[DIRT])).to_numpy()
    true = truth(demo, "load_effect").group_by("setting").agg(pl.col(DIRT).mean())
    overall = tables["effect"].filter(
        (pl.col("response") == DIRT) & pl.col("wetness_class").is_null() & pl.col("soil_class").is_null()
    )
    certain = overall.filter(pl.col("lo95") * pl.col("hi95") > 0).join(true, on="setting")
    assert certain.height >= 4
    assert (certain["change_pct"].sign() == certain[DIRT].sign()).all()
    wrong = []
    for setting, effect in certain.select("setting", DIRT).iter_rows():
        value = facts[setting].to_numpy()
        known = np.isfinite(value)
        if np.sign(np.polyfit(value[known], z[known], 1)[0]) != np.sign(effect):
            wrong.append(setting)
    assert wrong
    print(f"\npooled regression has the wrong sign for {', '.join(wrong)} of {certain.height} certain effects")


@pytest.mark.slow
def test_the_direction_of_a_roller_goes_from_the_log_to_its_effect(default_demo, default_tables):
    """Machines that log it run in both directions; its effect in each wetness class, where one is given, is true."""
    name = "rear_roller_reversed"
    logged = default_tables["bin"].filter(pl.col(name).is_not_null())
    assert 0.1 < to_float(logged[name].mean()) < 0.9
    assert set(default_tables["machine"].filter(generation="B")["machine_id"]) == set(logged["machine_id"].unique())
    facts = default_tables["load_fact"].select(
        "load_id", wetness_class(pl.col("topsoil_wetness")).alias("wetness_class")
    )
    true = truth(default_demo, "load_effect").filter(setting=name).join(facts, on="load_id").group_by("wetness_class")
    by_class = dict(true.agg(pl.col(DIRT).mean()).iter_rows())
    rows = default_tables["effect"].filter(
        (pl.col("response") == DIRT) & (pl.col("setting") == name) & pl.col("soil_class").is_null()
    )
    given = rows.drop_nulls(["wetness_class", "change_pct"])
    assert given.height >= 2
    for r in given.iter_rows(named=True):
        change = 100 * np.expm1(by_class[r["wetness_class"]])
        assert r["lo95"] - 3 < change < r["hi95"] + 3


def test_nothing_but_tests_reads_the_truth(demo):
    rooms = [Path(__file__).parents[2] / room for room in ("flows", "reports", "transforms", "sql")]
    readers = [
        p.name
        for room in rooms
        for p in room.rglob("*.*")
        if p.suffix in {".py", ".sql"} and '"truth"' in p.read_text()
    ]
    assert readers == ["demo.py"]
    for path in demo.workspace.inbox.iterdir():
        assert "truth" not in path.name
    assert not any("truth" in p.read_text() for p in demo.workspace.mappings.iterdir())


@pytest.mark.parametrize("form", ["parquet", pytest.param("csv", marks=pytest.mark.slow)])
def test_export_writes_every_table(demo, tmp_path, form):
    ran = taretrace_here("export", demo.workspace.root, "--to", tmp_path, "--format", form, "--json")
    assert ran.code == 0, ran.err
    assert len(json.loads(ran.out)["files"]) >= 20
    assert (tmp_path / f"load_trace.{form}").exists()
    grades = {"parquet": pl.read_parquet, "csv": pl.read_csv}[form](tmp_path / f"load_trace_grade.{form}")
    at = grades.columns.index("reason_code")
    assert grades.columns[at : at + 3] == ["reason_code", "reason_args", "reason"]
    assert grades["reason"].null_count() == grades["reason_code"].null_count() == 0
    assert grades.group_by("reason_code").agg(pl.col("reason").str.len_chars().min())["reason"].min() > 10


def test_the_exported_columns_are_the_contract(tables):
    contract = {
        "load": "load_id field_id machine_id site_id left_field_at weighed_at truck_full_t truck_empty_t "
        "delivered_t clean_t",
        "tare": "sample_id load_id revision dirt_tare_pct top_tare_pct sugar_pct potassium_mmol_per_kg "
        "sodium_mmol_per_kg amino_n_mmol_per_kg sample_kg",
        "load_trace": "load_id machine_id bin_at share",
        "load_fact": "load_id machine_id field_id shift_date weighed_at dirt_tare_pct top_tare_pct share_depth_cm "
        "delivered_t clean_t share_depth_cm_sd topsoil_wetness clay_pct air_temp_c yield_t_ha trace_quality",
        "audit_fact": "audit_id machine_id field_id audited_at root_loss_t_ha share_depth_cm topsoil_wetness",
        "effect": "response setting wetness_class soil_class step unit change_pct lo95 hi95 p_value q_value n "
        "tried_lo tried_hi",
        "advice": "machine_id field_id shift_date setting from_value to_value unit dirt_change_pct dirt_lo95 dirt_hi95 "
        "root_loss_change_pct root_loss_lo95 root_loss_hi95 gain_per_t gain_lo95 gain_hi95 probability_better n "
        "reason_code reason_args",
        "rejected_row": "source_sha256 file line column raw rule reason_code reason_args",
        "source_file": "source_sha256 file kind rows_in rows_accepted rows_rejected rows_repeated received_at",
    }
    for name, columns in contract.items():
        assert set(columns.split()) <= set(tables[name].columns), name
