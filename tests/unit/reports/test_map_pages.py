"""Maps on the pages of the demo season: shift, season and fleet pages draw each field in the colour of its loads."""

import html
import re

import pytest

from flows import stages
from reports.page.theme import DIRT_LEVELS
from reports.sections.district_map_data import load_district_map
from tests.support.program import Demo


def class_of(difference: float) -> int:
    """Return the class of a difference in points by the limits that the legend shows."""
    if difference < -3:
        return -2
    if difference < -1:
        return -1
    return 0 if difference <= 1 else 1 if difference <= 3 else 2


def drawn_fields(page: str, map_id: str) -> dict[str, tuple[str, bool]]:
    """Return field -> colour, and True if pale, of a map on a page."""
    (svg,) = re.findall(rf'<figure class="district[^"]*" id="{map_id}">.*?</svg>', page, re.DOTALL)
    found = {}
    for style, group in re.findall(r'<g (fill="#[^>]*)>(.*?)</g>', svg, re.DOTALL):
        for title in re.findall(r"<title>(.*?)</title>", group):
            found[html.unescape(title).split(":")[0]] = (style.split('"')[1], "fill-opacity" in style)
    return found


@pytest.mark.parametrize(
    ("name", "map_id"),
    [("shift", "district-map-shift"), ("season", "district-map-season"), ("fleet", "district-map-season")],
)
def test_every_field_has_the_colour_of_its_loads(demo: Demo, page_html, name, map_id):
    with stages.open_warehouse(demo.workspace) as warehouse:
        shift = warehouse.query("last_shift")["shift_date"][0] if name == "shift" else None
        fields = load_district_map(warehouse, demo.workspace.season, shift).fields
    drawn = drawn_fields(page_html[name], map_id)
    assert set(drawn) == set(fields["field_id"])
    measured = [r for r in fields.iter_rows(named=True) if r["n"] and r["difference_pct"] is not None]
    assert len(measured) >= 8
    for row in measured:
        colour, is_pale = drawn[row["field_id"]]
        assert colour == DIRT_LEVELS[class_of(row["difference_pct"])], row
        assert is_pale == (row["n"] < 30), row
    assert {drawn[f][0] for f in set(drawn) - {r["field_id"] for r in measured}} <= {"#fff"}


def test_the_map_of_a_shift_stands_open_on_its_first_page(page_html):
    before = page_html["shift"].split('id="district-map-shift"')[0]
    assert before.count("<details") == before.count("</details>")
