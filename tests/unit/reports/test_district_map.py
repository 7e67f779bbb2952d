"""District map: its numbers by another route, its classes and sentences, its projection, and data with gaps."""

import datetime as dt
import html
import re
from itertools import combinations

import fastexcel
import numpy as np
import polars as pl
import pypdf
import pytest
from scipy.stats import t as student

from flows import stages
from reports.language.display_units import DisplayUnits
from reports.page import theme
from reports.page.district_map import DistrictMap
from reports.page.formats import OutputFormats
from reports.page.html import write_page
from reports.page.links import loads_link
from reports.page.map_svg import district_svg
from reports.page.model import Page, Section
from reports.sections.district_drawing import draw_district
from reports.sections.district_map import district_map, field_line, judged
from reports.sections.district_map_data import FIELD_SCHEMA, MACHINE_SCHEMA, load_district_map
from tests.unit.reports.districts import (
    KM_LAT,
    SHIFT,
    UNMEASURED,
    district,
    field,
    machine,
    many_fields,
    outline,
    with_dirt,
)
from tests.unit.reports.test_look import EYES, lab, linear
from tests.validation.seasons import Season
from transforms.storage.warehouse import Warehouse

METRIC, US = DisplayUnits("metric", "EUR", "Europe/Prague"), DisplayUnits("us", "USD", "America/Chicago")
EVIL = "<script>window.broken=1</script>\"'&"


def page_of(block: DistrictMap, *, static: bool = False) -> Page:
    return Page("Map", "now", "", None, (Section("map", "District", (block,)),), ("footer",), static=static)


def svg_of(block: DistrictMap) -> str:
    assert block.drawing is not None
    return district_svg(block.drawing, block.title, interactive=True, has_rows=block.has_links)


@pytest.mark.parametrize("of_shift", [True, False], ids=["shift", "season"])
def test_dirt_against_expected_is_recomputed_from_loads(season: Season, of_shift):
    with stages.open_warehouse(season.workspace) as warehouse:
        shift: dt.date | None = warehouse.query("last_shift")["shift_date"][0] if of_shift else None
        data = load_district_map(warehouse, season.workspace.season, shift)
        loads = warehouse.table("load_fact").join(warehouse.table("expected_load"), on="load_id")
        known = warehouse.table("field")["field_id"].to_list()
    assert data.fields["field_id"].to_list() == sorted(known)
    if shift is not None:
        loads = loads.filter(pl.col("shift_date") == shift)
    seen = 0
    for row in data.fields.iter_rows(named=True):
        own = [r for r in loads.iter_rows(named=True) if r["field_id"] == row["field_id"]]
        assert row["n"] == len(own)
        if not own:
            assert row["difference_pct"] is None
            continue
        differences = np.array([r["observed_pct"] - r["conditions_pct"] for r in own])
        assert row["difference_pct"] == pytest.approx(differences.mean())
        assert row["observed_pct"] - row["expected_pct"] == pytest.approx(differences.mean())
        visits = [
            (r["machine_id"], r["shift_date"], of_shift and r["lifted_at"].replace(minute=0, second=0, microsecond=0))
            for r in own
        ]
        groups = [differences[[v == visit for v in visits]] for visit in dict.fromkeys(visits)]
        assert row["n_clusters"] == len(groups)
        if len(groups) > 1:
            # Sandwich variance of a mean: squared sums of each cluster's residuals.
            residual = sum(float((g - differences.mean()).sum()) ** 2 for g in groups)
            half = student.ppf(0.975, len(groups) - 1) * np.sqrt(residual * len(groups) / (len(groups) - 1)) / len(own)
            assert row["difference_half"] == pytest.approx(half, rel=1e-4, abs=1e-9)
            seen += 1
    assert seen >= 3


def test_the_last_position_of_each_machine_is_that_of_the_shift(season: Season):
    at = dt.datetime(2025, 10, 31, 3, 30, tzinfo=dt.UTC)  # 04:30 in Prague: before the shift starts
    rows = [
        ("M1", at, 1.0),
        ("M1", at + dt.timedelta(hours=2), 2.0),
        ("M1", at + dt.timedelta(hours=1), 3.0),
        ("M2", at, 4.0),
    ]
    passes = pl.DataFrame(
        [{"machine_id": m, "bin_at": b, "field_id": "F1", "lat_deg": x, "lon_deg": 15.0} for m, b, x in rows]
    )
    settings = season.workspace.season
    with Warehouse.in_memory() as warehouse:
        warehouse.store("shift_pass", passes)
        of_shift = load_district_map(warehouse, settings, SHIFT).machines
        before = load_district_map(warehouse, settings, SHIFT - dt.timedelta(days=1)).machines
        whole = load_district_map(warehouse, settings).machines
    assert settings.shift_starts == dt.time(5)
    assert of_shift.select("machine_id", "lat_deg").rows() == [("M1", 2.0)]
    assert before.select("machine_id", "lat_deg").rows() == [("M1", 1.0), ("M2", 4.0)]
    assert whole.select("machine_id", "lat_deg").rows() == [("M1", 2.0), ("M2", 4.0)]


