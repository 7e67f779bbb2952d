"""Chart theme: colours with fixed meanings, distinguishable with colour vision deficiency and in greyscale print."""

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import altair as alt
import polars as pl

from reports.language.translate import language_key, say
from reports.page.model import Chart

INK, MUTED, RULE = "#22201d", "#615b53", "#d9d3c8"
OBSERVED, EXPECTED = "#8f1d52", "#6b7f8c"
WETNESS = {"dry": "#c98a1b", "moist": "#3b7d74", "wet": "#1f4f8f"}
SOIL = {"light": "#c98a1b", "medium": "#7a5a3a", "heavy": "#3a3634"}
WORSE, BETTER = "#8f1d52", "#2b6f9e"
DIRT_LEVELS = {-2: BETTER, -1: "#8dbbd8", 0: "#e3dccd", 1: "#c6769b", 2: WORSE}
"""Dirt against expected, from much cleaner to much dirtier; each class has its own lightness, for grey print."""
SOIL_DASH = {"light": [1, 0], "medium": [6, 3], "heavy": [2, 2]}
FEW, PALE = 30, 0.45
"""An estimate from fewer rows is pale, drawn with this opacity: it is shown, but not as if it were known."""
LINES = ["#8f1d52", "#1f4f8f", "#c98a1b", "#3b7d74", "#3a3634", "#7a5a3a"]
LINE_DASHES = [[1, 0], [6, 3], [2, 2], [8, 2, 2, 2], [4, 1], [1, 3]]
UPTAKE_COLOURS = {
    "followed": BETTER,
    "partly": "#8dbbd8",
    "not": "#e3dccd",
    "opposite": WORSE,
    "unknown": "#958f86",
}
"""Advised changes made, in part, not at all, the other way, and not judged: lightness differs in grey print."""
CLEAR_EFFECT, NO_EFFECT, CONFOUNDED, UNTRIED = "#6fa3c8", "#d3e2ec", "#e0a83c", "#efe8da"
"""A clear effect, no effect shown, an effect confounded between visits, too little variation to estimate one."""
CONFIG = {
    "font": "system-ui, -apple-system, 'Segoe UI', 'DejaVu Sans', sans-serif",
    "view": {"stroke": None},
    "axis": {
        "labelColor": INK,
        "titleColor": MUTED,
        "gridColor": RULE,
        "domainColor": RULE,
        "tickColor": RULE,
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "labelLimit": 190,
    },
    # Numbers and dates are never cut off; without a limit, their widths are measured half as often. They never touch.
    "axisQuantitative": {"labelLimit": 0, "labelSeparation": 8},
    "axisTemporal": {"labelLimit": 0, "labelSeparation": 8},
    "legend": {
        "labelColor": INK,
        "titleColor": MUTED,
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "orient": "top",
    },
    "header": {"labelColor": INK, "labelFontSize": 12, "labelFontWeight": "bold", "titleColor": MUTED},
}


def rows(name: str = "rows") -> alt.NamedData:
    """Return the named data source of a chart's rows, which are stored separately from the specification."""
    return alt.NamedData(name)


def records(frame: pl.DataFrame) -> list[dict[str, Any]]:
    """Return a frame's rows as chart data: times as text without a zone, numbers to five significant figures."""
    times = [c for c, t in frame.schema.items() if isinstance(t, pl.Datetime)]
    days = [c for c, t in frame.schema.items() if t == pl.Date]
    floats = [c for c, t in frame.schema.items() if t == pl.Float64]
    return frame.with_columns(
        *(pl.col(c).dt.strftime("%Y-%m-%dT%H:%M:%S") for c in times),
        *(pl.col(c).dt.strftime("%Y-%m-%d") for c in days),
        *(pl.col(c).round_sig_figs(5) for c in floats),
    ).to_dicts()


def local(frame: pl.DataFrame, zone: str, *columns: str) -> pl.DataFrame:
    """Return a frame with the given UTC columns in local time without a zone, as charts require."""
    return frame.with_columns(pl.col(c).dt.convert_time_zone(zone).dt.replace_time_zone(None) for c in columns)


def interval_tooltip(low: str, high: str, form: str, title: str | None = None) -> list[alt.Tooltip]:
    """Return the tooltip entries of a 95 % interval."""
    first = alt.Tooltip(f"{low}:Q", title=title or say("from, 95 %"), format=form)
    return [first, alt.Tooltip(f"{high}:Q", title=say("to"), format=form)]


def midnight(day: dt.date) -> str:
    """Return midnight of a day in the format of chart data.

    >>> midnight(dt.date(2025, 10, 5))
    '2025-10-05T00:00:00'
    """
    return f"{day}T00:00:00"


_SPECS: dict[tuple[str, str, str], dict[str, Any]] = {}


def shared(
    name: str,
    build: Callable[[], alt.TopLevelMixin],
    description: str,
    unit: str = "",
    **datasets: list[dict[str, Any]],
) -> Chart:
    """Return a chart that differs from others of its name only in its data.

    The shared specification is built once per language and unit, because building it costs more than a page's data.
    """
    key = (name, language_key(), unit)
    if key not in _SPECS:
        _SPECS[key] = finish(build(), description).spec
    return Chart(_SPECS[key], datasets, name)


def of_height(chart: Chart, pixels: int) -> Chart:
    """Return a chart of the given height, which may differ between charts that share a specification.

    A height by steps of a band would do without, but the chart library warns about it on every page.
    """
    return replace(chart, height=pixels)


def with_shared_axes(chart: Chart) -> Chart:
    """Return a chart of lines, bars and dots whose pictures share axes, for pages that are made by the hundred."""
    return replace(chart, shares_axes=True)


def finish(chart: alt.TopLevelMixin, description: str, **datasets: list[dict[str, Any]]) -> Chart:
    """Return a chart with the theme, its description for screen readers, and its data."""
    spec: dict[str, Any] = chart.to_dict()
    spec.pop("datasets", None)
    spec |= {
        "description": description,
        "background": "transparent",
        "config": CONFIG,
        "autosize": {"type": "fit-x", "contains": "padding"},
    }
    return Chart(spec, datasets)
