"""Pictures of charts with many marks or of many charts: the chart library draws axes, the marks are drawn here.

The library measures every text of an axis and lays out every mark, which takes longer than all else on a sheet. Axes of
charts that have the same domains are therefore drawn once. Marks follow the compiled specification; it decides their
places and looks here as it does in the library. Times run over whole days, so that many charts have the same domain.
"""

import datetime as dt
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

Row = dict[str, Any]
Spec = dict[str, Any]
Place = Callable[[Row], float | None]
NICE_TICKS = 10
"""Ticks for which the library rounds a domain."""
FIELD = re.compile(r'datum\["([^"]+)"\]')
DATE = re.compile(r'toDate\(datum\["([^"]+)"\]\)')
SHARED = ("fill", "stroke", "strokeWidth")


class NotPlainError(Exception):
    """A specification that needs more than this module draws; the message names the part."""


def tick_step(low: float, high: float, count: int) -> float:
    """Return the step of round ticks over a range: 1, 2 or 5 times a power of ten; if below 1, minus its inverse.

    That is the algorithm of the chart library (d3-array), so that rounded domains are the same.

    >>> tick_step(0, 19, 10), tick_step(-0.3, 1.2, 10)
    (2.0, -5.0)
    """
    step = (high - low) / count
    power = math.floor(math.log10(step))
    error = step / 10.0**power
    factor = 10 if error >= math.sqrt(50) else 5 if error >= math.sqrt(10) else 2 if error >= math.sqrt(2) else 1
    return 10.0**power * factor if power >= 0 else -(10.0**-power / factor)


def nice_domain(low: float, high: float) -> tuple[float, float]:
    """Return a range widened to round numbers, as the chart library does (d3-scale).

    >>> nice_domain(0, 14.3), nice_domain(-0.27, 0.61)
    ((0.0, 16.0), (-0.3, 0.7))
    """
    before = 0.0
    for _ in range(10):
        step = tick_step(low, high, NICE_TICKS)
        if step == before:
            break
        if step > 0:
            low, high = math.floor(low / step) * step, math.ceil(high / step) * step
        else:
            low, high = math.ceil(low * step) / step, math.floor(high * step) / step
        before = step
    return low, high


def _to_ms(text: str) -> float:
    """Return a local time without zone, YYYY-MM-DDTHH:MM:SS, as the library reads it, ms since 1970."""
    return _hour_ms(text[:13]) + 60_000 * int(text[14:16]) + 1000 * int(text[17:19])


@lru_cache(maxsize=8192)
def _hour_ms(hour: str) -> float:
    """Return the start of an hour; the zone is looked up once for all sheets, because clocks change by whole hours."""
    return dt.datetime.fromisoformat(hour).timestamp() * 1000


def _whole_days(low: float, high: float) -> tuple[float, float]:
    """Return midnight before the first time and after the last, ms since 1970."""
    first, last = (dt.datetime.fromtimestamp(t / 1000).replace(hour=0, minute=0, second=0) for t in (low, high))  # noqa: DTZ006 - local, as the library
    after = last.replace(microsecond=0) + dt.timedelta(days=1)
    return first.replace(microsecond=0).timestamp() * 1000, after.timestamp() * 1000


@dataclass(frozen=True)
class Axes:
    """Scales of a chart.

    Attributes:
        domains: domain of each scale: two numbers, or the values of a band scale in order.
        places: place of a value on each scale, pixels; of a band scale, its start.
        bands: width of a band of each band scale, pixels.
    """

    domains: dict[str, tuple[Any, ...]]
    places: dict[str, Callable[[Any], float]]
    bands: dict[str, float]


