"""One grower's unexplained effect compared with the band of all growers, who are not named."""

from typing import Any

import altair as alt

from reports.language.translate import say
from reports.page.model import Chart
from reports.page.theme import EXPECTED, INK, OBSERVED, rows, shared, with_shared_axes


def _chart(title: str) -> Any:
    x = alt.X("lo:Q", title=title)
    all_ = alt.Chart(rows("band"))
    wide = all_.mark_bar(size=26, color=EXPECTED, opacity=0.25).encode(x=alt.X("p10:Q", title=title), x2="p90:Q")
    middle = all_.mark_bar(size=26, color=EXPECTED, opacity=0.45).encode(x=alt.X("p25:Q", title=title), x2="p75:Q")
    half = all_.mark_tick(size=34, thickness=2, color=INK).encode(x=alt.X("p50:Q", title=title))
    own = alt.Chart(rows("own"))
    rule = own.mark_rule(color=OBSERVED, strokeWidth=2.5).encode(x=x, x2="hi:Q")
    dot = own.mark_point(filled=True, size=110, color=OBSERVED, opacity=1).encode(x=alt.X("value:Q", title=title))
    return alt.layer(wide, middle, half, rule, dot).properties(width="container", height=60)


def own_place(own: dict[str, float | None], band: dict[str, float | None] | None, title: str) -> Chart:
    """Return the chart of one grower's value over quantiles of all growers.

    The coordinates in a picture reveal the data exactly, so the caller rounds all values first.

    Args:
        own: `value, lo, hi` of the grower, rounded.
        band: `p10, p25, p50, p75, p90` of all growers, rounded; None for each withheld value, None if all are withheld.
        title: quantity with its unit.
    """
    description = say("Own value with its interval over the band of all growers.")
    chart = shared("own-place", lambda: _chart(title), description, title, own=[own], band=[band] if band else [])
    return with_shared_axes(chart)
