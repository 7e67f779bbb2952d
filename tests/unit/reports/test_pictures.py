"""Pictures of charts: compiled once per specification, in the order of their data, with a key of their lines."""

import re

import polars as pl
import pytest
import vl_convert

from reports.charts.effect_strip import effect_strip
from reports.charts.reading_strip import READINGS, reading_strip
from reports.charts.setting_curve import setting_curve, wetness_key
from reports.charts.share_bars import variance_bars
from reports.language.translate import chart_locales
from reports.page.model import Chart
from reports.page.pdf import _compiled, _fixed_width, picture

CHANGES = {"change_pct": [1.0, -4.0, 2.5], "lo95": [0.0, -6.0, 2.0], "hi95": [2.0, -2.0, 3.0]}
LABELS = ["first", "Zeppelin", "mid"]


def curve(slope: float) -> Chart:
    points = [(v, w, slope * v) for w in ("dry", "wet") for v in (1.0, 2.0, 3.0)]
    frame = pl.DataFrame(points, ["value", "wetness_class", "mean"], orient="row")
    return setting_curve(frame.with_columns((pl.col("mean") - 1).alias("lo95"), (pl.col("mean") + 1).alias("hi95")))


def strip() -> Chart:
    return effect_strip(pl.DataFrame({"label": LABELS, "wetness_class": "dry", **CHANGES, "n": 40}))


def readings() -> Chart:
    frame = pl.DataFrame({"label": LABELS, **CHANGES})
    return reading_strip(pl.concat(frame.with_columns(pl.lit(r).alias("reading")) for r in READINGS))


def bars() -> Chart:
    return variance_bars(pl.DataFrame({"label": LABELS, "value": [1.0, 3.0, 2.0], "lo": 0.0, "hi": 4.0}))


def in_one_call(chart: Chart) -> str:
    """Return the picture of a chart whose data is compiled with its specification."""
    spec = _fixed_width({**chart.sized, "datasets": chart.datasets}, 330)
    spec["config"] = {**spec["config"], "aria": False}
    locales = chart_locales()
    svg: str = vl_convert.vegalite_to_svg(spec, format_locale=locales["number"], time_format_locale=locales["time"])
    return svg


def labels(svg: str) -> list[str]:
    """Return the labels of settings from top to bottom."""
    return [t for t in re.findall(r"<text[^>]*>([^<]*)</text>", svg) if t in LABELS]


@pytest.mark.parametrize("chart", [curve(2.0), strip(), readings(), bars()], ids=lambda c: c.shared)
def test_a_picture_is_that_of_its_specification_and_data(chart: Chart):
    assert picture(chart, 330).decode() == in_one_call(chart)


def test_charts_of_one_kind_are_compiled_once_and_differ_in_their_data():
    _compiled.cache_clear()
    assert picture(curve(2.0), 330) != picture(curve(-2.0), 330)
    assert _compiled.cache_info().misses == 1


def test_rows_of_charts_are_in_the_order_of_their_data():
    assert labels(picture(bars(), 460).decode()) == LABELS
    assert labels(picture(readings(), 460).decode()) == LABELS
    assert labels(picture(strip(), 460).decode()) == ["Zeppelin", "mid", "first"], "the largest effect first"


def test_the_key_of_curves_has_their_colours_and_dashes():
    drawn = set(
        re.findall(r'stroke="(#[0-9a-f]{6})" stroke-width="2"(?: stroke-dasharray="([0-9,]+)")?', svg_of_curve())
    )
    key = {(k.colour, ",".join(map(str, k.dash))) for k in wetness_key(["wet", "dry"])}
    assert key == drawn


def svg_of_curve() -> str:
    return picture(curve(2.0), 330).decode()
