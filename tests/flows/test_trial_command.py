"""The commands `trial plan` and `trial read`: results as reasons, trials of flags and of fitted parts."""

import json
from pathlib import Path

import polars as pl
import pytest

from flows import stages
from reports.language.reason_text import format_reason, row_reason
from reports.sections.cautions import CAUTION
from tests.support.program import taretrace_here
from tests.validation.seasons import QUIET, Season, copy_of
from transforms.config.response_catalogue import DIRT
from transforms.config.workspace import Workspace
from transforms.trial.part_plan import PartTrial, part_trial_toml, read_part_trial
from transforms.trial.plan import draw_order
from transforms.trial.power import MIN_PAIRS


def test_the_result_is_stored_as_a_code_and_printed_as_a_sentence(season: Season, tmp_path: Path):
    workspace = copy_of(season, tmp_path / "season")
    planned = stages.plan_trial(
        workspace, stages.TrialAsked("cleaner_1_speed_rpm", "M02", None, None, None, 20.0)
    ).trial
    trial_id = planned.trial_id
    ran = taretrace_here("trial", "read", trial_id, workspace.root, "--json")
    assert ran.code == 0, ran.err
    read = json.loads(ran.out)
    with stages.open_warehouse(workspace) as warehouse:
        (stored,) = warehouse.table("trial_result").to_dicts()
    assert stored["reason_code"] == read["reason_code"] == "trial_too_few_pairs"
    # The trial is planned for the day after the season's last: none of its loads is measured.
    assert json.loads(stored["reason_args"]) == {
        "measured": 0,
        "needed": MIN_PAIRS,
        "planned": len(planned.order) // 2,
    }
    assert read["reason"] == row_reason(stored)
    assert [r["response"] for r in read["responses"]] == [stored["response"]] == [DIRT]
    assert (stored["stop_code"], stored["reading_code"], stored["e_value"]) == ("trial_carry_on", "planned", None)
    assert f"{row_reason(stored)}." in " ".join(taretrace_here("trial", "read", trial_id, workspace.root).out.split())
    with stages.open_warehouse(workspace) as warehouse:
        assert warehouse.table("trial_result").height == 1


PARTS = ("smooth bars", "tines")


