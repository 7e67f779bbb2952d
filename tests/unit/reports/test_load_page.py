"""Load page and the load data behind it."""

import datetime as dt
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from flows import stages
from flows.stages import pages
from reports.language.display_units import DisplayUnits
from reports.language.reason_text import format_reason
from reports.language.translate import use_language
from reports.page.model import Figure
from reports.sections.load_map import map_section
from reports.sections.shift_loads import worst_section
from reports.sections.shift_loads_data import load_worst_loads
from tests.support.program import taretrace_here
from tests.validation.seasons import QUIET, Season, copy_of
from transforms.contracts.reason import Reason
from transforms.operations.lineage import explain_load
from transforms.operations.load_view import UntracedLoadError, load_picture
from transforms.storage.lake import Lake


@pytest.fixture(scope="module")
def load_id(season: Season) -> str:
    with stages.open_warehouse(season.workspace) as warehouse:
        grade = warehouse.table("load_trace_grade")
    return grade.filter(pl.col("trace_quality") > 0.7).sort("load_id")["load_id"][10]


def specs(text: str) -> list[dict[str, Any]]:
    return [json.loads(found) for found in re.findall(r'class="chart-spec"[^>]*>(.*?)</script>', text, re.DOTALL)]


def test_the_picture_holds_the_load_its_machine_and_its_field(season: Season, load_id):
    with stages.open_warehouse(season.workspace) as warehouse:
        picture = load_picture(load_id, warehouse, Lake(season.workspace.lake))
        trace = warehouse.table("load_trace").filter(pl.col("load_id") == load_id)
    row = picture.load.row(0, named=True)
    known = trace.drop_nulls("bin_at")
    assert picture.passes["share"].sum() == pytest.approx(known["share"].sum())
    own = known.filter(pl.col("machine_id") == row["machine_id"])
    assert picture.minutes["share"].sum() == pytest.approx(own["share"].sum())
    assert picture.emptied.height >= 2
    assert set(picture.passes["field_id"]) == {row["field_id"]}
    filled = picture.minutes.filter(pl.col("share") > 0)
    assert filled["bin_at"].max() < row["weighed_true_at"]


def test_the_page_shows_timeline_minutes_and_passes(season: Season, load_id):
    ran = taretrace_here("report", "load", load_id, season.workspace.root, "--setting", "ground_speed_kmh", "--json")
    assert ran.code == 0, ran.err
    text = Path(json.loads(ran.out)["load_page"]).read_text()
    *_, timeline, passes = specs(text)
    drawn = timeline["data"]["minutes"]["share_pct"]
    assert sum(drawn) == pytest.approx(100, abs=25)
    assert "weighed in" in json.dumps(timeline)
    (choice,) = [p for p in passes["spec"]["params"] if p["name"] == "setting"]
    assert choice["value"] == "ground_speed_kmh"
    assert "share_depth_cm" in choice["bind"]["options"]
    assert f"Load {load_id}" in text


