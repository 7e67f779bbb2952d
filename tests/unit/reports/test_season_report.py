"""Sentences of the season report and the shift page compared with independent calculations from the tables."""

import datetime as dt
import json
import re

import numpy as np
import polars as pl
import pytest

from flows import stages
from flows.stages import pages
from reports.language.display_units import DisplayUnits
from reports.page.links import shift_pages
from reports.page.model import Figure, Page, Prose
from reports.page.pdf import picture
from reports.page.summary import BarRows
from reports.pages.season import season_page
from reports.pages.season_appendix import season_appendix
from reports.pages.season_data import load_season_page
from reports.pages.season_open_questions import grid_finding, trials_finding
from reports.pages.season_overview import change_finding
from reports.pages.shift_data import load_shift_page
from reports.pages.shift_evidence import evidence_pages
from reports.sections.effects import add_setting_labels, effect_finding
from reports.sections.followed_withheld import withheld_words
from reports.sections.outcome_answer import headline, lead_words
from reports.sections.season_effects import reading_finding
from reports.sections.season_where_when import _days_figure, days_finding
from reports.sections.season_worth import pile_finding, worth_finding
from reports.sections.shift_fleet import machine_finding
from reports.sections.shift_machines import timeline_finding
from tests.support.invented_outcome import fill_outcome
from tests.support.program import Demo
from tests.validation.seasons import QUIET, Season, copy_of, run_season
from transforms.config.response_catalogue import DIRT
from transforms.errors import WorkspaceError
from transforms.storage.warehouse import Warehouse
from transforms.trial.part_size import USUAL_PART_DETECT_PCT
from transforms.trial.suggested_trials import SMALLEST_DETECT_PCT

METRIC = DisplayUnits("metric", "EUR", "Europe/Prague")


@pytest.fixture(scope="module")
def warehouse(demo: Demo, written):  # noqa: ARG001  the pages are written first
    with Warehouse.open_read_only(demo.workspace.warehouse) as opened:
        yield opened


@pytest.fixture(scope="module")
def page(warehouse, demo: Demo) -> Page:
    """The appendix, which has the evidence; the report itself is tested in `test_season_board.py`."""
    season = demo.workspace.season
    return season_appendix(load_season_page(warehouse, season), season)


def figures(page: Page) -> dict[str, Figure]:
    return {b.id: b for b in page.walk() if isinstance(b, Figure)}


def numbers(text: str) -> list[float]:
    found = re.findall(r"[+−]?\d[\d,]*(?:\.\d+)?", text)
    return [float(n.replace(",", "").replace("−", "-")) for n in found]


def test_every_chart_of_the_report_follows_a_sentence_with_numbers(page):
    assert len(page.figures) >= 30
    for figure in page.figures:
        has_none = re.search(r"\b(none|no)\b", figure.finding.lower())
        assert numbers(figure.finding) or has_none, figure.finding
        assert figure.alt


def test_soil_roots_and_piles_cost_what_masses_and_prices_make(warehouse, demo: Demo):
    facts, prices = warehouse.table("load_fact"), demo.workspace.season.prices
    costs = {r["part"]: r for r in warehouse.table("season_cost").iter_rows(named=True)}
    soil = (facts["delivered_t"] * facts[DIRT].fill_null(facts[DIRT].mean()) / 100).sum()
    assert costs["soil"]["mass_t"] == pytest.approx(soil)
    min_cost = soil * (prices.soil_handling_per_t + prices.soil_disposal_per_t)
    assert min_cost < costs["soil"]["money"] < min_cost + soil * prices.freight_per_t_km * 100
    clean = facts["delivered_t"].sum() - soil
    lost = warehouse.table("audit_fact")["root_loss_t_ha"].mean() / facts["yield_t_ha"].mean() * clean
    assert costs["roots"]["mass_t"] == pytest.approx(lost)
    for c in costs.values():
        assert c["money_lo95"] <= c["money"] <= c["money_hi95"]


