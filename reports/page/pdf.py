"""A page as a PDF, made offline by Typst from the same parts as its HTML; charts are drawn as pictures."""

import json
from importlib.resources import files
from pathlib import Path
from typing import Any

import typst
import vl_convert

from reports.language.bidi import without_overrides
from reports.language.translate import chart_locales, locale, say
from reports.page.model import Card, Cards, Chart, Figure, Filters, Fold, LoadList, Page, Prose, Section, Small, Table

PAPER_WIDTH = 680
"""Pixels a chart is drawn at before it is fitted to the paper."""
COLUMN_WIDTH = 330
"""Pixels of a chart that is fitted to half of the paper's width: its words are as large as those of a wide one."""
MOST_PRINTED_ROWS = 24
"""A table behind a chart or under a fold with more rows stands in the page and the workbook alone."""


def _fixed_width(spec: Any, width: int) -> Any:
    """A specification for paper: what fills its container on a page gets a width."""
    if isinstance(spec, dict):
        return {
            k: width if k == "width" and v == "container" else _fixed_width(v, width)
            for k, v in spec.items()
            if k != "autosize"
        }
    return [_fixed_width(v, width) for v in spec] if isinstance(spec, list) else spec


def picture(chart: Chart, width: int = PAPER_WIDTH) -> bytes:
    """Return a chart as SVG, so many pixels wide."""
    locales = chart_locales()
    datasets = chart.whole["datasets"]
    spec = {**_fixed_width({k: v for k, v in chart.whole.items() if k != "datasets"}, width), "datasets": datasets}
    # What it shows is said beside it: the drawing library's own words for readers of screens know English alone.
    spec["config"] = {**spec["config"], "aria": False}
    svg: str = vl_convert.vegalite_to_svg(spec, format_locale=locales["number"], time_format_locale=locales["time"])
    return without_overrides(svg).encode()


def _table(t: Table) -> dict[str, Any]:
    return {
        "kind": t.kind,
        "caption": t.caption or t.name,
        "columns": [{"head": c.head, "numeric": c.numeric, "wrap": c.wrap} for c in t.columns],
        "rows": [[{"text": c.text, "strong": c.strong} for c in r.cells] for r in t.rows],
    }


class _Paper:
    """Turns blocks into what the Typst template reads, and draws their charts."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.folded = 0
        self.width = PAPER_WIDTH

    def block(self, b: Any) -> dict[str, Any] | None:  # noqa: PLR0911  one return a kind of block
        match b:
            case Prose():
                return {"kind": b.kind, "text": b.text, "note": b.note}
            case Table():
                return _table(b) if not self.folded or len(b.rows) <= MOST_PRINTED_ROWS else self._left_out(b)
            case Figure():
                name = f"{b.id}.svg" if b.chart is not None else None
                if b.chart is not None:
                    self.files[f"{b.id}.svg"] = picture(b.chart, self.width)
                return {
                    "kind": b.kind,
                    "finding": b.finding,
                    "reading": b.reading,
                    "picture": name,
                    "alt": b.alt,
                    "table": _table(b.table) if b.table else None,
                    "printed": b.table is not None and len(b.table.rows) <= MOST_PRINTED_ROWS,
                }
            case Small():
                return {"kind": b.kind, "blocks": self.in_columns(b.blocks)}
            case Fold():
                self.folded += 1
                made = {"kind": b.kind, "summary": b.summary, "blocks": self.blocks(b.blocks)}
                self.folded -= 1
                return made
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
            case Filters() | LoadList():
                return None
        raise TypeError(f"{type(b).__name__} is no block of a page")

    @staticmethod
    def _left_out(t: Table) -> dict[str, Any]:
        text = say("{name}: {n} rows, in the page and the workbook.", name=t.name, n=len(t.rows))
        return {"kind": "prose", "text": text, "note": False}

    def blocks(self, every: tuple[Any, ...]) -> list[dict[str, Any]]:
        return [made for made in map(self.block, every) if made is not None]

    def in_columns(self, every: tuple[Any, ...]) -> list[dict[str, Any]]:
        """Return blocks that are side by side on paper, with narrow charts."""
        before, self.width = self.width, COLUMN_WIDTH
        made = self.blocks(every)
        self.width = before
        return made

    def section(self, s: Section) -> dict[str, Any]:
        return {"title": s.title, "blocks": self.blocks(s.blocks)}


def write_pdf(page: Page, path: Path) -> Path:
    """Write a page as PDF and return its path; lists of loads and filters are left to the HTML and the workbook."""
    paper = _Paper()
    told = {
        "title": page.title,
        "when": page.when,
        "lead": page.lead,
        "caution": page.caution,
        "lang": locale().language,
        "sections": [paper.section(s) for s in page.sections],
        "footer": list(page.footer),
    }
    template = files("reports").joinpath("templates").joinpath("page.typ").read_bytes()
    inputs = {
        "main.typ": template,
        "page.json": without_overrides(json.dumps(told, ensure_ascii=False)).encode(),
        **paper.files,
    }
    made = typst.compile(inputs, format="pdf")  # type: ignore[call-overload]
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_suffix(".partial")
    partial.write_bytes(made)
    return partial.replace(path)
