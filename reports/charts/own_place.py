"""One grower's own part against the band of all growers, none of whom is named."""

from typing import Any

import altair as alt

from reports.language.translate import say
from reports.page.model import Chart
from reports.page.theme import EXPECTED, INK, OBSERVED, rows, shared


def _chart(title: str) -> Any:
    x = alt.X("lo:Q", title=title)
    all_ = alt.Chart(rows("band"))
    wide = all_.mark_bar(size=26, color=EXPECTED, opacity=0.25).encode(x=alt.X("p10:Q", title=title), x2="p90:Q")
    middle = all_.mark_bar(size=26, color=EXPECTED, opacity=0.45).encode(x=alt.X("p25:Q", title=title), x2="p75:Q")
    half = all_.mark_tick(size=34, thickness=2, color=INK).encode(x=alt.X("p50:Q", title=title))
    mine = alt.Chart(rows("own"))
    rule = mine.mark_rule(color=OBSERVED, strokeWidth=2.5).encode(x=x, x2="hi:Q")
    dot = mine.mark_point(filled=True, size=110, color=OBSERVED, opacity=1).encode(x=alt.X("value:Q", title=title))
    return alt.layer(wide, middle, half, rule, dot).properties(width="container", height=60)


def own_place(own: dict[str, float | None], band: dict[str, float | None] | None, title: str) -> Chart:
    """Draw `value, lo, hi` of one over `p10, p25, p50, p75, p90` of all.

    The coordinates of a picture are as exact as its data, so all values are rounded before they come here.

    Args:
        own: the grower's own part with its interval, rounded.
        band: rounded marks of all growers, None for each that is withheld; None if all are.
        title: the quantity, with its unit.
    """
    description = say("Own part with its interval over the band of all growers.")
    return shared("own-place", lambda: _chart(title), description, title, own=[own], band=[band] if band else [])