def test_an_empty_warehouse_has_the_columns_of_the_queries(season: Season):
    with Warehouse.in_memory() as warehouse:
        data = load_district_map(warehouse, season.workspace.season)
    with stages.open_warehouse(season.workspace) as warehouse:
        full = load_district_map(warehouse, season.workspace.season)
    assert data.fields.schema == pl.Schema(FIELD_SCHEMA) == full.fields.schema
    assert data.machines.schema == pl.Schema(MACHINE_SCHEMA)
    assert district_map(data, METRIC, "Map").drawing is None


def test_fields_are_counted_by_interval_and_visits():
    rows = [
        field("F1", 50.0, 15.0, **with_dirt(2.0)),
        field("F2", 50.1, 15.0, **with_dirt(-2.0)),
        field("F3", 50.2, 15.0, **with_dirt(0.3)),
        field("F4", 50.3, 15.0, **with_dirt(4.0), n_clusters=2),
        field("F5", 50.4, 15.0, **UNMEASURED),
    ]
    data = district(rows)
    standing = dict(judged(data.fields).select("field_id", "standing").iter_rows())
    assert standing == {"F1": "dirtier", "F2": "cleaner", "F3": "unclear", "F4": None}
    block = district_map(data, METRIC, "Map")
    assert [int(n) for n in re.findall(r"\d+", block.finding)] == [1, 3, 1]
    assert block.tables[0].rows[0].cells[0].text == "F4"
    assert block.tables[0].rows[0].cells[3].lo is None
    assert block.tables[0].rows[1].cells[3].lo == pytest.approx(1.6)


def test_a_field_line_has_its_numbers_and_an_interval_only_with_enough_visits():
    assert re.findall(r"[\d.]+", field_line(field("A", 50.0, 15.0, **with_dirt(1.23)))) == [
        "1.2",
        "0.8",
        "1.6",
        "11.2",
        "10.0",
        "40",
    ]
    few = field_line(field("A", 50.0, 15.0, **with_dirt(1.23), n_clusters=2))
    assert re.findall(r"[\d.]+", few) == ["1.2", "11.2", "10.0", "40"]
    assert re.findall(r"\d", field_line(field("A", 50.0, 15.0, **UNMEASURED))) == []


@pytest.mark.parametrize("shift", [SHIFT, None], ids=["shift", "season"])
def test_fields_below_thirty_loads_are_pale_and_not_counted(shift):
    rows = [
        field("F1", 50.0, 15.0, **with_dirt(2.0), n=29),
        field("F2", 50.1, 15.0, **with_dirt(2.0), n=30),
        field("F3", 50.2, 15.0, **UNMEASURED),
    ]
    block = district_map(district(rows, shift=shift), METRIC, "Map")
    assert block.drawing is not None
    state = {f.text.split(":")[0]: (f.level, f.is_pale, "few loads" in f.text) for f in block.drawing.fields}
    assert state == {"F1": (1, True, True), "F2": (1, False, False), "F3": (None, False, False)}
    assert [int(n) for n in re.findall(r"\d+", block.finding)] == [1, 1, 0]
    shown = {r.cells[0].text: (r.cells[3].value, r.cells[4].value) for r in block.tables[0].rows}
    assert shown == {"F1": (2.0, 29), "F2": (2.0, 30)}


def test_a_shift_with_few_loads_in_every_field_judges_none_and_names_the_highest_with_n():
    rows = [field(f"F{i}", 50 + i / 10, 15.0, **with_dirt(d), n=i + 8) for i, d in enumerate((-4.0, 1.9, 4.0))]
    block = district_map(district(rows, shift=SHIFT), METRIC, "Map")
    assert re.findall(r"[\w.+]+", block.finding.removesuffix("."))[-5:] == ["F2", "+4.0", "points", "n", "10"]
    assert judged(district(rows).fields)["standing"].null_count() == 3
    cleaner = district([field("F0", 50.0, 15.0, **with_dirt(-4.0), n=8)], shift=SHIFT)
    assert not re.search(r"\d", district_map(cleaner, METRIC, "Map").finding)