def test_the_dirtiest_and_the_cleanest_day_are_those(warehouse):
    days = warehouse.query("season_day", zone="Europe/Prague")
    text = days_finding(days, METRIC)
    expected = warehouse.table("expected_load").join(warehouse.table("load_fact"), on="load_id")
    of_day = (pl.col("observed_pct").mean(), pl.col("observed_pct").count().alias("n"))
    by = expected.group_by("shift_date").agg(of_day).filter(pl.col("n") >= 30).sort("observed_pct")
    assert METRIC.day(by["shift_date"][-1]) in text.split(" and lowest on ")[0]
    assert METRIC.day(by["shift_date"][0]) in text.split(" and lowest on ")[1]
    assert f"{by['observed_pct'][-1]:.1f} %" in text
    rain = expected.join(days.filter(pl.col("rain_mm") >= 1), left_on="shift_date", right_on="day", how="semi")
    rain = rain.drop_nulls("observed_pct")["observed_pct"]
    assert f"(n = {rain.len():,} loads) brought {rain.mean():.1f} %" in text
    assert [f"n = {n})" in text for n in (by["n"][0], by["n"][-1])] == [True, True]
    assert days["loads"].sum() == warehouse.table("load_fact").height


def few_days(*measured: int) -> pl.DataFrame:
    """Days of rising dirt with the given numbers of measured loads; it rains on every other one."""
    n = len(measured)
    return pl.DataFrame(
        {
            "day": [dt.date(2025, 10, 1 + k) for k in range(n)],
            "loads": measured,
            "delivered_t": [100.0] * n,
            "measured": measured,
            "observed_pct": [5.0 + k if m else None for k, m in enumerate(measured)],
            "observed_half": [0.5] * n,
            "expected_pct": [6.0] * n,
            "rain_mm": [2.0 * (k % 2) for k in range(n)],
            "topsoil_wetness": [0.4] * n,
        }
    )


@pytest.mark.parametrize(
    ("measured", "expected"),
    [
        ((29, 30, 31, 29), ["3", "2025", "7.0", "6.0", "31", "2", "2025", "6.0", "30"]),
        ((30, 29, 29, 29), []),
        ((9, 9, 9, 9), ["30"]),
        ((0, 0), ["30"]),
    ],
)
def test_only_days_of_thirty_measured_loads_are_ranked(measured, expected):
    """Days 2 and 3 have enough loads in the first case, one day in the second; the last ones give the reason."""
    text = days_finding(few_days(*measured), METRIC)
    by_rain = re.search(r"Days with rain.*", text)
    assert (by_rain is not None) == (min(sum(measured[::2]), sum(measured[1::2])) >= 30)
    ranked = text if by_rain is None else text[: by_rain.start()]
    assert re.findall(r"\d+(?:\.\d)?", ranked) == expected


def test_days_of_few_measured_loads_are_pale_in_chart_and_table():
    figure = _days_figure(few_days(29, 30, 0), METRIC)
    assert figure.table is not None
    assert [r.cells[4].is_pale for r in figure.table.rows] == [True, False, False]
    assert figure.chart is not None
    assert picture(figure.chart, 460).decode().count('opacity="0.45"') == 2  # dot and interval
    assert "30" in figure.reading
    assert "30" not in _days_figure(few_days(30, 31), METRIC).reading


def test_rain_of_a_day_is_the_mean_of_the_stations(warehouse):
    filled = warehouse.table("weather_filled")
    local = filled.with_columns(pl.col("hour_at").dt.convert_time_zone("Europe/Prague").dt.date().alias("day"))
    by = local.group_by("day", "station_id").agg(pl.col("rain_mm").sum()).group_by("day").agg(pl.col("rain_mm").mean())
    days = warehouse.query("season_day", zone="Europe/Prague").join(by, on="day", suffix="_own")
    assert days.height == warehouse.table("machine_day")["day"].n_unique() >= 10
    assert days["rain_mm"].to_list() == pytest.approx(days["rain_mm_own"].to_list(), abs=1e-9)


