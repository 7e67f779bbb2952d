"""What being off the guide's value costs, one small chart a setting; a picture, so that it prints as it stands."""

import altair as alt
import polars as pl
import vl_convert

from reports.theme import BETTER, INK, MUTED, finish


def cost_curve(rows: pl.DataFrame, money: str) -> str:
    """Draw `label, value, change, lo, hi, chosen`, a row a value, as SVG: mean and 95 % band.

    Args:
        rows: values of the settings of one class, in the units shown.
        money: the unit of `change`.
    """
    base = alt.Chart().encode(
        x=alt.X("value:Q", title=None, scale=alt.Scale(zero=False, nice=False), axis=alt.Axis(tickCount=4))
    )
    band = base.mark_area(opacity=0.25, color=BETTER).encode(y=alt.Y("lo:Q", title=money), y2="hi:Q")
    line = base.mark_line(color=INK, strokeWidth=2).encode(y="change:Q")
    zero = alt.Chart().mark_rule(color=MUTED, strokeDash=[3, 3]).encode(y=alt.datum(0))
    chosen = base.transform_filter("datum.chosen").mark_point(filled=True, size=80, color=BETTER).encode(y="change:Q")
    layered = alt.layer(zero, band, line, chosen).properties(width=200, height=95)
    faceted = layered.facet(
        facet=alt.Facet("label:N", title=None), columns=3, data=alt.InlineData(values=rows.to_dicts())
    ).resolve_scale(x="independent", y="independent")
    spec = finish(faceted, description="What being off the guide's value costs, by setting, with 95 % bands")
    del spec["autosize"]
    svg: str = vl_convert.vegalite_to_svg(spec)
    return svg.replace("<svg ", '<svg role="img" aria-label="What being off the guide\'s value costs, by setting" ', 1)
