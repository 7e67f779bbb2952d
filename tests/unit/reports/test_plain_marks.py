"""Marks drawn on shared axes are where the chart library draws them."""

import datetime as dt
import json
import re
from dataclasses import replace

import altair as alt
import polars as pl
import pytest
import vl_convert

from reports.charts.own_loads import own_loads
from reports.charts.own_place import own_place
from reports.charts.share_bars import sheet_bars
from reports.language.translate import use_language
from reports.page.model import Chart
from reports.page.pdf import _axes, _fixed_width, picture
from reports.page.plain_marks import NotPlainError, PlainMarks, nice_domain
from reports.page.theme import finish, records, rows, with_shared_axes

WIDTH = 460
GROUP = r'<g class="[^"]*{name}"[^>]*[^/>]>(.*?)</g>'


def loads(times: list[dt.datetime]) -> Chart:
    observed = [3.0 + 1.7 * k for k in range(len(times))]
    frame = pl.DataFrame({"lifted_at": times, "load_id": [str(k) for k in range(len(times))], "observed_pct": observed})
    known = pl.when(pl.int_range(pl.len()) != 1).then(pl.col("observed_pct"))
    return own_loads(frame.with_columns(expected_pct=known + 0.4, lo95=known - 0.8, hi95=known + 1.7))


def causes(*values: float) -> Chart:
    labels = [f"Cause & {k}" for k in range(len(values))]
    frame = pl.DataFrame({"label": labels, "value": values}).with_columns(
        lo=pl.lit(None, pl.Float64), hi=pl.lit(None, pl.Float64)
    )
    return sheet_bars(frame, "points", "Causes")


def place(lo: float | None, hi: float | None) -> Chart:
    band = {"p10": -1.1, "p25": -0.4, "p50": None, "p75": 0.4, "p90": 0.9}
    return own_place({"value": 0.2, "lo": lo, "hi": hi}, band, "points")


CHARTS = {
    "loads of a month": loads(
        [dt.datetime.fromisoformat("2025-09-28T13:00") + dt.timedelta(hours=61 * k) for k in range(12)]
    ),
    "loads of a day": loads([dt.datetime.fromisoformat(f"2025-10-03T{t}") for t in ("07:30", "19:05:20")]),
    "one load": loads([dt.datetime.fromisoformat("2025-10-03T07:30")]),
    "causes": causes(1.25, -0.4, 0.31, 0.02),
    "a cause": causes(-3.0),
    "place": place(-0.3, 1.3),
    "place without interval": place(None, None),
}


def marks_of(chart: Chart) -> PlainMarks:
    spec = _fixed_width(chart.sized, WIDTH)
    spec["config"] = {**spec["config"], "aria": False}
    return PlainMarks(vl_convert.vegalite_to_vega(json.dumps(spec)), chart.datasets)


def numbers(path: str) -> list[float]:
    return [float(x) for x in re.findall(r"-?\d+(?:\.\d+)?(?:e-?\d+)?", path)]


def corners(drawn: str) -> list[list[float]]:
    """Return the ends of lines, the corners of bars and the centres of symbols, pixels."""
    out = []
    for x, y, dx, dy in re.findall(r'<line transform="translate\((.+?),(.+?)\)" x2="(.+?)" y2="(.+?)"', drawn):
        out.append([float(x), float(y), float(x) + float(dx), float(y) + float(dy)])
    for at, path in re.findall(r'<path (?:transform="translate\((.+?)\)" )?d="(.+?)"', drawn):
        x, y = numbers(at) if at else (0.0, 0.0)
        found = numbers(path)
        if "L" in path and not at:
            out.append(found)
        elif "A" in path or "L" in path:
            out.append([x, y])
        elif "a" in path:
            out.append([found[0] - found[2], found[1]])
        elif "v" in path:
            out.append([found[0] + x, found[1] + y, found[2], found[3]])
        else:
            out.append([found[0] + found[2] / 2, found[1]])
    return out