def test_shares_in_the_sentence_are_those_of_the_table(page, warehouse):
    shares = warehouse.table("variance_share").filter(pl.col("response") == DIRT).drop_nulls("share")
    by = shares.group_by("kind").agg(pl.col("share").sum() * 100)
    shown = dict(re.findall(r"([a-z]+) (\d+) %", figures(page)["shares-dirt-chart"].finding))
    names = {"condition": "conditions", "setting": "settings", "machine": "machines", "day": "days"}
    for kind, name in names.items():
        share = by.filter(pl.col("kind") == kind)["share"].item()
        assert (name in shown) == (share >= 0.5)
        assert int(shown.get(name, 0)) == pytest.approx(max(share, 0), abs=0.5001)


def test_the_strongest_effect_is_the_largest_that_is_certain(warehouse, demo: Demo):
    rows = warehouse.query("effect_overall").filter(pl.col("response") == DIRT)
    certain = rows.filter(pl.col("q_value") < 0.05)
    best = certain.sort(pl.col("change_pct").abs()).row(-1, named=True)
    text = effect_finding(add_setting_labels(rows, demo.workspace.season.catalogue))
    assert demo.workspace.season.catalogue[best["setting"]].label in text
    assert numbers(text)[:3] == pytest.approx([best["change_pct"], best["lo95"], best["hi95"]], abs=0.051)
    assert f"{certain.height} of {rows.drop_nulls('change_pct').height} effects are certain" in text


def test_settings_with_the_wrong_sign_pooled_or_between_visits_are_named(page, warehouse, demo: Demo):
    table = warehouse.table("confounding").filter(pl.col("response") == DIRT)
    wrong = table.filter(pl.col("reason_code").str.starts_with("sign_flips"))["setting"].to_list()
    text = figures(page)["readings-dirt-chart"].finding
    assert numbers(text)[:2] == [len(wrong), table.height]
    labels = [demo.workspace.season.catalogue[name].label in text for name in wrong]
    assert sum(labels) + sum(numbers(text)[2:]) == len(wrong)


def test_only_flipped_signs_count_as_wrong():
    flips = ["sign_flips_pooled", "sign_flips_between", "sign_flips_pooled_and_between"]
    codes = [*flips, "larger_between", "smaller_between", "no_sign_flip"]
    readings = pl.DataFrame({"reason_code": codes, "label": [f"<{c}>" for c in codes]})
    text = reading_finding(readings)
    assert numbers(text) == [3, 6]
    assert [c for c in codes if f"<{c}>" in text] == flips
    assert numbers(reading_finding(readings.tail(3))) == [3]


def test_a_curve_says_how_far_the_response_moves_where_it_moves_most(page, warehouse):
    curve = warehouse.table("curve").filter(
        (pl.col("response") == DIRT)
        & (pl.col("setting") == "share_depth_cm")
        & pl.col("tried")
        & pl.col("mean").is_not_null()
        & pl.col("wetness_class").is_not_null()
    )
    moved = {}
    for (wet,), points in curve.group_by("wetness_class"):
        ordered = points.sort("value")
        moved[wet] = ordered["mean"][-1] - ordered["mean"][0]
    wet = max(moved, key=lambda w: abs(moved[w]))
    text = figures(page)["curve-dirt-share_depth_cm"].finding
    assert f"{wet} topsoil" in text
    assert numbers(text)[-1] == pytest.approx(moved[wet], abs=0.051)


def test_the_saving_of_the_guide_is_the_sum_of_its_classes(warehouse):
    worth, lifted = warehouse.table("guide_worth"), warehouse.query("class_tonnes")
    classes, total = worth.drop_nulls("generation"), worth.filter(pl.col("generation").is_null()).row(0, named=True)
    assert total["saved"] == pytest.approx(classes["saved"].sum())
    assert total["soil_free_t"] == pytest.approx(classes["soil_free_t"].sum())
    assert total["lo95"] < total["saved"] < total["hi95"]
    # Classes share the fit's coefficients: the interval of the sum is wider than for independent classes, and not
    # wider than for fully correlated ones.
    halves = ((classes["hi95"] - classes["lo95"]) / 2).to_numpy()
    half = (total["hi95"] - total["lo95"]) / 2
    assert np.sqrt((halves**2).sum()) < half <= halves.sum() * 1.001
    shown = numbers(worth_finding(worth, warehouse.table("guide_class"), float(lifted["soil_free_t"].sum()), METRIC))
    assert shown[:3] == pytest.approx([total[k] for k in ("saved", "lo95", "hi95")], rel=0.05)
    assert shown[3] == pytest.approx(total["saved"] / total["soil_free_t"], abs=0.0051)
    guide = (
        warehouse.table("guide_class")
        .drop_nulls("saved_per_t")
        .join(classes, on=["generation", "wetness_class", "soil_class"])
    )
    # The same saving per tonne as in the guide, from other draws.
    assert (guide["saved"] / guide["soil_free_t"] - guide["saved_per_t"]).abs().max() < 0.15