def test_the_legend_is_pale_if_all_fields_are():
    full = svg_of(district_map(district([field("A", 50.0, 15.0), field("B", 50.1, 15.0, n=3)]), METRIC, "Map"))
    pale = svg_of(district_map(district([field("B", 50.1, 15.0, n=3)]), METRIC, "Map"))
    assert full.count(f'fill-opacity="{theme.PALE}"') == 1  # the pale field
    assert pale.count(f'fill-opacity="{theme.PALE}"') == 1 + 5


@pytest.mark.parametrize("eye", EYES)
def test_classes_are_distinguishable_for_every_eye(eye):
    seen = [lab(EYES[eye] @ linear(c)) for c in theme.DIRT_LEVELS.values()]
    assert min(float(np.linalg.norm(a - b)) for a, b in combinations(seen, 2)) > 15


def test_classes_are_distinguishable_in_grey_print():
    light = sorted(
        lab(np.full(3, np.array([0.2126, 0.7152, 0.0722]) @ linear(c)))[0] for c in theme.DIRT_LEVELS.values()
    )
    assert min(np.diff([*light, 100.0])) > 9  # unmeasured fields are white


def test_the_extreme_classes_have_a_sign_and_the_others_none():
    rows = [field(f"F{i}", 50 + i / 10, 15.0, **with_dirt(d)) for i, d in enumerate((-4.0, -2.0, 0.0, 2.0, 4.0))]
    text = svg_of(district_map(district(rows), METRIC, "Map"))
    on_fields = text.split("</title></path></g></g>")[1].split('"')[1]
    assert on_fields.count("M") == 2
    assert on_fields.count("v") == 1


@pytest.mark.parametrize("lat", [0.0, 50.0, -65.0])
def test_the_map_is_equirectangular_with_a_true_scale_bar(lat):
    width = KM_LAT / np.cos(np.radians(lat))
    rows = [field(n, lat + y * 10 * KM_LAT, 15 + x * 10 * width) for n, x, y in (("A", 0, 0), ("B", 1, 0), ("C", 0, 1))]
    drawing = district_map(district(rows), METRIC, "Map").drawing
    assert drawing is not None
    at = {f.text[0]: np.array([f.x, f.y]) for f in drawing.fields}
    length, text = drawing.scale
    per_km = length / float(text.split()[0])
    assert (at["B"] - at["A"]) / per_km == pytest.approx([10, 0], abs=0.12)
    assert (at["C"] - at["A"]) / per_km == pytest.approx([0, -10], abs=0.12)  # north is up
    us = district_map(district(rows), US, "Map").drawing
    assert us is not None
    assert us.scale[1].split()[1] == "mi"
    assert us.scale[0] / float(us.scale[1].split()[0]) == pytest.approx(per_km * 1.609344)


def test_an_outline_keeps_its_shape_and_small_ones_are_enlarged():
    lon = 0.05 / np.cos(np.radians(50))
    boundary = f'{{"type":"Polygon","coordinates":[[[15,50],[{15 + lon},50],[{15 + lon},50.1],[15,50.1],[15,50]]]}}'
    rows = [
        field("Big", 50.05, 15 + lon / 2, boundary=boundary),
        field("Small", 50.2, 15.2, boundary=outline(50.2, 15.2, 1e-4)),
        field("Broken", 50.2, 15.0, boundary='{"type":"Point","coordinates":[15,50]}'),
    ]
    block = district_map(district(rows), METRIC, "Map")
    assert block.drawing is not None
    steps = {f.text.split(":")[0]: [int(n) for n in re.findall(r"-?\d+", f.path)][2:] for f in block.drawing.fields}
    wide = max(abs(x) for x in steps["Big"][::2])
    high = max(abs(y) for y in steps["Big"][1::2])
    assert high / wide == pytest.approx(2, rel=0.01)
    sides = {f.text.split(":")[0]: f.side for f in block.drawing.fields}
    assert sides["Small"] == pytest.approx(150, abs=2)
    assert len(steps["Broken"]) == 22  # a circle of twelve corners