@pytest.fixture(scope="module")
def workspace(season: Season, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A copy of the season whose machine list has the same part on two machines, and the other one on a third."""
    workspace = copy_of(season, tmp_path_factory.mktemp("parts") / "season")
    with stages.open_warehouse(workspace) as warehouse:
        listed = warehouse.table("received_machine_setup")
        machines = listed["machine_id"].unique().sort().to_list()
        part = pl.when(pl.col("machine_id").is_in(machines[:-1])).then(pl.lit(PARTS[0])).otherwise(pl.lit(PARTS[1]))
        warehouse.replace("received_machine_setup", listed.with_columns(part.alias("cleaning_elements")))
    return workspace


def machines_of(workspace: Workspace) -> list[str]:
    with stages.open_warehouse(workspace) as warehouse:
        setups = warehouse.table("machine_setup").filter(cleaning_elements=PARTS[0])
        worked = warehouse.table("load_fact").drop_nulls(DIRT)["machine_id"].unique()
        return sorted(set(setups["machine_id"]) & set(worked))


def test_a_trial_of_a_part_is_planned_in_days_with_its_cost_and_sheet(workspace: Workspace):
    machines = machines_of(workspace)[:2]
    options = (
        "--setting",
        "cleaning elements",
        "--to",
        PARTS[1],
        "--machine",
        ",".join(machines),
        "--detect-pct",
        "40",
    )
    ran = taretrace_here("trial", "plan", workspace.root, *options, "--topsoil", "wet", "--json")
    assert ran.code == 0, ran.err
    printed = json.loads(ran.out)
    plan = read_part_trial(Path(printed["file"]))
    assert (plan.parts, plan.wetness_class, list(plan.orders)) == (PARTS, "wet", machines)
    assert (printed["pairs"], printed["days"], printed["changes"]) == (plan.pairs, plan.days, plan.changes)
    assert printed["workshop_cost"] == plan.changes * workspace.season.prices.parts_change
    sheet = Path(printed["sheet"]).read_text("utf-8")
    assert sheet.count('<tr><th scope="row"') == 2 * plan.days
    lines = taretrace_here("trial", "plan", workspace.root, *options).out
    assert " ".join(lines.split()).endswith(CAUTION)
    assert " ".join(CAUTION.split()) in " ".join(sheet.split()).replace("&#39;", "'")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--setting", "cleaning_elements", "--field", "F1"), "--field"),
        (("--setting", "cleaner_1_speed_rpm", "--machine", "M02", "--topsoil", "wet"), "--topsoil"),
        (("--setting", "cleaning_elements", "--to", "tynes", "--machine", "M01"), "'tines'"),
    ],
)
def test_an_option_that_does_not_fit_the_kind_of_trial_is_named(options, words, workspace: Workspace):
    ran = taretrace_here("trial", "plan", workspace.root, *options)
    assert ran.code != 0
    assert words in ran.err


def test_a_trial_of_a_flag_is_planned_load_by_load(workspace: Workspace):
    with stages.open_warehouse(workspace) as warehouse:
        flag = warehouse.table("load_fact").drop_nulls("rear_roller_reversed")["machine_id"][0]
    ran = taretrace_here(
        "trial",
        "plan",
        workspace.root,
        "--setting",
        "rear roller reversed",
        "--machine",
        flag,
        "--detect-pct",
        "20",
        "--json",
    )
    assert ran.code == 0, ran.err
    text = Path(json.loads(ran.out)["file"]).read_text("utf-8")
    assert {"value_a = 0.0", "value_b = 1.0"} <= set(text.splitlines()) or "value_a = 1.0" in text


@pytest.mark.slow
def test_a_trial_of_a_part_that_is_over_takes_the_place_of_the_comparison_between_days(workspace: Workspace):
    """Days of the season so far, as if their parts had been drawn by lot: the same days, read and fitted."""
    with stages.open_warehouse(workspace) as warehouse:
        expected = warehouse.table("load_fact").join(warehouse.table("expected_load"), on="load_id", how="semi")
    days = {
        machine: expected.filter(machine_id=machine)["shift_date"].unique().sort().to_list()
        for machine in expected["machine_id"].unique().sort().to_list()
    }
    even = {m: d[: len(d) // 2 * 2] for m, d in days.items() if len(d) > 1}
    orders = {m: draw_order(len(d) // 2, 7 + k) for k, (m, d) in enumerate(even.items())}
    dates = {m: tuple(day.isoformat() for day in d) for m, d in even.items()}
    first = min(min(d) for d in even.values())
    plan = PartTrial("T900", "cleaning", PARTS, first, None, orders, 20.0, 0.8, 0.3, dates)
    assert plan.pairs >= MIN_PAIRS
    workspace.trials.mkdir(exist_ok=True)
    (workspace.trials / "T900.toml").write_text(part_trial_toml(plan, format_reason), "utf-8")
    ran = taretrace_here("trial", "read", "T900", workspace.root, "--json")
    assert ran.code == 0, ran.err
    read = json.loads(ran.out)
    assert (read["pairs"], read["stop_code"], read["response"]) == (plan.pairs, "trial_ended", DIRT)
    assert read["anytime_lo95"] < read["lo95"] < read["hi95"] < read["anytime_hi95"]
    printed = taretrace_here("trial", "read", "T900", workspace.root).out
    assert f"{plan.pairs} of {plan.pairs}" in " ".join(printed.split())
    stages.fit_responses(workspace, QUIET)
    with stages.open_warehouse(workspace) as warehouse:
        (row,) = (
            warehouse.table("part_effect").filter(pl.col("wetness_class").is_null(), pl.col("pairs") > 0).to_dicts()
        )
        facts = warehouse.table("load_fact").filter(pl.col("trial_setting") == "cleaning_elements")
    assert (row["reason_code"], row["pairs"], row["part"]) == ("part_by_lot", plan.pairs, PARTS[0])
    assert facts["trial_block"].n_unique() == plan.pairs
    # The fit is that of the next day: conditions are estimated again, with the same loads.
    assert row["change_pct"] == pytest.approx(100 * (1 / (1 + read["effect_pct"] / 100) - 1), abs=1.0)