def test_the_pile_to_slice_first_is_the_ledger_s(page, warehouse):
    piles = warehouse.table("pile_ledger")
    first = piles.filter("lies").sort("slice_order").row(0, named=True)
    text = pile_finding(warehouse.query("pile_day"), METRIC)
    assert text.endswith(f"Slice first: {first['site_id']}, {METRIC.day(first['shift_date'])}.")
    assert numbers(text)[0] == piles.filter("lies").height
    assert figures(page)["piles-chart"].finding == text


def test_the_grid_counts_every_combination_once(warehouse):
    cells = warehouse.query("effect_class")
    settings = warehouse.table("effect").filter(pl.col("response") == DIRT)["setting"].n_unique()
    assert cells.height == settings * 9
    shown = numbers(grid_finding(cells))
    assert shown[0] == cells.height == sum(shown[1:])


def test_suggested_trials_would_detect_what_the_interval_leaves_open(warehouse):
    for r in warehouse.table("trial_wanted").iter_rows(named=True):
        if r["part"] is not None:
            assert r["detect_pct"] == max(round(abs(r["change_pct"] or 0.0)), USUAL_PART_DETECT_PCT)
        elif r["change_pct"] is None:
            assert r["reason_code"] == "open_not_tried"
        else:
            assert r["detect_pct"] == round(max(abs(r["lo95"]), abs(r["hi95"]), SMALLEST_DETECT_PCT))


def test_open_questions_name_the_first_trial_that_can_be_planned(warehouse, demo: Demo):
    catalogue = demo.workspace.season.catalogue
    question = {
        "setting": "share_drive_pct",
        "wetness_class": "wet",
        "reason_code": "open_wide_interval",
        "reason_args": "{}",
        "machine_id": "M07",
        "detect_pct": 5.0,
    }
    planned = {**question, "setting": "separator_1_height_mm", "pairs": 86, "machine_days": 4.0, "detect_pct": 6.0}
    suggested = pl.DataFrame([{**question, "pairs": None}, planned], schema=warehouse.table("trial_wanted").schema)
    text = trials_finding(suggested, catalogue, METRIC)
    assert numbers(text)[0] == 2
    assert "86 pairs of loads on M07" in text
    assert "taretrace trial plan --setting separator_1_height_mm --machine M07 --detect-pct 6" in text
    assert trials_finding(suggested.head(1), catalogue, METRIC) == trials_finding(suggested.head(0), catalogue, METRIC)


def test_open_questions_name_a_trial_of_a_part_in_days(warehouse, demo: Demo):
    first = {
        "setting": "cleaning_elements",
        "part_now": "smooth bars",
        "part": "tines",
        "wetness_class": "wet",
        "reason_code": "part_confounded",
        "reason_args": "{}",
        "machine_id": "M01, M02",
        "detect_pct": 12.0,
        "pairs": 40,
        "machine_days": 40.0,
    }
    suggested = pl.DataFrame([first], schema=warehouse.table("trial_wanted").schema)
    text = trials_finding(suggested, demo.workspace.season.catalogue, METRIC)
    assert "40 pairs of days by lot on M01, M02" in text
    command = (
        "taretrace trial plan --setting cleaning_elements --to tines --machine M01,M02 --topsoil wet --detect-pct 12"
    )
    assert command in text


