"""The commands `vary plan` and `vary read`: off by default, written once, and read into the facts of loads."""

import datetime as dt
import json
import shutil
from pathlib import Path

import polars as pl
import pytest

from flows import stages
from flows.stages import advise
from tests.flows.test_command_lines import check_lines
from tests.flows.test_command_output import WIDE, on_terminal
from tests.support.program import Ran, taretrace_here
from tests.validation.seasons import QUIET, Season, copy_of
from transforms.arrays import narrow
from transforms.config.workspace import Workspace
from transforms.contracts.reason import reason
from transforms.contracts.result_tables import schema_of
from transforms.storage.warehouse import Warehouse
from transforms.variation.plan import read_plan

CLEANER, DEPTH = "cleaner_1_speed_rpm", "share_depth_cm"
LEVELS = {CLEANER: (36.0, 33.0, 39.0), DEPTH: (6.0, 5.5, 6.5)}


def option(machine: str, field: str, day: dt.date, wetness: str, setting: str) -> dict[str, object]:
    base, low, high = LEVELS[setting]
    return {
        "machine_id": machine,
        "field_id": field,
        "shift_date": day,
        "wetness_class": wetness,
        "soil_class": "heavy",
        "setting": setting,
        "unit": setting.rpartition("_")[2],
        "step": (high - low) / 2,
        "base_value": base,
        "low_value": low,
        "high_value": high,
        "tried_lo": low,
        "tried_hi": high,
        "response": "dirt_tare_pct",
        "gain_per_t": 0.01,
        "learnable_sd_per_t": 0.5 if setting == CLEANER else 0.4,
        "per_log": -2.0,
        "loss_per_t": 0.001,
        **reason("vary_possible").columns,
    }


@pytest.fixture
def workspace(season: Season, tmp_path: Path) -> Workspace:
    """A copy of the small season with options of two machines for its last shift, whose loads it has."""
    own = copy_of(season, tmp_path / "season")
    with stages.open_warehouse(own) as warehouse:
        facts = warehouse.table("load_fact").drop_nulls(["machine_id", CLEANER, DEPTH])
        known = warehouse.query("class_tonnes").drop_nulls("wetness_class")["wetness_class"][0]
        busy = facts.group_by("machine_id", "shift_date", maintain_order=True).len().filter(pl.col("len") >= 4)
        day = narrow(busy["shift_date"].max(), dt.date)
        machines = sorted(busy.filter(shift_date=day)["machine_id"])[:2]
        rows = [option(m, "F1", day, known, s) for m in machines for s in LEVELS]
        warehouse.replace("variation_option", pl.DataFrame(rows, schema=schema_of("variation_option")))
    return own


def switched_on(workspace: Workspace) -> Workspace:
    path = workspace.root / "season.toml"
    text = path.read_text("utf-8").replace("enabled = false", "enabled = true", 1)
    path.write_text(text if "enabled = true" in text else text + "\n[vary]\nenabled = true\n", "utf-8")
    return Workspace(workspace.root)


def test_nothing_is_planned_unless_the_season_allows_it(workspace: Workspace):
    refused = taretrace_here("vary", "plan", workspace.root)
    assert refused.code == 2
    assert "enabled = true" in refused.err
    assert "[vary]" in refused.err
    assert not workspace.variations.exists()


