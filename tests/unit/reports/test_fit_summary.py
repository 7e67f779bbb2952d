"""The lines of the fit summary agree with the tables and give reasons for missing estimates."""

import json

import polars as pl
import pytest

from flows import stages
from reports.fit_summary import EXPECTED, fit_lines
from reports.fit_summary_data import fit_facts
from reports.language.display_units import number
from reports.language.labels import capital, response_label
from reports.language.reason_text import row_reason
from tests.support.program import taretrace_here
from tests.validation.seasons import Season, copy_of
from transforms.config.response_catalogue import DIRT


@pytest.fixture(scope="module")
def summary(season: Season) -> tuple[dict[str, object], list[str], dict[str, pl.DataFrame]]:
    with stages.open_warehouse(season.workspace) as warehouse:
        facts = fit_facts(warehouse, season.workspace.season.catalogue)
        tables = {name: warehouse.table(name) for name in ("effect", "fit_check", "variance_share", "fit_run")}
    return facts, fit_lines(facts, season.workspace.season), tables


def test_every_response_is_named_with_its_rows(summary):
    _, lines, tables = summary
    n = dict(tables["fit_run"].select("response", "n").iter_rows())
    for response in EXPECTED:
        name = capital(response_label(response))
        line = next(x for x in lines if x.startswith(f"{name}:"))
        assert (f"{n[response]:,}" in line) if response in n else ("too few" in line)


def test_the_largest_certain_effect_comes_first_with_its_interval(summary, catalogue):
    facts, lines, tables = summary
    overall = tables["effect"].filter(
        (pl.col("response") == DIRT) & pl.col("wetness_class").is_null() & pl.col("soil_class").is_null()
    )
    certain = overall.filter(pl.col("q_value") < 0.05).sort(pl.col("change_pct").abs(), descending=True)
    assert [r["setting"] for r in facts["fit_effects"] if r["response"] == DIRT] == certain["setting"].to_list()
    first = certain.row(0, named=True)
    shown = next(x for x in lines if x.startswith("    "))
    assert catalogue[first["setting"]].label in shown
    assert number(first["change_pct"], 1, sign=True) in shown
    assert number(first["lo95"], 1) in shown


def test_missing_estimates_and_failed_checks_are_counted(summary, catalogue):
    facts, lines, tables = summary
    cells = tables["effect"].filter(pl.col("wetness_class").is_not_null() & pl.col("soil_class").is_null())
    silent = cells.filter(pl.col("change_pct").is_null())
    assert sum(r["cells"] for r in facts["fit_silence"]) == silent.height
    failed = tables["fit_check"].filter(~pl.col("passed"))
    assert len(facts["not_passed"]) == failed.height
    for row in failed.iter_rows(named=True):
        assert any(row_reason(row, catalogue) in line for line in lines)


def test_kinds_of_sources_add_up(summary):
    """Shares of each response add up to 1; one whose parts are mostly noise has no shares and says so."""
    facts, _, tables = summary
    noisy = tables["variance_share"].filter(pl.col("reason_code") == "shares_few_loads")["response"].to_list()
    responses = tables["fit_run"]["response"].to_list()
    assert DIRT in set(responses) - set(noisy)
    for response in responses:
        total = sum(r["share"] for r in facts["fit_sources"] if r["response"] == response)
        assert total == pytest.approx(0 if response in noisy else 1)


@pytest.mark.slow
def test_the_command_prints_json_for_scripts_and_checks_every_fit(season: Season, tmp_path):
    ran = taretrace_here("fit", copy_of(season, tmp_path / "season").root, "--json")
    assert (ran.code, ran.err) == (0, "")
    printed = json.loads(ran.out)
    assert {"fit_verdict", "fit_effects", "fit_silence", "not_passed"} <= set(printed)
    assert all(v["made"] > 0 for v in printed["fit_verdict"])


def test_a_missing_last_season_is_reported(season: Season, tmp_path):
    workspace = copy_of(season, tmp_path / "season")
    toml = workspace.root / "season.toml"
    toml.write_text(toml.read_text("utf-8").replace("[fit]", '[fit]\nlast_season = "../nowhere"'))
    ran = taretrace_here("fit", workspace.root)
    assert ran.code == 2
    assert "last season does not exist" in ran.err
    assert "delete the line" in ran.err


def test_effects_that_change_with_root_mass_are_named_with_their_interval(summary, season, catalogue):
    facts, lines, _ = summary
    row = {"response": DIRT, "setting": "separator_1_height_mm", "shift_pct": -1.4, "lo95": -2.3, "hi95": -0.5}
    added = [x for x in fit_lines({**facts, "fit_root_mass": [row]}, season.workspace.season) if x not in lines]
    assert len(added) == 1
    for part in (
        catalogue["separator_1_height_mm"].label,
        number(-1.4, 1, sign=True),
        number(-2.3, 1),
        number(-0.5, 1),
    ):
        assert part in added[0]
