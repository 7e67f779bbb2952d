"""The look of charts: fixed meanings for colours that stay apart for colour-blind eyes and in grey print."""

from typing import Any

import altair as alt

INK, MUTED, RULE = "#22201d", "#615b53", "#d9d3c8"
OBSERVED, EXPECTED = "#8f1d52", "#6b7f8c"
WETNESS = {"dry": "#c98a1b", "moist": "#3b7d74", "wet": "#1f4f8f"}
SOIL = {"light": "#c98a1b", "medium": "#7a5a3a", "heavy": "#3a3634"}
WORSE, BETTER = "#8f1d52", "#2b6f9e"
SOIL_DASH = {"light": [1, 0], "medium": [6, 3], "heavy": [2, 2]}


def inline(rows: list[dict[str, Any]]) -> alt.InlineData:
    """Return rows as data that travel inside the specification."""
    return alt.InlineData(values=rows)


def finish(chart: alt.TopLevelMixin, *, description: str) -> dict[str, Any]:
    """Return a chart's Vega-Lite specification with the theme and its description for readers of screens."""
    spec: dict[str, Any] = chart.to_dict()
    spec["description"] = description
    spec["background"] = "transparent"
    spec["autosize"] = {"type": "fit-x", "contains": "padding"}
    font = "system-ui, -apple-system, 'Segoe UI', 'DejaVu Sans', sans-serif"
    spec["config"] = {
        "font": font,
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
    return spec
