"""Misspelled ids and settings are answered with the most similar one; questions beyond what was tried are refused."""

import json

import pytest

from tests.support.program import Demo, Ran, taretrace_here
from transforms.advice.what_if_table import read_table
from transforms.storage.warehouse import Warehouse

TRIAL = ("--setting", "cleaner_1_speed_rpm", "--detect-pct", "20", "--machine")


def ask(demo: Demo, *words: str) -> Ran:
    return taretrace_here("what-if", demo.workspace.root, "--json", *words)


@pytest.mark.parametrize(
    ("words", "similar"),
    [
        (("benchmark", "--for", "M0l"), "'M01'"),
        (("trial", "plan", *TRIAL, "M0l"), "'M01'"),
        (("trial", "plan", "--setting", "first cleaner sped"), "'first cleaner speed'"),
        (("what-if", "--set", "share deepth=8cm"), "'share depth'"),
        (("report", "load", "1", "--setting", "share deepth"), "'share depth'"),
    ],
)
def test_the_most_similar_name_is_suggested(demo, words, similar):
    ran = taretrace_here(*words, "-w", demo.workspace.root)
    assert (ran.code, ran.out) == (2, "")
    assert similar in ran.err


def test_a_grower_is_suggested(demo):
    with Warehouse.open_read_only(demo.workspace.warehouse) as warehouse:
        grower = warehouse.table("field")["grower_id"].drop_nulls().sort()[0]
    ran = taretrace_here("report", "grower", demo.workspace.root, "--only", grower.lower()[:-1] + "O")
    assert ran.code == 2
    assert "'G" in ran.err or grower in ran.err


def test_an_unknown_trial_is_named(demo):
    ran = taretrace_here("trial", "read", "T999", demo.workspace.root)
    assert ran.code == 2
    assert "T999" in ran.err


def test_a_label_and_another_unit_ask_the_same_question(demo):
    stored, shown = ask(demo, "--set", "share_depth_cm=7", "--force"), ask(demo, "--set", "depth=70mm", "--force")
    assert stored.code == shown.code == 0
    assert json.loads(stored.out) == json.loads(shown.out)


def test_a_setting_that_is_not_in_the_fit_is_an_error_that_lists_those_that_are(demo):
    ran = ask(demo, "--set", "separator_4_height_mm=40")
    assert ran.code == 2
    assert "share_depth_cm" in ran.err


@pytest.mark.parametrize("words", [("--set", "depth=14cm"), ("--temp", "40"), ("--yield", "155")])
def test_values_that_were_not_tried_are_refused_unless_forced(demo, words):
    refused, forced = ask(demo, *words), ask(demo, *words, "--force")
    assert (refused.code, refused.out) == (2, "")
    assert "--force" in refused.err
    assert forced.code == 0
    assert len(json.loads(forced.out)["untried"]) == 1


def test_a_forced_answer_begins_with_the_range_that_was_tried(demo):
    ran = taretrace_here("what-if", demo.workspace.root, "--temp", "40", "--force")
    high = read_table(demo.workspace.what_if)["sides"]["air_temp_c"][-1]
    assert f"{high:.0f} °C" in next(line for line in ran.err.splitlines() if "°C" in line)


def test_a_page_is_not_asked_with_values_that_it_ignores(demo):
    for words in (("what-if", "--page", "--temp", "9"), ("benchmark", "--pdf", "--for", "M01")):
        assert taretrace_here(*words, "-w", demo.workspace.root).code == 2