def test_numbers_in_the_sentence_on_passes_are_local(season: Season, load_id):
    with stages.open_warehouse(season.workspace) as warehouse:
        picture = load_picture(load_id, warehouse, Lake(season.workspace.lake))
    many = pl.concat([picture.passes] * (1 + 1200 // picture.passes.height))
    units = DisplayUnits("metric", "EUR", "Europe/Prague")
    with use_language("de-DE"):
        section = map_section(replace(picture, passes=many), season.workspace.season.catalogue, units)
    assert section is not None
    (figure,) = section.blocks
    assert isinstance(figure, Figure)
    assert re.search(r"\d\.\d{3}\b", figure.finding)


def test_errors_name_the_problem_and_the_remedy(season: Season, load_id):
    ran = taretrace_here("report", "load", "T0", season.workspace.root)
    assert ran.code == 2
    assert "there is no load 'T0'" in ran.err
    ran = taretrace_here("report", "load", load_id, season.workspace.root, "--setting", "colour")
    assert ran.code == 2
    assert "'colour'" in ran.err
    assert "share depth" in ran.err
    with stages.open_warehouse(season.workspace) as warehouse:
        lost = warehouse.table("load_trace_grade").filter(pl.col("traced_share") == 0)
        if lost.height:
            row = lost.row(0, named=True)
            with pytest.raises(UntracedLoadError) as untraced:
                load_picture(row["load_id"], warehouse, Lake(season.workspace.lake))
            assert untraced.value.why == Reason(row["reason_code"], row["reason_args"])
    if lost.height:
        ran = taretrace_here("report", "load", row["load_id"], season.workspace.root)
        assert ran.code == 2
        assert f"was not traced ({format_reason(untraced.value.why)})" in ran.err


def test_mass_closes_by_field_machine_and_day_with_differences(season: Season):
    with stages.open_warehouse(season.workspace) as warehouse:
        closure, balance = warehouse.query("mass_closure"), warehouse.table("mass_balance")
    assert set(closure["kind"]) == {"field", "machine", "day"}
    for kind in ("field", "day"):
        of_kind = closure.filter(pl.col("kind") == kind)
        assert of_kind["weighed_t"].sum() == pytest.approx(balance["weighed_t"].sum())
    field = closure.filter(pl.col("kind") == "field")
    usual = (field["weighed_t"] / field["lifted_t"]).filter(field["weighed_t"] > 0).median()
    assert (field["weighed_t"] - field["lifted_t"] * usual).to_list() == pytest.approx(field["out_t"].to_list())


def test_the_shift_page_lists_the_faults_of_each_machine(season: Season):
    (path,) = (p for p in pages.publish_shift_page(season.workspace, QUIET) if p.stem.endswith("-received"))
    page = path.read_text()
    assert re.search(r"Faulty sensors and clocks: .*M03: stuck \(second cleaner speed\)", page)
    assert "M02: drifting (first separator height)" in page
    assert "M04: clock jumps" in page
    assert "mass balance: " in page


def test_every_page_gives_the_weighing_time_by_the_corrected_clock(season: Season, tmp_path):
    workspace = copy_of(season, tmp_path / "season")
    shown = DisplayUnits("metric", "EUR", workspace.season.time_zone)
    with stages.open_warehouse(workspace) as warehouse:
        ahead = {
            "subject_kind": "site",
            "offset_min": 83.0,
            "lo95": 82.0,
            "hi95": 84.0,
            "n": 50,
            "corrected": True,
            "cause_code": "clock",
            "from_date": dt.date(2025, 1, 1),
            "to_date": dt.date(2026, 12, 31),
        }
        rows = pl.DataFrame([{**ahead, "subject_id": s} for s in workspace.season.sites])
        schema = warehouse.table("clock_offset").schema
        warehouse.replace("clock_offset", pl.DataFrame(rows.select(list(schema)), schema=schema))
        shift = warehouse.query("last_shift")["shift_date"][0]
        worst = warehouse.query("worst_load", shift_date=shift).row(0, named=True)
        ticket = warehouse.table("load").row(by_predicate=pl.col("load_id") == worst["load_id"], named=True)
        assert worst["weighed_true_at"] == ticket["weighed_at"] - dt.timedelta(minutes=83)
        (explained,) = explain_load(worst["load_id"], warehouse, Lake(workspace.lake)).weighing.to_dicts()
    assert explained == {
        "printed_on_ticket_at": ticket["weighed_at"],
        "weighed_at": worst["weighed_true_at"],
        "site_ahead_min": 83.0,
    }
    true, printed = shown.moment(worst["weighed_true_at"]), shown.moment(ticket["weighed_at"])
    page = pages.publish_load_page(workspace, worst["load_id"], None, QUIET)[0].read_text("utf-8")
    assert page.count(true) == 1
    assert page.count(f"as printed on the ticket it is {printed}") == page.count(printed) == 1
    with stages.open_warehouse(workspace) as warehouse, use_language(workspace.season.locale):
        loads = warehouse.query("shift_load", shift_date=shift)
        section = worst_section(load_worst_loads(warehouse, shift), loads, workspace.season.catalogue, shown)
    assert section is not None
    (card, *_) = section.blocks[1].cards
    assert true in card.lines[0]
    assert printed not in card.lines[0]