def test_every_check_of_every_fit_is_in_the_report(page, warehouse):
    checks = warehouse.table("fit_check")
    (table,) = [t for t in page.tables if t.id == "checks"]
    assert len(table.rows) == checks.height >= 30
    standing = [r.cells[4].text for r in table.rows]
    assert standing.count("NOT passed") == checks.filter(~pl.col("passed")).height
    assert standing.count("not run") == checks["passed"].null_count()


@pytest.fixture(scope="module")
def two_days(tmp_path_factory) -> Season:
    """A season too short for any estimate."""
    season = run_season(tmp_path_factory.mktemp("short") / "s", seed=3, machines=2, days=2)
    stages.assess_storability(season.workspace, QUIET)
    return season


def test_the_report_states_missing_estimates(two_days):
    with stages.open_warehouse(two_days.workspace) as small:
        data = load_season_page(small, two_days.workspace.season)
    report, appendix = (make(data, two_days.workspace.season) for make in (season_page, season_appendix))
    text = " ".join(b.text for page in (report, appendix) for b in page.walk() if isinstance(b, Prose))
    assert "not tried enough" in text or "too few" in text.lower()
    assert "cannot be estimated yet: no class of conditions has enough loads" in text


def test_the_report_has_a_part_on_the_advice_of_the_season(two_days, tmp_path):
    workspace = copy_of(two_days, tmp_path / "w")
    with stages.open_warehouse(workspace) as filled:
        without = season_page(load_season_page(filled, workspace.season), workspace.season)
        fill_outcome(filled)
        data = load_season_page(filled, workspace.season)
        saving = filled.table("realised_saving").row(0, named=True)
    page = season_page(data, workspace.season)
    assert "followed" not in {s.id for s in without.sections}
    (answer, months, withheld) = next(s for s in page.sections if s.id == "followed").blocks
    assert isinstance(answer, Prose)
    assert isinstance(months, BarRows)
    assert isinstance(withheld, Prose)
    made, known, promised, saved, low, high = (float(v) for v in re.findall(r"\d+(?:\.\d+)?", answer.text)[:6])
    assert (made, known) == (data.outcome.total["followed"], data.outcome.known)
    columns = ("promised_per_t", "realised_per_t", "lo95", "hi95")
    assert [promised, saved, low, high] == pytest.approx([saving[c] for c in columns], rel=0.051)
    assert answer.text == f"{headline(data.outcome, METRIC)}. {lead_words(data.outcome, METRIC)}"
    assert len(months.rows) == data.followed_months.height >= 2
    assert withheld.text == withheld_words(data.outcome.verdicts)


def test_a_season_is_compared_with_the_previous_one():
    row = {
        "response": "dirt_tare_pct",
        "season_start": "2025-10-02",
        "before": "2024-10-01",
        "observed_change": 1.3,
        "from_conditions": 1.9,
        "from_settings": -0.5,
        "from_outliers": 0.0,
        "unexplained": -0.1,
        "lo95": -0.4,
        "hi95": 0.2,
        "n": 4100,
    }
    assert change_finding(row, METRIC) == (
        "Dirt tare, season of 2025-10-02 compared with 2024-10-01: +1.30 points, of which conditions +1.90, "
        "settings −0.50, unexplained −0.10 (−0.40 to 0.20); n = 4,100."
    )
    parted = change_finding({**row, "observed_change": 1.5, "from_outliers": 0.2}, METRIC)
    assert [float(v.replace("−", "-")) for v in re.findall(r"[+−]\d\.\d\d", parted)][:5] == [1.5, 1.9, -0.5, 0.2, -0.1]
    loss = change_finding({**row, "response": "root_loss_t_ha"}, DisplayUnits("us", "USD", "UTC"))
    assert "+0.58 ton/acre" in loss


def test_a_workspace_of_an_earlier_version_needs_ingest(two_days, tmp_path):
    workspace = copy_of(two_days, tmp_path / "s")
    for name in ("load_class", "pile_ledger"):
        with stages.open_warehouse(workspace) as warehouse:
            warehouse._con.execute(f'drop table if exists "{name}"')
    for write in (
        pages.publish_season_report,
        pages.publish_shift_page,
        pages.publish_fleet_page,
        pages.publish_grower_sheets,
    ):
        with pytest.raises(WorkspaceError, match="run 'taretrace post-shift' on it first"):
            write(workspace, QUIET)


