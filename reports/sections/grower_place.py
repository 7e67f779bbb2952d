"""A grower's place among all growers: own figure, coarse third and quantile marks, under disclosure control."""

from reports.charts.own_place import own_place
from reports.language.display_units import number
from reports.language.labels import interval
from reports.language.place_messages import MARKS, THIRDS
from reports.language.reason_text import format_reason
from reports.language.translate import say
from reports.page.model import Figure, Prose
from reports.page.tables import Column, Table, build_table, number_cell, text_cell
from transforms.benchmark.disclosure import QUANTILES, WIDTH
from transforms.benchmark.own_view import UNSETTLED, OwnView


def standing(place: OwnView | None) -> str | None:
    """Return where a grower is among all growers, in words; None without a comparison."""
    if place is None or not place.is_compared:
        return None
    low, high = place.figures["shrunken_lo95"], place.figures["shrunken_hi95"]
    if low is not None and low > 0:
        return say("more dirt than most growers")
    if high is not None and high < 0:
        return say("less dirt than most growers")
    return say("about where most growers are")


def place_finding(place: OwnView | None) -> str:
    """Return a sentence on the grower's place among all growers, as far as disclosure control permits."""
    if place is None:
        return say("Not compared with others: {reason}.", reason=say("too few measured loads"))
    low, high, where = place.figures["shrunken_lo95"], place.figures["shrunken_hi95"], standing(place)
    if low is None or high is None or where is None:
        return say("Not compared with others: {reason}.", reason=format_reason(place.reason) if place.reason else "")
    first = say(
        "Not explained by conditions or settings: {own} points ({span}), {standing}",
        own=number(place.figures["shrunken"], 1, sign=True),
        span=interval(low, high, 1),
        standing=where,
    )
    if place.third is not None and place.third != UNSETTLED:
        first = say("{finding}; {third}", finding=first, third=say(THIRDS[place.third]))
    if place.band.reason is None:
        return f"{first}."
    return f"{first}. " + say("No other grower is shown: {reason}.", reason=format_reason(place.band.reason))


def _table(place: OwnView) -> Table:
    f = place.figures
    own = (say("you"), number_cell(f["shrunken"], 1, f["shrunken_lo95"], f["shrunken_hi95"], sign=True))
    marks = (
        (say(MARKS[name]), number_cell(place.band.marks[name], 1, sign=True))
        for name in QUANTILES
        if name in place.band.marks
    )
    caption = (
        say(
            "Brackets: 95 % interval. A mark of all growers is a mean of {width} or more, rounded to {step} points.",
            width=WIDTH,
            step=number(place.band.step, 1),
        )
        if place.band.marks
        else say("Brackets: 95 % interval.")
    )
    columns = (Column(say("Who"), lambda r: text_cell(r[0])), Column(say("Unexplained, points"), lambda r: r[1]))
    return build_table("place-table", say("place"), columns, (own, *marks), caption)


def _reading(marks: dict[str, float]) -> str:
    """Return the reading instructions for the marks in the chart."""
    parts = [say("Dot: you, with the 95 % interval.")]
    if "p50" in marks:
        parts.append(say("Tick: half of all growers are below."))
    if {"p25", "p75"} <= set(marks):
        parts.append(say("Dark band: the middle half of all growers."))
    if {"p10", "p90"} <= set(marks):
        parts.append(say("Light band: the middle eight tenths."))
    return " ".join(parts)


def place_block(place: OwnView | None) -> Figure | Prose:
    """Return the figure of the grower's place, or a sentence if there is no comparison."""
    finding = place_finding(place)
    if place is None or not place.is_compared:
        return Prose(finding)
    f, marks = place.figures, place.band.marks
    own = {"value": f["shrunken"], "lo": f["shrunken_lo95"], "hi": f["shrunken_hi95"]}
    drawn = {name: marks.get(name) for name in QUANTILES} if marks else None
    chart = own_place(own, drawn, say("unexplained, points of dirt tare"))
    return Figure("place", finding, _reading(marks), chart, say("Your place among all growers"), _table(place))