def test_a_plan_is_written_once_with_a_card_for_each_machine(workspace: Workspace):
    own = switched_on(workspace)
    ran = taretrace_here("vary", "plan", own.root, "--json", "--pdf")
    assert ran.code == 0, ran.err
    outcome = json.loads(ran.out)
    assert [Path(p).name for p in outcome["cards"]] == ["variation-V001.html", "variation-V001.pdf"]
    assert all(Path(p).exists() for p in outcome["cards"])
    plan = read_plan(own.variations / "V001.toml", own.season.catalogue)
    assert [m["machine_id"] for m in outcome["machines"]] == [m.machine_id for m in plan.machines]
    assert len(plan.machines) == 2
    assert plan.machines[1].first_pair == 1 + len(plan.machines[0].loads) // 2
    page = Path(outcome["cards"][0]).read_text("utf-8")
    assert page.count('class="box"') == sum(len(m.loads) for m in plan.machines)
    assert page.count("Engine off and key out") >= 2
    before = (own.variations / "V001.toml").read_bytes()
    again = taretrace_here("vary", "plan", own.root)
    assert again.code == 2
    assert "V001.toml" in again.err
    assert [p.name for p in own.variations.iterdir()] == ["V001.toml"]
    assert (own.variations / "V001.toml").read_bytes() == before
    assert taretrace_here("vary", "plan", own.root, "--machine", "NONE").code == 2


@pytest.mark.slow
def test_no_word_of_a_plan_or_of_its_reading_is_broken(workspace: Workspace, tmp_path: Path, monkeypatch):
    ran: dict[int, list[Ran]] = {}
    for k, width in enumerate((WIDE, 80, 40)):
        folder = switched_on(Workspace(Path(shutil.copytree(workspace.root, tmp_path / f"copy-{k}")))).root
        words = (["vary", "plan", str(folder)], ["vary", "read", "V001", str(folder)])
        ran[width] = [on_terminal(monkeypatch, width, w) for w in words]
    for width in (80, 40):
        for wide, slim in zip(ran[WIDE], ran[width], strict=True):
            check_lines(wide, slim, width)


def test_loads_are_read_and_pairs_that_count_reach_the_facts(workspace: Workspace):
    """No machine followed this plan, so few pairs count by chance; those that do are marked."""
    own = switched_on(workspace)
    assert taretrace_here("vary", "plan", own.root).code == 0
    assert taretrace_here("vary", "read", "V002", own.root).code == 2
    ran = taretrace_here("vary", "read", "V001", own.root, "--json")
    assert ran.code == 0, ran.err
    outcome = json.loads(ran.out)
    assert taretrace_here("vary", "read", "V001", own.root).code == 0
    with Warehouse.open_read_only(own.warehouse) as warehouse:
        stored = warehouse.table("varied_load")
    assert stored.height == len(outcome["loads"]) > 0
    assert outcome["counted"] == stored.filter("is_counted").unique(["variation_block", "setting"]).height
    first = stored["variation_block"][0]
    with stages.open_warehouse(own) as warehouse:
        counted = pl.when(pl.col("variation_block") == first).then(pl.lit(value=True)).otherwise(pl.lit(value=False))
        warehouse.replace("varied_load", stored.with_columns(is_counted=counted))
        stages.build_facts(warehouse, own.season)
        facts = warehouse.table("load_fact")
    varied = facts.drop_nulls("varied_settings")
    assert sorted(varied["load_id"]) == sorted(stored.filter(variation_block=first)["load_id"].unique())
    assert varied["varied_settings"].unique().to_list() == [f"{CLEANER}|{DEPTH}"]
    # The settings are those of the log, and nothing is marked as a load of a trial.
    trial = varied.select("trial_block", "trial_setting", "trial_value")
    assert all(column.null_count() == varied.height for column in trial)


@pytest.mark.slow
def test_an_effect_in_doubt_is_worth_more_to_vary(season: Season, tmp_path: Path, monkeypatch):
    own, spreads = copy_of(season, tmp_path / "doubt"), []
    for found in ({}, {CLEANER: 0.08}):
        monkeypatch.setattr(advise, "doubts", lambda *_, d=found: d)
        stages.advise_machines(own, season.fits, QUIET)
        with stages.open_warehouse(own) as warehouse:
            rows = warehouse.table("variation_option").filter(setting=CLEANER).drop_nulls("per_log")
        assert rows.height
        spreads.append(rows.select((pl.col("learnable_sd_per_t") / pl.col("per_log").abs()).min()).item())
    assert spreads[0] < 0.08 <= spreads[1] * 1.1