def test_the_guide_s_share_and_its_empty_classes_are_true():
    """The guide covers 99.7 of 100 t, and one of two classes has no guide."""
    worth = pl.DataFrame({"generation": [None], "soil_free_t": [99.7], "saved": [50.0], "lo95": [10.0], "hi95": [90.0]})
    classes = pl.DataFrame(
        {
            "generation": ["g", "g"],
            "wetness_class": ["dry", "wet"],
            "soil_class": ["light", "heavy"],
            "dirt_pct": [5.0, None],
        }
    )
    text = worth_finding(worth, classes, 100.0, METRIC)
    assert "100 %" not in text
    assert "more than 99 %" in text
    assert "wet topsoil, heavy soil" in text
    assert numbers(text)[-2:] == [1.0, 2.0]
    whole = worth_finding(worth.with_columns(soil_free_t=100.0), classes.head(1), 100.0, METRIC)
    assert numbers(whole)[-1] == 100
    assert "dry topsoil" not in whole
    nothing = worth_finding(worth.with_columns(soil_free_t=0.0, saved=0.0), classes, 100.0, METRIC)
    assert numbers(nothing)[0] == 0


def test_machines_above_their_conditions_are_named():
    rows = pl.DataFrame(
        {
            "machine_id": ["A", "B", "C", "D"],
            "measured": [30, 12, 9, None],
            "observed_pct": [12.0, 8.0, 4.0, None],
            "observed_half": [0.5, 0.5, 0.5, None],
            "expected_lo95": [7.0, 7.0, 7.0, 7.0],
            "expected_hi95": [9.0, 9.0, 9.0, 9.0],
        }
    )
    assert machine_finding(rows) == (
        "Clearly dirtier than their conditions explain: A (30 loads); clearly cleaner: C (9 loads, few)."
    )
    assert "no machine is clearly dirtier" in machine_finding(rows.slice(1, 1)).lower()
    assert machine_finding(rows.slice(3)) == "No load of this shift is measured yet."


def test_a_timeline_counts_loads_above_the_expected_interval_and_setting_changes():
    loads = pl.DataFrame({"observed_pct": [9.0, 12.0, None], "hi95": [10.0, 10.0, 10.0]})
    course = pl.DataFrame({"topsoil_wetness": [0.31, 0.44, None]})
    text = timeline_finding(loads, pl.DataFrame({"setting": ["a"]}), course)
    assert text == "2 loads measured, 1 above the expected interval; 1 setting change; topsoil wetness 0.31 to 0.44."


def test_the_shift_page_shows_every_machine_with_its_day(warehouse, demo: Demo):
    season = demo.workspace.season
    data = load_shift_page(warehouse, season)
    names, shown = shift_pages(data.shift), DisplayUnits(season.units, season.currency, season.time_zone)
    page = evidence_pages(data, season, shown, names)[names.machines]
    shift = warehouse.query("last_shift")["shift_date"][0]
    assert isinstance(shift, dt.date)
    worked = warehouse.table("load_fact").filter(pl.col("shift_date") == shift)["machine_id"].drop_nulls().unique()
    course = warehouse.table("shift_course")
    drawn = {f.id.removeprefix("course-") for f in page.figures if f.id.startswith("course-")}
    assert drawn == set(worked) & set(course["machine_id"])
    decisions = warehouse.table("setting_decision")
    listed = sum(len(t.rows) for t in page.tables if t.id.startswith("decisions-"))
    assert listed == decisions.filter(pl.col("machine_id").is_in(sorted(drawn))).height > 50
    assert all(f.table is not None and f.table.rows for f in page.figures if f.id.startswith("passes-"))


def test_the_axis_of_variance_shares_has_whole_ticks_on_the_page(warehouse, demo: Demo):
    season = demo.workspace.season
    appendix = season_appendix(load_season_page(warehouse, season), season)
    charts = [f.chart for f in appendix.figures if f.id.startswith("shares-")]
    assert charts
    assert all('"tickMinStep": 1' in json.dumps(chart.spec) for chart in charts if chart is not None)