class PlainMarks:
    """Marks of a compiled chart with its data.

    Args:
        compiled: Vega specification of one plot with lines, bars and symbols.
        datasets: rows of each named source.

    Raises:
        NotPlainError: the specification has a part that is not drawn here, or a scale has no range.
    """

    def __init__(self, compiled: Spec, datasets: dict[str, list[Row]]) -> None:
        self.compiled = compiled
        self.sizes = {"width": float(compiled["width"]), "height": float(compiled["height"])}
        self.rows: dict[str, list[Row]] = {}
        for source in compiled["data"]:
            rows = self.rows[source["source"]] if "source" in source else datasets.get(source["name"], [])
            for transform in source.get("transform", []):
                rows = _transformed(rows, transform)
            self.rows[source["name"]] = rows
        self.axes = self._axes()

    def _axes(self) -> Axes:
        axes = Axes({}, {}, {})
        for scale in self.compiled["scales"]:
            name, kind = scale["name"], scale["type"]
            start, end = (v if isinstance(v, int) else self.sizes[v["signal"]] for v in scale["range"])
            if kind == "band":
                self._add_band(axes, scale, end - start)
                continue
            fields = scale["domain"].get("fields") or [scale["domain"]]
            values = [r[f["field"]] for f in fields for r in self.rows[f["data"]] if r[f["field"]] is not None]
            values += [0.0] if scale.get("zero") else []
            if kind not in {"linear", "time"} or not values or (kind == "linear" and min(values) == max(values)):
                raise NotPlainError(f"scale {name}")
            low, high = min(values), max(values)
            if kind == "time":
                low, high = _whole_days(low, high)
            elif scale.get("nice"):
                low, high = nice_domain(low, high)
            axes.domains[name] = (low, high)
            axes.places[name] = _linear(low, high, start, end)
        return axes

    def _add_band(self, axes: Axes, scale: Spec, length: float) -> None:
        """Add a band scale, whose values are in the order of the rows."""
        values = tuple(dict.fromkeys(r[scale["domain"]["field"]] for r in self.rows[scale["domain"]["data"]]))
        inner, outer = scale["paddingInner"], scale["paddingOuter"]
        step = length / max(1.0, len(values) - inner + 2 * outer)
        first = (length - step * (len(values) - inner)) / 2
        axes.domains[scale["name"]] = values
        axes.places[scale["name"]] = lambda v: first + step * values.index(v)
        axes.bands[scale["name"]] = step * (1 - inner)

    def without_rows(self) -> Spec:
        """Return the specification with the domains of this chart and no data: its axes."""
        scales = [
            {k: v for k, v in s.items() if k not in {"nice", "zero"}} | {"domain": list(self.axes.domains[s["name"]])}
            for s in self.compiled["scales"]
        ]
        return {**self.compiled, "scales": scales}

    def groups(self) -> dict[str, str]:
        """Return the marks as SVG, by the name of their group."""
        return {mark["name"]: self._drawn(mark) for mark in self.compiled["marks"]}

    def _drawn(self, mark: Spec) -> str:
        encode, rows = mark["encode"]["update"], self.rows[mark["from"]["data"]]
        place = {c: self._place(encode[c]) for c in ("x", "x2", "xc", "y", "y2", "yc") if c in encode}
        look = {c: encode[c]["value"] for c in ("width", "height", "size", "shape", *SHARED) if c in encode}
        draw = {"rule": _rule, "rect": _rect, "symbol": _symbol}.get(mark["type"])
        if draw is None or mark.get("clip"):
            raise NotPlainError(f"mark {mark['type']}")
        paths = [draw({c: p for c, f in place.items() if (p := f(row)) is not None}, look) for row in rows]
        opacity = encode.get("opacity", {}).get("value", 1)
        attributes = {"fill": look.get("fill"), "stroke": look.get("stroke"), "stroke-width": look.get("strokeWidth")}
        attributes |= {"fill-opacity": opacity, "stroke-opacity": opacity}
        if mark["type"] == "symbol" and look.get("fill") == "transparent":
            attributes |= {"fill": "none", "stroke-width": 2}
        used = " ".join(f'{k}="{v}"' for k, v in attributes.items() if v is not None)
        drawn = "".join(f'<path d="{path}"/>' for path in paths)
        return f"<g {used}>{drawn}</g>" if drawn else ""

    def _place(self, channel: Spec) -> Place:
        if "signal" in channel:
            fixed = self.sizes[channel["signal"]] * channel.get("mult", 1.0)
            return lambda _: fixed
        if not {"scale", "field"} <= channel.keys():
            raise NotPlainError("channel")
        at, field = self.axes.places[channel["scale"]], channel["field"]
        off = channel.get("band", 0.0) * self.axes.bands.get(channel["scale"], 0.0)
        return lambda row: None if row[field] is None else at(row[field]) + off


def _linear(low: float, high: float, start: float, end: float) -> Callable[[Any], float]:
    return lambda v: start + (float(v) - low) / (high - low) * (end - start)


def _transformed(rows: list[Row], transform: Spec) -> list[Row]:
    """Return rows after a transform that compiled charts have: a time from text, known values only, one bar a label."""
    kind, expression = transform["type"], transform.get("expr", "")
    if kind == "formula" and (date := DATE.fullmatch(expression)):
        return [{**r, transform["as"]: None if r[date[1]] is None else _to_ms(r[date[1]])} for r in rows]
    if kind == "filter" and "isValid" in expression:
        names = set(FIELD.findall(expression))
        return [r for r in rows if all(_is_known(r[n]) for n in names)]
    if kind == "stack" and len({tuple(r[g] for g in transform["groupby"]) for r in rows}) == len(rows):
        start, end = transform["as"]
        return [{**r, start: 0.0, end: r[transform["field"]]} for r in rows]
    raise NotPlainError(f"transform {kind}")


def _is_known(value: Any) -> bool:
    return value is not None and (not isinstance(value, float) or math.isfinite(value))


def _pixels(x: float) -> str:
    return f"{x:.2f}".rstrip("0").rstrip(".")


def _rule(at: dict[str, float], look: Row) -> str:  # noqa: ARG001 - as the other marks
    x, y = at["x"], at["y"]
    return f"M{_pixels(x)},{_pixels(y)}L{_pixels(at.get('x2', x))},{_pixels(at.get('y2', y))}"


def _rect(at: dict[str, float], look: Row) -> str:
    sides = []
    for low, high, centre, size in (("x", "x2", "xc", "width"), ("y", "y2", "yc", "height")):
        if centre in at:
            sides.append((at[centre] - look[size] / 2, look[size]))
        else:
            sides.append((min(at[low], at[high]), abs(at[high] - at[low])))
    (x, width), (y, height) = sides
    return f"M{_pixels(x)},{_pixels(y)}h{_pixels(width)}v{_pixels(height)}h{_pixels(-width)}Z"


def _symbol(at: dict[str, float], look: Row) -> str:
    radius = math.sqrt(look["size"]) / 2
    if look.get("shape") == "stroke":
        return f"M{_pixels(at['x'] - radius)},{_pixels(at['y'])}h{_pixels(2 * radius)}"
    if look.get("shape", "circle") != "circle":
        raise NotPlainError(f"shape {look['shape']}")
    r, across = _pixels(radius), _pixels(2 * radius)
    return f"M{_pixels(at['x'] + radius)},{_pixels(at['y'])}a{r},{r},0,1,1,-{across},0a{r},{r},0,1,1,{across},0"
