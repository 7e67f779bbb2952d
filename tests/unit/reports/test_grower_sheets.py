"""Growers' sheets: own data only, written in parallel, without any other grower's id or number."""

import json
import re
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.stages import pages
from reports.pages.grower_data import grower_data, why_step
from reports.pages.grower_sheet import lead, loads_finding, sheet_name
from reports.sections.grower_place import place_finding
from tests.support.program import Demo, taretrace_here
from tests.validation.seasons import QUIET
from transforms.arrays import to_float
from transforms.storage.warehouse import Warehouse


@pytest.fixture(scope="module")
def sheets(demo: Demo) -> dict[str, Path]:
    """Return grower -> sheet; written in several processes."""
    paths = pages.publish_grower_sheets(demo.workspace, QUIET)
    with Warehouse.open_read_only(demo.workspace.warehouse) as warehouse:
        growers = warehouse.query("grower_total")["grower_id"].to_list()
    assert len(paths) == len(growers) > 15
    return dict(zip(growers, paths, strict=True))


@pytest.fixture(scope="module")
def data(demo: Demo):
    with Warehouse.open_read_only(demo.workspace.warehouse) as warehouse:
        return {d.grower: d for d in grower_data(warehouse, demo.workspace.season)}


def test_no_other_grower_s_id_load_field_or_machine_is_on_a_sheet(demo: Demo, sheets):
    with Warehouse.open_read_only(demo.workspace.warehouse) as warehouse:
        facts = warehouse.query("season_load")
    kinds = ("grower_id", "load_id", "field_id")
    own = {g: {k: set(rows[k]) for k in kinds} for (g,), rows in facts.group_by("grower_id")}
    every = {k: set(facts[k].drop_nulls()) for k in kinds}
    never = set(facts["machine_id"].drop_nulls()) | set(facts["operator_id"].drop_nulls())
    for grower, path in sheets.items():
        text = re.sub(r' d="[^"]*"', "", path.read_text())  # outlines of drawings have letters and numbers too
        words = set(re.findall(r"[A-Za-z0-9_-]+", text))
        for kind in kinds:
            assert not words & (every[kind] - own[grower][kind]), (grower, kind)
        assert not words & never, grower
        assert grower in words


def test_no_other_grower_s_number_is_on_a_sheet(sheets, data):
    """Every number of a sheet's tables is the grower's own, or a rounded mark of all growers."""
    band = set(next(iter(data.values())).place.band.marks.values())
    for grower in list(data)[:6]:
        d = data[grower]
        own = {
            round(v, n)
            for f in (d.loads, d.fields, d.why)
            for c in f.columns
            if f[c].dtype.is_numeric()
            for v in f[c].drop_nulls()
            for n in (0, 1, 2)
        }
        spans = [(r["observed_pct"], r["observed_half"]) for r in d.fields.iter_rows(named=True)]
        spans += [(r["root_loss_t_ha"], r["root_loss_half"]) for r in d.fields.iter_rows(named=True)]
        own |= {round(m + s * h, 1) for m, h in spans if m is not None and h is not None for s in (-1, 1)}
        own |= set(d.place.figures.values())
        table = re.findall(r"<td(?: data-label=\"[^\"]*\")?>([^<]*)</td>", sheets[grower].read_text())
        shown = {
            float(n.replace(",", "").replace("−", "-"))
            for cell in table
            for n in re.findall(r"[+−]?\d[\d,]*\.?\d*", cell)
        }
        assert len(shown) > 20
        assert {n for n in shown if n not in own and n not in band} == set(), grower


def test_a_change_in_another_grower_s_loads_leaves_a_sheet_as_it_is(data):
    """The data of a sheet contain no row of another grower, only rounded marks of all."""
    for d in data.values():
        assert d.loads.height == d.total["loads"]
        assert "grower_id" not in d.loads.columns + d.fields.columns + d.why.columns
        assert set(d.loads["field_id"]) == set(d.fields["field_id"])
        assert d.place is None or d.place.subject_id == d.grower
        assert set(d.place.band.marks) == {"p25", "p50", "p75"}


def test_sentences_are_the_grower_s_numbers(data, demo: Demo):
    with Warehouse.open_read_only(demo.workspace.warehouse) as warehouse:
        expected = warehouse.table("expected_load").join(warehouse.table("load_fact"), on="load_id")
        why = warehouse.table("load_why").join(
            warehouse.table("load_fact").select("load_id", "grower_id"), on="load_id"
        )
        step = why_step(warehouse.query("grower_total"))
    assert step is not None
    d = data["G003"]
    own = expected.filter(pl.col("grower_id") == "G003")
    text = lead(d)
    assert f"held {to_float(own['observed_pct'].mean()):.1f} % dirt" in text
    assert f"{to_float(own['expected_pct'].round(1).mean()):.1f} % was expected" in text
    above = own.filter(pl.col("observed_pct") > pl.col("expected_pct").round(1)).height
    assert loads_finding(d.loads).startswith(f"{above} of {own.height} measured loads held more dirt than was expected")
    added = why.filter(pl.col("grower_id") == "G003").group_by("load_id").agg(pl.col("points").sum())["points"].mean()
    assert d.why["points"].sum() == pytest.approx(added, abs=d.why.height * step / 2)
    assert f"{abs(d.place.figures['shrunken']):.1f} points" in place_finding(d.place)
    assert "Not compared with others" in place_finding(None)


def test_one_sheet_can_be_requested_and_an_unknown_grower_is_reported(demo: Demo):
    ran = taretrace_here("report", "grower", demo.workspace.root, "--only", "G005", "--pdf", "--xlsx", "--json")
    assert ran.code == 0, ran.err
    assert [Path(p).name for p in json.loads(ran.out)["files"]] == [
        "grower-G005.html",
        "grower-G005.pdf",
        "grower-G005.xlsx",
    ]
    wrong = taretrace_here("report", "grower", demo.workspace.root, "--only", "G999")
    assert wrong.code == 2
    assert "there is no grower 'G999'" in wrong.err


def test_a_sheet_has_no_script_and_is_small(sheets):
    for path in sheets.values():
        text = path.read_text()
        assert "<script" not in text
        assert "<svg" in text
        assert len(text) < 600_000


@settings(deadline=None, max_examples=200)
@given(st.text(min_size=1, max_size=60), st.text(min_size=1, max_size=60))
def test_two_growers_never_share_a_file(a, b):
    assert re.fullmatch(r"grower-[\w-]{1,60}", sheet_name(a))
    assert a == b or sheet_name(a) != sheet_name(b)
