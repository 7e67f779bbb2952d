"""PDF output, compiled offline by Typst from the same page model as the HTML; charts become pictures."""

import json
import re
from dataclasses import asdict
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import typst
import vl_convert

from reports.language.bidi import without_overrides
from reports.language.translate import chart_locales, language_key, locale, say
from reports.page.district_map import DistrictMap
from reports.page.map_svg import district_svg
from reports.page.model import Card, Cards, Chart, Figure, Filters, Fold, LoadList, Page, Prose, Section, SmallMultiples
from reports.page.plain_marks import NotPlainError, PlainMarks
from reports.page.summary import BarRows, Grid, PageLinks, PartBar, Strip, Tiles
from reports.page.tables import Table

PAPER_WIDTH = 680
"""Width in pixels at which a chart is drawn before it is scaled to the paper."""
COLUMN_WIDTH = 330
"""Width in pixels of a chart in one of two columns; its text is as large as in a full-width chart."""
PAPER_FONT = "DejaVu Sans, sans-serif"
"""Font of charts on paper: that of the page, so that the widths measured for the layout are those printed."""
MAX_PRINTED_ROWS = 24
"""A table behind a chart or in a fold with more rows than this is left to the HTML page and the workbook."""


def _fixed_width(spec: Any, width: int) -> Any:
    """Return a specification in which every width that fills its container is replaced by a fixed width."""
    if isinstance(spec, dict):
        return {
            k: width if k == "width" and v == "container" else _fixed_width(v, width)
            for k, v in spec.items()
            if k != "autosize"
        }
    return [_fixed_width(v, width) for v in spec] if isinstance(spec, list) else spec


@lru_cache(maxsize=64)
def _compiled(spec_json: str) -> dict[str, Any]:
    """Return a specification compiled to Vega, without data; charts that share one are compiled once."""
    compiled: dict[str, Any] = vl_convert.vegalite_to_vega(spec_json)
    return compiled


def picture(chart: Chart, width: int, font: str | None = None) -> bytes:
    """Return a chart as SVG.

    Args:
        chart: specification and data.
        width: width in pixels.
        font: font of all texts; that of the theme if None.
    """
    spec = _fixed_width(chart.sized, width)
    # The alternative text beside the picture describes it; the library's own screen reader texts are English only.
    spec["config"] = {**spec["config"], "aria": False} | ({"font": font} if font else {})
    compiled, rows = _compiled(json.dumps(spec)), chart.datasets
    sources = [{**d, "values": rows[d["name"]]} if d["name"] in rows else d for d in compiled["data"]]
    try:
        svg = _on_axes(PlainMarks(compiled, rows)) if chart.shares_axes else _drawn({**compiled, "data": sources})
    except NotPlainError:
        svg = _drawn({**compiled, "data": sources})
    return without_overrides(svg).encode()


def _drawn(compiled: dict[str, Any]) -> str:
    locales = chart_locales()
    svg: str = vl_convert.vega_to_svg(compiled, format_locale=locales["number"], time_format_locale=locales["time"])
    return svg


@lru_cache(maxsize=256)
def _axes(compiled_json: str, language: str) -> str:  # noqa: ARG001 - part of the key
    """Return the axes of a compiled chart without marks, drawn once for all charts of the same domains."""
    return _drawn(json.loads(compiled_json))


def _on_axes(marks: PlainMarks) -> str:
    """Return a chart as SVG: marks in the empty groups of its axes."""
    svg = _axes(json.dumps(marks.without_rows()), language_key())
    for name, svg_marks in marks.groups().items():
        parts = re.split(rf'(<g class="[^"]* {name}"[^>]*)/>', svg)
        if len(parts) != 3:
            raise NotPlainError(f"group {name}")
        svg = f"{parts[0]}{parts[1]}>{svg_marks}</g>{parts[2]}"
    return svg


def _table(t: Table) -> dict[str, Any]:
    return {
        "kind": t.kind,
        "caption": t.caption or t.name,
        "columns": [{"head": c.head, "numeric": c.numeric, "wrap": c.wrap} for c in t.columns],
        "rows": [[{"text": c.text, "strong": c.strong, "is_pale": c.is_pale} for c in r.cells] for r in t.rows],
    }


