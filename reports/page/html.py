"""HTML output: one self-contained file with sections, charts, style and script; PDF and workbook on request."""

import json
from concurrent.futures import Future, ThreadPoolExecutor
from functools import cache, lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import vl_convert
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from reports.language.bidi import isolated, without_overrides
from reports.language.display_units import NO_VALUE, number
from reports.language.translate import chart_locales, locale, say
from reports.page.district_map import DistrictMap
from reports.page.formats import HTML, OutputFormats
from reports.page.map_svg import district_svg
from reports.page.model import Chart, LoadList, Page
from reports.page.pdf import picture, write_pdf
from reports.page.table_rows import table_rows
from reports.page.workbook import write_workbook

PICTURE_WIDTH = 460
"""Width of a static chart in pixels: its text is legible on a phone and not too large on a desktop screen."""


def own_file(name: str) -> str:
    """Return the text of a file in `reports/templates/`."""
    return files("reports").joinpath("templates").joinpath(name).read_text("utf-8")


@cache
def start_script_bundle() -> "Future[str]":
    """Start to make the script of `script_bundle` in the background, while the data of a page are read.

    It takes a second of one processor, in which the library does not hold the interpreter.
    """
    background = ThreadPoolExecutor(1)
    try:
        return background.submit(_make_script_bundle)
    finally:
        background.shutdown(wait=False)


def _make_script_bundle() -> str:
    bundle: str = vl_convert.javascript_bundle(own_file("charts.js"))
    return bundle.replace("</script", "<\\/script")


def script_bundle() -> str:
    """Return the chart library and the code that draws every chart of a page, as one script."""
    return start_script_bundle().result()


def embedded(value: Any) -> Markup:
    """Return a value as JSON that cannot close the script element that contains it."""
    text = json.dumps(value, default=str, ensure_ascii=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))  # noqa: S704


@lru_cache(maxsize=1)
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["number"] = number
    environment.filters["bidi"] = isolated
    environment.globals["say"] = say
    environment.globals["table_rows"] = table_rows
    return environment


def page_words() -> dict[str, Any]:
    """Return the texts and number formats that the page's scripts need."""
    return {
        "locales": chart_locales(),
        "undrawn": say("This chart could not be drawn; see its table for the numbers."),
        "loads": say("{shown} of {some} loads shown, {all} in all.", shown="{shown}", some="{some}", all="{all}"),
        "narrowed": say("{seen} of {every} shown", seen="{seen}", every="{every}"),
    }


def render(template: str, path: Path, **context: Any) -> Path:
    """Write a page from a template of `reports/templates/` and return its path."""
    text = (
        _environment()
        .get_template(template)
        .render(
            **context,
            lang=str(locale()).replace("_", "-"),
            is_right_to_left=locale().text_direction == "rtl",
            style=Markup(own_file("style.css")),  # noqa: S704  our own file
            words_json=embedded(page_words()),
        )
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_suffix(".partial")
    # Applied to the whole page, attributes and data included, so that filters and links still compare equal values.
    partial.write_text(without_overrides(text), "utf-8")
    return partial.replace(path)


def _packed(values: list[Any]) -> list[Any] | dict[str, list[Any]]:
    """Return a column as its values, or as distinct texts and an index per row if texts repeat."""
    texts = all(isinstance(v, str) for v in values)
    if not texts or len(distinct := list(dict.fromkeys(values))) > len(values) / 2:
        return values
    index = {v: i for i, v in enumerate(distinct)}
    return {"texts": distinct, "at": [index[v] for v in values]}


def _columns(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Return rows as columns, which keeps pages with many charts small; `charts.js` restores the rows."""
    return {k: _packed([r[k] for r in rows]) for k in rows[0]} if rows else {}


def _chart_json(chart: Chart) -> Markup:
    data = {name: _columns(rows) for name, rows in chart.datasets.items()}
    if not chart.shared:
        return embedded({"spec": chart.sized, "data": data})
    return embedded({"data": data} if chart.height is None else {"data": data, "height": chart.height})


def _inline_picture(chart: Chart) -> Markup:
    # The element around it has the alternative text; the marks inside have roles but no names.
    svg = picture(chart, PICTURE_WIDTH).decode().replace("<svg ", '<svg aria-hidden="true" ', 1)
    return Markup(svg)  # noqa: S704  rendered from our own specification, which escapes its texts


def _loads_json(loads: LoadList) -> Markup:
    """Return a list of loads as columns with each distinct text stored once, which keeps season lists small."""
    columns, words = [], {}
    for c in range(len(loads.columns)):
        values = [r[c] for r in loads.rows]
        if loads.digits[c] is None and len(distinct := list(dict.fromkeys(values))) < len(values) / 2:
            index = {v: i for i, v in enumerate(distinct)}
            words[c] = [NO_VALUE if v is None else v for v in distinct]
            values = [index[v] for v in values]
        columns.append(values)
    return embedded(
        {
            "columns": columns,
            "words": words,
            "marks": loads.marks,
            "digits": loads.digits,
            "named": loads.named,
            "rows": len(loads.rows),
        }
    )


def _inline_map(block: DistrictMap) -> Markup:
    if block.drawing is None:
        return Markup("")
    return district_svg(block.drawing, block.title, interactive=True, has_rows=block.has_links)


def write_page(page: Page, path: Path, formats: OutputFormats = HTML) -> list[Path]:
    """Write a page as HTML, and as PDF and workbook if requested; return the paths, HTML first."""
    charts = [] if page.static else [f.chart for f in page.figures if f.chart is not None]
    has_map = any(isinstance(b, DistrictMap) for b in page.walk())
    paths = [
        render(
            "page.html.j2",
            path,
            page=page,
            chart_json=_chart_json,
            loads_json=_loads_json,
            picture=_inline_picture,
            district_svg=_inline_map,
            map_script=Markup(own_file("district_map.js")) if has_map else "",  # noqa: S704  our own file
            shared={c.shared: embedded(c.spec) for c in charts if c.shared},
            script=Markup(script_bundle()) if charts else "",  # noqa: S704  our own bundle
            page_script=Markup(own_file("page.js")),  # noqa: S704  our own file
        )
    ]
    if formats.pdf:
        paths.append(write_pdf(page, path.with_suffix(".pdf")))
    if formats.xlsx:
        paths.append(write_workbook(page, path.with_suffix(".xlsx")))
    return paths
