"""Features specific to the guide, the fleet page and the what-if page, in headless Chromium."""

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from flows import stages
from reports.pages.what_if import write_what_if
from reports.pages.what_if_data import load_what_if_page
from tests.support.program import taretrace_here
from tests.unit.reports.chromium import opened, unfold
from transforms.advice.what_if import WhatIfQuery, answer_query
from transforms.advice.what_if_table import pack_draws, read_table, write_table
from transforms.config.response_catalogue import DIRT

REVERSED = "rear_roller_reversed"


def test_a_comparison_has_an_interval_and_a_dot_per_subject(browser, written, demo):
    opened(browser, written["fleet"], 1280)
    drawn = browser.execute_script(
        "const c = document.getElementById('chart-dirt_tare_pct-machine');"
        "return ['.mark-symbol.role-mark path', '.mark-rule.role-mark line'].map(m => c.querySelectorAll(m).length)"
    )
    with stages.open_warehouse(demo.workspace) as warehouse:
        table = warehouse.table("benchmark")
    machines = table.filter((pl.col("response") == "dirt_tare_pct") & (pl.col("subject_kind") == "machine"))
    dots = machines.drop_nulls("unexplained").height
    assert drawn == [dots, dots + 1]


def test_the_guide_shows_every_class_and_its_curves(browser, written, demo):
    opened(browser, written["guide"], 1280)
    unfold(browser)
    with stages.open_warehouse(demo.workspace) as warehouse:
        classes, settings = warehouse.table("guide_class"), warehouse.table("guide")
    folds = browser.execute_script("return document.querySelectorAll('section > details.fold[data-wetness]').length")
    assert folds == classes.height == 18
    drawn = browser.execute_script(
        "return [...document.querySelectorAll('.small .chart')].map(c => c.querySelectorAll('svg .role-mark "
        "path').length)"
    )
    flags = [n for n, s in demo.workspace.season.catalogue.items() if s.is_flag]
    best = settings.filter(pl.col("reason_code") == "best_of_tried", ~pl.col("setting").is_in(flags))
    assert len(drawn) == best.height
    assert min(drawn) >= 3


def test_the_page_and_the_command_give_the_same_answer(browser, written, demo):
    table = read_table(demo.workspace.what_if)
    opened(browser, written["what-if"], 1280)
    usual = table["usual"]
    for at, settings in (
        ((0.42, 21.0, 7.0, 70.0), {}),
        ((0.6, 33.0, 9.5, 81.0), {"share_depth_cm": usual["share_depth_cm"] - 0.5}),
        ((0.2, 12.0, 12.0, 66.0), {"ground_speed_kmh": usual["ground_speed_kmh"] - 1, "cleaner_1_speed_rpm": 41.0}),
        ((0.3, 25.0, 11.0, 74.0), {"scalper_height_mm": usual["scalper_height_mm"] - 5, "topper_speed_rpm": 950.0}),
        ((0.55, 27.0, 8.0, 72.0), {REVERSED: 1.0 - usual[REVERSED], "share_depth_cm": usual["share_depth_cm"] - 0.5}),
    ):
        q = dict(zip(("topsoil_wetness", "clay_pct", "air_temp_c", "yield_t_ha"), at, strict=True))
        own = answer_query(table, WhatIfQuery(**q, settings=settings))
        shown = browser.execute_script("return window.taretraceAnswer(arguments[0], arguments[1])", q, settings)
        assert shown["dirt"] == pytest.approx(own.dirt_pct, rel=1e-6)
        assert shown["loss"] == pytest.approx(own.root_loss_t_ha, rel=1e-6)
        assert shown["tops"] == pytest.approx(own.top_tare_pct, rel=1e-6)
        assert shown["over"] == pytest.approx(own.over_topped_pct, rel=1e-6)
        assert shown["cost"] == pytest.approx(own.cost_per_t, rel=1e-6)
        assert shown["saved"] == pytest.approx(own.saved_per_t, rel=1e-6, abs=1e-9)