def test_three_hundred_fields_stay_below_60_kb():
    data = district(many_fields(300, points=200), [machine(f"M{i}", 50.1, 15.1 + i / 50) for i in range(20)])
    block = district_map(data, METRIC, "Map", lambda f: loads_link(field=f))
    assert len(svg_of(block).encode()) < 60_000
    pale = data.fields.with_columns(pl.lit(5).cast(pl.Int64).alias("n"))
    block = district_map(district(pale.to_dicts()), METRIC, "Map", lambda f: loads_link(field=f))
    assert len(svg_of(block).encode()) < 60_000


def test_a_district_across_the_antimeridian_is_not_torn():
    both = (
        '{"type":"MultiPolygon","coordinates":[[[[179.99,-16.51],[180,-16.51],[180,-16.49],[179.99,-16.49],[179.99,-16.51]]],'
        "[[[-180,-16.51],[-179.99,-16.51],[-179.99,-16.49],[-180,-16.49],[-180,-16.51]]]]}"
    )
    rows = [field("W", -16.5, 179.9), field("E", -16.4, -179.9), field("Across", -16.5, 180.0, boundary=both)]
    block = district_map(district(rows, [machine("M1", -16.5, -179.95)]), METRIC, "Map")
    assert block.drawing is not None
    at = {f.text.split(":")[0]: f.x for f in block.drawing.fields}
    per_km = block.drawing.scale[0] / float(block.drawing.scale[1].split()[0])
    assert (at["E"] - at["W"]) / per_km == pytest.approx(0.2 * 111.3 * np.cos(np.radians(16.5)), rel=0.01)
    assert at["W"] < at["Across"] < block.drawing.marks[0].x < at["E"]


def test_wrong_positions_are_left_out_and_counted():
    rows = [
        *many_fields(5),
        field("Swapped", 15.0, 50.0),
        field("Nowhere", float("nan"), 15.0),
        field("Unlisted", None, None),
    ]
    drawn = draw_district(district(rows, [machine("M1", 0.0, 0.0)]), METRIC, field_line)
    assert (drawn.far, drawn.unplaced) == (2, 2)
    assert drawn.drawing is not None
    assert len(drawn.drawing.fields) == 5


GAPS = {
    "nothing": district([]),
    "no position": district([field("F1", None, None)]),
    "no loads": district([field("F1", 50.0, 15.0, **UNMEASURED)], shift=SHIFT),
    "one field": district([field("F1", 50.0, 15.0)]),
    "no area": district([field("F1", 50.0, 15.0, area_ha=None)]),
    "one point": district([field(f"F{i}", 50.0, 15.0) for i in range(40)], [machine("M1", 50.0, 15.0)] * 30),
    "pole": district([field("F1", 90.0, 15.0), field("F2", -88.0, 15.0)]),
    "one load": district([field("F1", 50.0, 15.0, n=1, n_clusters=1, difference_half=None)], shift=SHIFT),
    "machines and factory only": district([], [machine("M1", 50.0, 15.0)], {"north": (50.0, 15.0)}),
}


@pytest.mark.parametrize("name", GAPS)
def test_data_with_gaps_make_a_page_that_says_so(tmp_path, name):
    block = district_map(GAPS[name], METRIC, "Map", lambda f: loads_link(field=f))
    assert len(block.finding) > 20
    if name in {"nothing", "no position", "machines and factory only"}:
        assert block.drawing is None
    else:
        assert block.drawing is not None
        assert "nan" not in svg_of(block)
        assert len(block.notes) >= 1
    paths = write_page(page_of(block), tmp_path / "p.html", OutputFormats(pdf=True, xlsx=True))
    assert all(p.stat().st_size > 0 for p in paths)
    assert html.escape(block.finding) in paths[0].read_text()


def test_paper_and_workbook_hold_the_map_and_its_numbers(tmp_path):
    block = district_map(district(many_fields(8), [machine("M7", 50.0, 15.0)]), METRIC, "District")
    path, paper, book = write_page(page_of(block, static=True), tmp_path / "p.html", OutputFormats(pdf=True, xlsx=True))
    text = " ".join(" ".join(p.extract_text() for p in pypdf.PdfReader(paper).pages).split())
    assert block.finding in text
    assert "M7" in text
    sheet = fastexcel.read_excel(book).load_sheet("District", header_row=1).to_polars()
    assert sheet.height == 8
    assert sheet["low 95 %"].to_list() == pytest.approx(sheet["Difference, points"] - 0.4)
    assert "addEventListener" not in path.read_text()  # a static page has no script
    assert path.read_text().count("<title>F00") == 8
