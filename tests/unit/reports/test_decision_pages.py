"""What is particular to the guide, the fleet's page and the what-if page, in headless Chromium."""

import json
from pathlib import Path

import polars as pl
import pytest

from flows import stages
from tests.support.program import taretrace_here
from tests.unit.reports.chromium import opened, unfold
from transforms.advice.what_if import WhatIfQuery, answer, read_table


def test_funnels_have_limits_and_a_dot_a_subject(browser, written, demo):
    opened(browser, written["fleet"], 1280)
    drawn = browser.execute_script(
        "const c = document.getElementById('chart-dirt_tare_pct-machine');"
        "return ['.mark-symbol.role-mark path', '.mark-rule.role-mark line'].map(m => c.querySelectorAll(m).length)"
    )
    with stages.open_warehouse(demo.workspace) as warehouse:
        table = warehouse.table("benchmark")
    mine = table.filter((pl.col("response") == "dirt_tare_pct") & (pl.col("subject_kind") == "machine"))
    dots = mine.drop_nulls("unexplained").height
    assert drawn == [dots, 2 * dots + 1]


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
    assert len(drawn) == settings.filter(pl.col("says") == "best of those tried").height
    assert min(drawn) >= 3


def test_the_page_answers_as_the_program_does(browser, written, demo):
    table = read_table(demo.workspace.what_if)
    opened(browser, written["what-if"], 1280)
    usual = table["usual"]
    for at, settings in (
        ((0.42, 21.0, 7.0, 70.0), {}),
        ((0.6, 33.0, 9.5, 81.0), {"share_depth_cm": usual["share_depth_cm"] - 0.5}),
        ((0.2, 12.0, 12.0, 66.0), {"ground_speed_kmh": usual["ground_speed_kmh"] - 1, "cleaner_1_speed_rpm": 41.0}),
    ):
        q = dict(zip(("topsoil_wetness", "clay_pct", "air_temp_c", "yield_t_ha"), at, strict=True))
        mine = answer(table, WhatIfQuery(**q, settings=settings))
        theirs = browser.execute_script("return window.taretraceAnswer(arguments[0], arguments[1])", q, settings)
        assert theirs["dirt"] == pytest.approx(mine.dirt_pct, rel=1e-6)
        assert theirs["loss"] == pytest.approx(mine.root_loss_t_ha, rel=1e-6)
        assert theirs["cost"] == pytest.approx(mine.cost_per_t, rel=1e-6)
        assert theirs["saved"] == pytest.approx(mine.saved_per_t, rel=1e-6, abs=1e-9)


def test_sliders_move_the_figures_and_grey_what_nobody_tried(browser, written):
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
    assert browser.execute_script("return document.getElementById('saved').textContent") == "0.00"


def test_the_verbs_say_what_they_did(demo):
    folder = str(demo.workspace.root)
    asked = json.loads(taretrace_here("what-if", folder, "--wetness", "0.5", "--set", "share_depth_cm=7", "--json").out)
    assert asked["question"]["settings"] == {"share_depth_cm": 7.0}
    assert asked["cost_per_t"][1] < asked["cost_per_t"][0] < asked["cost_per_t"][2]
    wrong = taretrace_here("what-if", folder, "--set", "depth")
    assert wrong.code == 2
    assert "write it as share_depth_cm=6.5" in wrong.err
    piles = json.loads(taretrace_here("piles", folder, "--json").out)["rows"]
    assert [p["slice_order"] for p in piles] == list(range(1, len(piles) + 1))
    compared = json.loads(taretrace_here("benchmark", folder, "--for", "M03", "--json").out)["rows"]
    assert {r["subject_id"] for r in compared if r["subject_id"].startswith("M")} == {"M03"}
    assert taretrace_here("trial", "read", "T999", folder).code == 2


def test_the_report_verbs_end_with_where_the_pages_lie(demo, written):
    folder = demo.workspace.root
    assert written["season"].exists()
    season = json.loads(taretrace_here("report", "season", folder, "--xlsx", "--json").out)
    names = [Path(p).name for p in season["files"]]
    assert names[:3] == ["season.html", "season.xlsx", "season-loads.html"]
    assert {"guide.html", "card-one.html", "card-two.html"} <= set(names)
    assert all(Path(p).exists() for p in season["files"])
    fleet = taretrace_here("report", "fleet", folder)
    assert "Fleet page:" in fleet.out
    assert "for the manager alone" in fleet.out