@pytest.mark.parametrize("name", CHARTS)
def test_marks_are_where_the_library_draws_them(name: str):
    chart = CHARTS[name]
    marks = marks_of(chart)
    sources = [
        {**d, "values": chart.datasets[d["name"]]} if d["name"] in chart.datasets else d for d in marks.compiled["data"]
    ]
    theirs = vl_convert.vega_to_svg({**marks.without_rows(), "data": sources})
    drawn = 0
    for group, ours in marks.groups().items():
        found = re.search(GROUP.format(name=group), theirs)
        expected = corners(found[1]) if found else []
        assert corners(ours) == [pytest.approx(e, abs=0.011) for e in expected]
        drawn += len(expected)
    assert (
        drawn
        == {
            "loads of a month": 34,
            "loads of a day": 4,
            "one load": 3,
            "causes": 4,
            "a cause": 1,
            "place": 4,
            "place without interval": 3,
        }[name]
    )


@pytest.mark.parametrize("low_high", [(0.0, 14.3), (-0.27, 0.61), (-1.1, 1.3), (0.0, 0.00123), (-7.0, 3111.0)])
def test_domains_are_rounded_as_in_the_library(low_high: tuple[float, float]):
    frame = pl.DataFrame({"label": ["a", "b"], "value": low_high}).with_columns(lo=None, hi=None)
    drawn = sheet_bars(frame.cast({"lo": pl.Float64, "hi": pl.Float64}), "points", "Causes")
    theirs = re.search(GROUP.format(name="layer_0_marks"), picture(replace(drawn, shares_axes=False), WIDTH).decode())
    assert theirs is not None
    ours = re.search(GROUP.format(name="layer_0_marks"), picture(drawn, WIDTH).decode())
    assert ours is not None
    assert corners(ours[1]) == [pytest.approx(e, abs=0.011) for e in corners(theirs[1])]
    assert nice_domain(*low_high)[0] <= low_high[0]


def test_axes_are_those_of_the_library_and_are_drawn_once_a_language():
    chart = CHARTS["causes"]
    _axes.cache_clear()
    ours, theirs = picture(chart, WIDTH).decode(), picture(replace(chart, shares_axes=False), WIDTH).decode()
    texts = re.findall(r"<text.*?</text>", theirs)
    assert re.findall(r"<text.*?</text>", ours) == texts
    assert len(texts) > 8
    picture(causes(1.3, -0.38, 0.2, 0.04), WIDTH)
    assert _axes.cache_info().misses == 1
    with use_language("de", None):
        german = picture(chart, WIDTH).decode()
    assert _axes.cache_info().misses == 2
    assert "0,5" in german


def test_a_chart_with_other_marks_is_drawn_by_the_library():
    frame = pl.DataFrame({"x": [1.0, 2.0, 4.0], "y": [2.0, 1.0, 3.0]})
    area = finish(alt.Chart(rows()).mark_area().encode(x="x:Q", y="y:Q").properties(height=80), "", rows=records(frame))
    with pytest.raises(NotPlainError):
        marks_of(area).groups()
    assert picture(with_shared_axes(area), WIDTH) == picture(area, WIDTH)


def test_values_without_a_range_are_drawn_by_the_library():
    chart = causes(0.0, 0.0)
    with pytest.raises(NotPlainError):
        marks_of(chart)
    assert picture(chart, WIDTH) == picture(replace(chart, shares_axes=False), WIDTH)


def test_values_that_are_not_finite_are_left_out_as_in_the_library():
    chart = place(float("nan"), 1.3)
    theirs = picture(replace(chart, shares_axes=False), WIDTH).decode()
    assert re.search(GROUP.format(name="layer_3_marks"), theirs) is None
    assert marks_of(chart).groups()["layer_3_marks"] == ""
    assert marks_of(chart).groups()["layer_4_marks"] != ""
