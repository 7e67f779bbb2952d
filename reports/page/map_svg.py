"""SVG of a district map: interactive inside an HTML page, and a self-contained picture for paper."""

from itertools import groupby

from markupsafe import Markup, escape

from reports.language.translate import say
from reports.page.district_map import Level, MapDrawing, MapField, MapMark
from reports.page.map_frame import WIDTH
from reports.page.map_labels import FONT, MapLabel
from reports.page.theme import CONFIG, DIRT_LEVELS, INK, MUTED, PALE, RULE

LEGEND_HEIGHT = 520
SIGN_SHARE, MAX_SIGN = 0.22, 60
"""Half the length of the strokes of a plus or minus sign, as a share of the field's side, and its maximum."""
SEGMENT, BAR_LEFT = 330, 160
SIGNED: dict[Level, str] = {-2: "m-{n} 0h{m}", 2: "m-{n} 0h{m}m-{n}-{n}v{m}"}
"""Minus and plus sign on the two extreme classes, which tell them apart in grey print."""
LEVELS: tuple[Level, ...] = (-2, -1, 0, 1, 2)


def _sign(level: Level | None, x: float, y: float, half: int) -> str:
    form = SIGNED.get(level) if level is not None else None
    return f"M{x:.0f} {y:.0f}" + form.format(n=half, m=2 * half) if form else ""


def _style(field: MapField) -> str:
    """Return the presentation of a field: its colour, paler if few loads are measured, or a dotted outline."""
    if field.level is None:
        return f'fill="#fff" fill-opacity="0" stroke="{MUTED}" stroke-dasharray="9 12"'
    return f'fill="{DIRT_LEVELS[field.level]}"' + (
        f' fill-opacity="{PALE}" stroke-dasharray="24 14"' if field.is_pale else ""
    )


def _fields(drawing: MapDrawing, *, interactive: bool) -> str:
    out = []
    for style, fields in groupby(drawing.fields, _style):
        out.append(f"<g {style}>")
        for f in fields:
            if interactive:
                out.append(f'<path role="option" tabindex="0" d="{f.path}"><title>{escape(f.text)}</title></path>')
            else:
                out.append(f'<path d="{f.path}"/>')
        out.append("</g>")
    signs = "".join(
        _sign(f.level, f.x, f.y, min(MAX_SIGN, round(SIGN_SHARE * f.side))) for f in drawing.fields if not f.is_pale
    )
    label = escape(say("Fields"))
    name = f' role="listbox" aria-label="{label}"' if interactive else ""
    listed = f'<g{name} stroke="{INK}" stroke-width="7">{"".join(out)}</g>' if out else ""
    return f'{listed}<path d="{signs}" stroke="#fff" stroke-width="13" fill="none" pointer-events="none"/>'


def _mark(m: MapMark) -> str:
    x, y = round(m.x), round(m.y)
    if m.kind == "machine":
        shape = f'd="M{x} {y - 42}l38 68h-76z" fill="#fff" stroke="{INK}" stroke-width="16"'
    else:
        shape = f'd="M{x - 40} {y - 40}h80v80h-80z" fill="{INK}" stroke="#fff" stroke-width="12"'
    return f"<path {shape}><title>{escape(m.text)}</title></path>"


def _text(x: float, y: float, text: str, anchor: str = "middle", color: str = INK) -> str:
    place = f'x="{x:.0f}" y="{y:.0f}" dy=".35em" text-anchor="{anchor}" fill="{color}"'
    return f"<text {place}>{escape(text)}</text>"


def _labels(labels: tuple[MapLabel, ...]) -> str:
    joined = "".join(
        f"M{at[0]:.0f} {at[1]:.0f}L{label.x:.0f} {label.y:.0f}"
        for label in labels
        if (at := label.joined_to) is not None
    )
    halo = 'stroke="#fff" stroke-width="26" stroke-linejoin="round" paint-order="stroke"'
    names = "".join(_text(label.x, label.y, label.text) for label in labels)
    return f'<path d="{joined}" stroke="{INK}" stroke-width="8" fill="none"/><g {halo}>{names}</g>'


def _legend(drawing: MapDrawing) -> str:
    """Return the classes with their limits, as pale as the fields if all fields are pale, scale bar and north arrow."""
    top = drawing.height + 70
    coloured = [f for f in drawing.fields if f.level is not None]
    is_pale = bool(coloured) and all(f.is_pale for f in coloured)
    out = [
        f'<rect x="{BAR_LEFT + i * SEGMENT}" y="{top}" width="{SEGMENT}" height="90" fill="{DIRT_LEVELS[level]}"'
        f' fill-opacity="{PALE if is_pale else 1}" stroke="{INK}" stroke-width="7"/>'
        for i, level in enumerate(LEVELS)
    ]
    middles = [(level, BAR_LEFT + (i + 0.5) * SEGMENT) for i, level in enumerate(LEVELS)]
    signs = "" if is_pale else "".join(_sign(level, x, top + 45, 26) for level, x in middles)
    out.append(f'<path d="{signs}" stroke="#fff" stroke-width="14" fill="none"/>')
    out += [_text(BAR_LEFT + i * SEGMENT, top + 180, cut) for i, cut in enumerate(drawing.cut_points, start=1)]
    out.append(_text(BAR_LEFT, top + 340, say("points from expected"), "start", MUTED))
    length, text = drawing.scale
    right = WIDTH - BAR_LEFT
    out.append(
        f'<path d="M{right - length:.0f} {top}v90h{length:.0f}v-90" stroke="{INK}" stroke-width="14" fill="none"/>'
    )
    out.append(_text(right - length / 2, top + 180, text))
    north = right - length - 330
    out.append(f'<path d="M{north:.0f} {top - 20}l45 110-45-30-45 30z" fill="{INK}"/>')
    out.append(_text(north, top + 180, say("N")))
    return "".join(out)


def district_svg(drawing: MapDrawing, title: str, *, interactive: bool, has_rows: bool = False) -> Markup:
    """Return the SVG of a district; every name in it is escaped.

    Args:
        drawing: the district.
        title: name for screen readers.
        interactive: True for a page, where each field can be focused and has its line as a tooltip; False for paper.
        has_rows: True if the SVG lists the row of each field, for its link.
    """
    height = drawing.height + LEGEND_HEIGHT
    name = f' class="map" role="group" aria-label="{escape(title)}"' if interactive else ""
    if has_rows:
        name += f' data-rows="{",".join("" if f.row is None else str(f.row) for f in drawing.fields)}"'
    family = "" if interactive else f' font-family="{escape(CONFIG["font"])}"'
    frame = f'<rect width="{WIDTH}" height="{drawing.height}" fill="#fff" stroke="{RULE}" stroke-width="8"/>'
    return Markup(  # noqa: S704  numbers, our own texts, and names that are escaped above
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" direction="ltr" font-size="{FONT}"'
        f"{family}{name}>"
        f"{frame}{_fields(drawing, interactive=interactive)}"
        f'<g aria-hidden="true">{"".join(map(_mark, drawing.marks))}<g pointer-events="none">{_labels(drawing.labels)}'
        f"{_legend(drawing)}</g></g></svg>"
    )
