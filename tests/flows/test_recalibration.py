"""Advice of a season whose moves promised more than twice what they saved: its probabilities, reasons and moves."""

import polars as pl
import pytest

from flows import stages
from tests.validation.seasons import QUIET, Season, copy_of
from transforms.advice.reliance import reliance
from transforms.contracts.reason import codes_of
from transforms.contracts.result_tables import schema_of

KEPT, ERROR = 0.9, 0.3
"""Slope of the setting that keeps part of its promise, and error of all slopes."""


def calibration(kept: str, turned: list[str], verdict: str) -> pl.DataFrame:
    """Return a calibration in which one setting keeps its promises and others do the reverse."""
    rows = [
        ("slope", None, 0.1, verdict),
        ("intercept", None, 0.0, "reliable"),
        ("setting_slope", kept, KEPT, "reliable"),
    ]
    rows += [("setting_slope", name, -2.0, "unreliable") for name in turned]
    parts = [
        {"part": part, "setting": name, "value": v, "lo95": v - 1.96 * ERROR, "hi95": v + 1.96 * ERROR,
         "verdict_code": code, "n": 200}
        for part, name, v, code in rows
    ]  # fmt: skip
    return pl.DataFrame(parts, schema=schema_of("advice_calibration"))


def codes(moves: pl.DataFrame) -> list[list[str]]:
    return [codes_of(*row) for row in moves.select("reason_code", "reason_args").iter_rows()]


@pytest.fixture(scope="module")
def advised(season: Season, tmp_path_factory: pytest.TempPathFactory) -> dict[str, pl.DataFrame]:
    """Return advice before any verdict, with promises that came true, and with promises that did not."""
    workspace = copy_of(season, tmp_path_factory.mktemp("recalibrated") / "w")
    tables = {"before": stages.advise_machines(workspace, season.fits, QUIET)}
    settings = tables["before"].filter(verdict="move")["setting"].value_counts(sort=True)["setting"].to_list()
    for verdict in ("reliable", "unreliable"):
        with stages.open_warehouse(workspace) as warehouse:
            warehouse.replace("advice_calibration", calibration(settings[0], settings[1:], verdict))
        tables[verdict] = stages.advise_machines(workspace, season.fits, QUIET)
        with stages.open_warehouse(workspace) as warehouse:
            assert warehouse.table("advice").equals(tables[verdict])
            tables["calibration"] = warehouse.table("advice_calibration")
    return tables


def test_promises_that_came_true_change_no_advice(advised):
    assert advised["reliable"].equals(advised["before"])
    assert not any("promises_too_high" in own for own in codes(advised["before"]))


def test_moves_that_stay_are_stored_with_a_lower_probability_and_its_reason(advised, season: Season):
    key = ["machine_id", "setting", "to_value"]
    moves = advised["unreliable"].filter(verdict="move")
    known = reliance(advised["calibration"])
    assert known is not None
    (name,) = moves["setting"].unique()
    assert known.by_setting[name] < 1
    assert all("promises_too_high" in own for own in codes(moves))
    both = moves.join(advised["before"].filter(verdict="move", move_number=1), on=key, suffix="_before")
    assert both.height >= 1
    for now, before in both.select("probability_better", "probability_better_before").iter_rows():
        assert now == pytest.approx(known.probability(before, name))
        assert season.workspace.season.advice.probability <= now < before


def test_moves_whose_probability_falls_below_the_rule_are_no_longer_advised(advised, season: Season):
    before, after = (advised[k].filter(verdict="move") for k in ("before", "unreliable"))
    gone = set(before["setting"]) - set(after["setting"])
    assert gone
    assert after.height < before.height
    assert after["probability_better"].min() >= season.workspace.season.advice.probability
    known = reliance(advised["calibration"])
    assert known is not None
    assert all(known.probability(1.0, name) < season.workspace.season.advice.probability for name in gone)
