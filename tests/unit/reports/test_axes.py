"""Axis ticks are plain numbers."""

import re

import polars as pl
import pytest

from reports.charts.load_contributions import load_contributions
from reports.charts.share_bars import share_bars
from reports.page.model import Chart
from reports.page.pdf import picture


def ticks(chart: Chart) -> list[str]:
    texts = re.findall(r"<text[^>]*>([^<]*)</text>", picture(chart, 460).decode())
    return [t for t in texts if re.match(r"[+\u2212\d]", t)]


def bars(values: list[float], *, is_whole: bool = False) -> list[str]:
    frame = pl.DataFrame({"label": [f"L{i}" for i in range(len(values))], "value": values})
    frame = frame.with_columns((pl.col("value") * 0.6).alias("lo"), (pl.col("value") * 1.4).alias("hi"))
    return ticks(share_bars(frame, "share", "bars", is_whole=is_whole))


@pytest.mark.parametrize("values", [[66.7, 33.3, 0.0], [40.0, 30.0, -2.0], [1.2, 0.6], [100.0], [9.0, 5.0]])
def test_shares_of_variance_have_whole_ticks(values):
    found = bars(values, is_whole=True)
    assert found
    assert all(re.fullmatch(r"\u2212?\d+", t) for t in found)


@pytest.mark.parametrize("values", [[0.3, -0.1], [2.4, 0.1], [1500.0, 20.0], [15_000.0, 20.0], [2.4e6, 300.0], [10.0]])
def test_ticks_of_bars_have_no_exponent_and_no_zero_thousands(values):
    found = bars(values)
    assert len(found) == len(set(found)) > 2
    assert all(re.fullmatch(r"0|\u2212?[\d,]*\.?\d+[kM]?", t) for t in found)
    assert not {"0k", "0M", "0.0"} & set(found)


@pytest.mark.parametrize("scale", [0.02, 1.0, 30.0])
def test_ticks_of_a_loads_sources_differ(scale):
    names = [f"S{i}" for i in range(9)]
    sources = pl.DataFrame({"label": names, "points": [scale * (5 - i) for i in range(9)]})
    found = ticks(load_contributions(sources))
    assert len(found) == len(set(found)) > 2