def test_the_page_counts_pairs_as_the_command_does(browser, demo, tmp_path):
    """A pair of settings planted in the table changes answers alike."""
    table = read_table(demo.workspace.what_if)
    names = ["cleaner_1_speed_rpm", "separator_1_height_mm"]
    about = {"settings": names, "middle": [38.0, 45.0], "step": [3.0, 5.0]}
    draws = np.random.default_rng(1).normal(0.04, 0.01, (100, 1))
    table["responses"][DIRT]["pairs"] = [{**about, "draws": pack_draws(draws)}]
    planted = tmp_path / "what-if.json"
    write_table(table, planted)
    with stages.open_warehouse(demo.workspace) as warehouse:
        page = write_what_if(load_what_if_page(warehouse, planted), demo.workspace.season, tmp_path)
    opened(browser, page, 1280)
    q = {"topsoil_wetness": 0.4, "clay_pct": 21.0, "air_temp_c": 7.0, "yield_t_ha": 70.0}
    moved = {n: table["usual"][n] + k for n, k in zip(names, (6.0, -10.0), strict=True)}
    own = answer_query(table, WhatIfQuery(**q, settings=moved))
    shown = browser.execute_script("return window.taretraceAnswer(arguments[0], arguments[1])", q, moved)
    assert shown["dirt"] == pytest.approx(own.dirt_pct, rel=1e-6)
    assert shown["saved"] == pytest.approx(own.saved_per_t, rel=1e-6)


def test_sliders_change_the_figures_and_grey_out_untried_values(browser, written):
    opened(browser, written["what-if"], 1280)
    move = (
        "const s = document.getElementById(arguments[0]); s.value = arguments[1]; s.dispatchEvent(new Event('input'));"
        "return [document.getElementById('dirt').textContent, document.getElementById('untried').textContent,"
        " document.getElementById('answer').classList.contains('untried'), getComputedStyle(document.querySelector("
        "'.figures')).opacity]"
    )
    first = browser.execute_script(move, "at-topsoil_wetness", 0.5)
    assert first[2:] == [False, "1"]
    wetter = browser.execute_script(move, "at-topsoil_wetness", 0.6)
    assert wetter[0] != first[0]
    deepest = browser.execute_script("return document.getElementById('set-share_depth_cm').max")
    out = browser.execute_script(move, "set-share_depth_cm", deepest)
    assert out[2] is True
    assert float(out[3]) < 1
    assert "share depth" in out[1]
    browser.find_element("id", "usual").click()
    assert browser.execute_script("return document.getElementById('saved').textContent") == "0"


def test_the_commands_report_their_results(demo):
    folder = str(demo.workspace.root)
    result = json.loads(
        taretrace_here("what-if", folder, "--wetness", "0.5", "--set", "share_depth_cm=8", "--json").out
    )
    assert result["question"]["settings"] == {"share_depth_cm": 8.0}
    assert result["cost_per_t"][1] < result["cost_per_t"][0] < result["cost_per_t"][2]
    wrong = taretrace_here("what-if", folder, "--set", "depth")
    assert wrong.code == 2
    assert "'depth'" in wrong.err
    piles = json.loads(taretrace_here("piles", folder, "--json").out)["rows"]
    assert [p["slice_order"] for p in piles] == list(range(1, len(piles) + 1))
    compared = json.loads(taretrace_here("benchmark", folder, "--for", "M03", "--json").out)["rows"]
    assert {r["subject_id"] for r in compared if r["subject_id"].startswith("M")} == {"M03"}
    assert taretrace_here("trial", "read", "T999", folder).code == 2


def test_the_report_commands_print_the_paths_of_the_pages(demo, written):
    folder = demo.workspace.root
    assert written["season"].exists()
    season = json.loads(taretrace_here("report", "season", folder, "--xlsx", "--json").out)
    names = [Path(p).name for p in season["files"]]
    assert names[:3] == ["season.html", "season.xlsx", "season-appendix.html"]
    assert {"season-loads.html", "guide.html"} <= set(names)
    assert sum(name.startswith("card-") and name.endswith(".html") for name in names) == 2
    assert all(Path(p).exists() for p in season["files"])
    fleet = taretrace_here("report", "fleet", folder)
    assert "Fleet page:" in fleet.out
    assert "for the manager only" in fleet.out