class _Paper:
    """Converter from blocks to the input of the Typst template; renders their charts."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.folded = 0
        self.width = PAPER_WIDTH

    def block(self, b: Any) -> dict[str, Any] | None:  # noqa: C901, PLR0911, PLR0912  one case per kind of block
        match b:
            case Prose():
                return {"kind": b.kind, "text": b.text, "note": b.note}
            case Table():
                return _table(b) if not self.folded or len(b.rows) <= MAX_PRINTED_ROWS else self._left_out(b)
            case Figure():
                name = f"{b.id}.svg" if b.chart is not None else None
                if b.chart is not None:
                    self.files[f"{b.id}.svg"] = picture(b.chart, self.width, PAPER_FONT)
                return {
                    "kind": b.kind,
                    "finding": b.finding,
                    "reading": b.reading,
                    "picture": name,
                    "alt": b.alt,
                    "table": _table(b.table) if b.table else None,
                    "printed": b.on_paper and b.table is not None and len(b.table.rows) <= MAX_PRINTED_ROWS,
                }
            case DistrictMap():
                return self._map(b)
            case SmallMultiples():
                return {"kind": b.kind, "key": [asdict(k) for k in b.key], "blocks": self.in_columns(b.blocks)}
            case Fold() if not b.on_paper:
                return None
            case Fold():
                self.folded += 1
                converted = {"kind": b.kind, "summary": b.summary, "blocks": self.blocks(b.blocks)}
                self.folded -= 1
                return converted
            case Card():
                moves = [{"words": m.words, "lines": list(m.lines)} for m in b.moves]
                return {
                    "kind": b.kind,
                    "title": b.title,
                    "badge": b.badge,
                    "lines": list(b.lines),
                    "moves": moves,
                    "blocks": self.blocks(b.blocks),
                }
            case Cards():
                return {"kind": b.kind, "cards": self.in_columns(b.cards)}
            case Tiles() | BarRows() | Strip() | PartBar() | Grid():
                return {"kind": b.kind, **asdict(b)}
            case PageLinks():
                return {"kind": b.kind, **asdict(b)} if b.on_paper else None
            case Filters() | LoadList():
                return None
        raise TypeError(f"{type(b).__name__} is not a page block: add a case for it to reports/page/pdf.py")

    def _map(self, b: DistrictMap) -> dict[str, Any]:
        name = f"{b.id}.svg" if b.drawing is not None else None
        if b.drawing is not None:
            svg = district_svg(b.drawing, b.title, interactive=False)
            self.files[f"{b.id}.svg"] = without_overrides(svg).encode()
        return {
            "kind": b.kind,
            "finding": b.finding,
            "reading": b.reading,
            "notes": list(b.notes),
            "picture": name,
            "alt": f"{b.title}. {b.finding}",
            "is-small": b.is_small,
        }

    @staticmethod
    def _left_out(t: Table) -> dict[str, Any]:
        text = say("{name}: {n} rows; see the web page or the workbook.", name=t.name, n=len(t.rows))
        return {"kind": "prose", "text": text, "note": False}

    def blocks(self, blocks: tuple[Any, ...]) -> list[dict[str, Any]]:
        return [converted for converted in map(self.block, blocks) if converted is not None]

    def in_columns(self, blocks: tuple[Any, ...]) -> list[dict[str, Any]]:
        """Return blocks in two columns, with narrow charts."""
        full_width, self.width = self.width, COLUMN_WIDTH
        converted = self.blocks(blocks)
        self.width = full_width
        return converted

    def section(self, s: Section) -> dict[str, Any]:
        return {"title": s.title, "blocks": self.blocks(s.blocks), "new-page": s.new_page}


def write_pdf(page: Page, path: Path) -> Path:
    """Write a page as PDF and return its path; lists of loads and filters are in the HTML and the workbook only."""
    paper = _Paper()
    content = {
        "title": page.title,
        "when": page.when,
        "lead": page.lead,
        "caution": page.caution,
        "lang": locale().language,
        "sections": [paper.section(s) for s in page.sections],
        "footer": list(page.footer),
        "cab-cards": [asdict(c) for c in page.cab_cards],
    }
    return compile_pdf("page.typ", content, path, paper.files)


def compile_pdf(template: str, content: dict[str, Any], path: Path, pictures: dict[str, bytes] | None = None) -> Path:
    """Write a PDF from a Typst template of `reports/templates/` and return its path.

    Args:
        template: file name of the template, which reads the content from `page.json`.
        content: texts and numbers; strings are never interpreted as markup.
        path: file to write.
        pictures: name -> content of further files that the template reads.
    """
    inputs = {
        "main.typ": files("reports").joinpath("templates").joinpath(template).read_bytes(),
        "page.json": without_overrides(json.dumps(content, ensure_ascii=False)).encode(),
        **(pictures or {}),
    }
    compiled = typst.compile(inputs, format="pdf")  # type: ignore[call-overload]
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_suffix(".partial")
    partial.write_bytes(compiled)
    return partial.replace(path)
