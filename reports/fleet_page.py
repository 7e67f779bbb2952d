"""The fleet compared: funnel and ranks of machines, operators, growers and fields."""

from pathlib import Path
from typing import Any

import polars as pl

from reports.charts.funnel import funnel
from reports.page import embedded, render
from reports.units import NOTHING, Shown, number
from reports.words import CAUTION, interval
from transforms.catalogue import DIRT, ROOT_LOSS, TOPS
from transforms.warehouse import Warehouse
from transforms.workspace import Season

RESPONSES = {DIRT: ("dirt tare", "points"), ROOT_LOSS: ("root loss", "t/ha"), TOPS: ("top tare", "points")}
COUNTED = {DIRT: "measured loads", ROOT_LOSS: "dig-behind plots", TOPS: "measured loads"}
KINDS = ("machine", "operator", "grower", "field", "season")


def _converted(rows: pl.DataFrame, response: str, shown: Shown) -> tuple[pl.DataFrame, str]:
    """Rows in the units shown, and the unit."""
    if response != ROOT_LOSS:
        return rows, RESPONSES[response][1]
    factor = shown.convert(1.0, "t/ha")
    floats = [c for c, t in rows.schema.items() if t == pl.Float64 and c != "overdispersion"]
    return rows.with_columns(pl.col(floats) * factor), shown.sign("t/ha")


def _finding(rows: pl.DataFrame, kind: str, unit: str) -> str:
    told = rows.drop_nulls("shrunken").sort("shrunken")
    if not told.height:
        return f"No {kind} is compared: {rows['says'][0]}."
    apart = told.filter((pl.col("shrunken_lo95") > 0) | (pl.col("shrunken_hi95") < 0))
    counted = f"{told.height} of {rows.height} compared"
    if not apart.height:
        return f"{counted}; none is clearly apart from the middle."
    ends = [f"highest {_end(apart, -1, unit)}"] if apart["shrunken"][-1] > 0 else []
    ends += [f"lowest {_end(apart, 0, unit)}"] if apart["shrunken"][0] < 0 else []
    return f"{counted}; {apart.height} clearly apart from the middle: {', '.join(ends)}."


def _end(apart: pl.DataFrame, at: int, unit: str) -> str:
    r = apart.row(at, named=True)
    span = interval(r["shrunken_lo95"], r["shrunken_hi95"], 2)
    return f"{r['subject_id']}, {number(r['shrunken'], 2, sign=True)} {unit} ({span})"


def _row(r: dict[str, Any]) -> dict[str, str]:
    ranked = NOTHING if r["rank"] is None else f"{r['rank']} ({r['rank_lo95']} to {r['rank_hi95']} of {r['subjects']})"
    told = r["observed"] is not None
    return {
        "who": r["subject_id"], "observed": number(r["observed"], 2), "expected": number(r["expected"], 2),
        "settings": number(r["from_settings"], 2, sign=True), "unexplained": number(r["unexplained"], 2, sign=True),
        "own": f"{number(r['shrunken'], 2, sign=True)} ({interval(r['shrunken_lo95'], r['shrunken_hi95'], 2)})"
        if told else NOTHING,
        "rank": ranked, "limits": r["funnel"] or NOTHING, "n": number(r["n"], 0), "says": "" if told else r["says"],
    }  # fmt: skip


def write_fleet(warehouse: Warehouse, season: Season, out: Path) -> Path:
    """Write the page and return its path."""
    shown = Shown(season.units, season.currency, season.time_zone)
    table, blocks = warehouse.table("benchmark"), []
    for response, (words, _) in RESPONSES.items():
        for kind in KINDS:
            rows = table.filter((pl.col("response") == response) & (pl.col("subject_kind") == kind))
            if not rows.height:
                continue
            rows, unit = _converted(rows.sort("shrunken", nulls_last=True), response, shown)
            told = rows.drop_nulls("unexplained")
            drawn = told.height > 2 and kind != "season"
            blocks.append({
                "id": f"{response}-{kind}", "title": f"{words.capitalize()} by {kind}", "unit": unit,
                "finding": _finding(rows, kind, unit), "open": kind == "machine" and response == DIRT,
                "spec": embedded(funnel(told, unit, COUNTED[response])) if drawn else None,
                "rows": [_row(r) for r in rows.iter_rows(named=True)],
            })  # fmt: skip
    return render("fleet.html.j2", out / "fleet.html", season=season, shown=shown, caution=CAUTION, blocks=blocks,
                  least=season.advice.min_loads)  # fmt: skip
