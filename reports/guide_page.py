"""The setting guide as one page, and a card a generation that fits one sheet of paper."""

from pathlib import Path
from typing import Any

import polars as pl
from markupsafe import Markup

from reports.charts.cost_curve import cost_curve
from reports.money import assumption_words, price_rows
from reports.page import render
from reports.units import Shown, number
from reports.words import CAUTION, interval
from transforms.catalogue import Catalogue
from transforms.warehouse import Warehouse
from transforms.workspace import Season

ORDER = ("dry", "moist", "wet")
SOILS = ("light", "medium", "heavy")
WHOLE = 0.05
CLASS = ["generation", "wetness_class", "soil_class"]


def _bare(value: float, unit: str, shown: Shown) -> str:
    """A value as it would be set: whole where it is whole."""
    v = shown.convert(value, unit)
    if shown.sign(unit) == "in":
        return number(v, 2)
    return number(v, 0 if abs(v - round(v)) < WHOLE else 1)


def _value(value: float, unit: str, shown: Shown) -> str:
    return f"{_bare(value, unit, shown)} {shown.sign(unit)}"


def _span(row: dict[str, Any], low: str, high: str, shown: Shown) -> str:
    if row[low] is None:
        return "–"
    return f"{_bare(row[low], row['unit'], shown)} to {_bare(row[high], row['unit'], shown)}"


def _curves(rows: pl.DataFrame, settings: pl.DataFrame, catalogue: Catalogue, shown: Shown) -> Markup:
    start = dict(settings.select("setting", "start_value").iter_rows())
    tonne = shown.convert(1.0, "t")
    table = pl.DataFrame([
        {"label": f"{catalogue[r['setting']].label}, {shown.sign(catalogue[r['setting']].unit)}",
         "value": shown.convert(r["value"], catalogue[r["setting"]].unit), "change": r["cost_change_per_t"] / tonne,
         "lo": r["lo95"] / tonne, "hi": r["hi95"] / tonne,
         "chosen": abs(r["value"] - start[r["setting"]]) < 1e-9}
        for r in rows.iter_rows(named=True)
    ])  # fmt: skip
    return Markup(cost_curve(table, shown.money_per_t))  # noqa: S704  our own picture


def _block(
    cell: dict[str, Any], settings: pl.DataFrame, curves: pl.DataFrame, catalogue: Catalogue, shown: Shown
) -> dict[str, Any]:
    rows = [
        {
            "label": catalogue[r["setting"]].label,
            "start": _value(r["start_value"], r["unit"], shown),
            "range": _span(r, "range_lo", "range_hi", shown),
            "usual": _value(r["usual_value"], r["unit"], shown),
            "tried": _span(r, "tried_lo", "tried_hi", shown),
            "n": number(r["n"], 0),
            "says": r["says"],
        }
        for r in settings.iter_rows(named=True)
    ]
    told = cell["dirt_pct"] is not None
    return {
        **cell,
        "title": f"{cell['wetness_class'].capitalize()} topsoil, {cell['soil_class']} soil",
        "rows": rows,
        "loads": number(cell["n"], 0),
        "dirt": f"{number(cell['dirt_pct'])} % ({interval(cell['dirt_lo95'], cell['dirt_hi95'], 1)})" if told else "",
        "loss": f"{shown.quantity(cell['root_loss_t_ha'], 't/ha')} ({shown.quantity(cell['root_loss_lo95'], 't/ha')} "
        f"to {shown.quantity(cell['root_loss_hi95'], 't/ha')})" if told else "",
        "saved": f"{shown.per_t(cell['saved_per_t'])} {shown.money_per_t} ({shown.per_t(cell['saved_lo95'])} to "
        f"{shown.per_t(cell['saved_hi95'])})" if told else "",
        "cost": f"{shown.per_t(cell['cost_per_t'])} {shown.money_per_t} ({shown.per_t(cell['cost_lo95'])} to "
        f"{shown.per_t(cell['cost_hi95'])})" if told else "",
        "curves": _curves(curves, settings, catalogue, shown) if curves.height else None,
    }  # fmt: skip


def _blocks(warehouse: Warehouse, season: Season, shown: Shown) -> dict[str, list[dict[str, Any]]]:
    classes, settings, curves = (warehouse.table(n) for n in ("guide_class", "guide", "guide_curve"))
    out: dict[str, list[dict[str, Any]]] = {}
    for cell in classes.iter_rows(named=True):
        mine = pl.all_horizontal(pl.col(c) == cell[c] for c in CLASS)
        block = _block(cell, settings.filter(mine), curves.filter(mine), season.catalogue, shown)
        out.setdefault(cell["generation"], []).append(block)
    return out


def _card(blocks: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Settings down, classes across: where to start, and the range in small print."""
    labels = list(dict.fromkeys(r["label"] for b in blocks for r in b["rows"]))
    by = {(b["wetness_class"], b["soil_class"]): {r["label"]: r for r in b["rows"]} for b in blocks}
    return [
        {"label": label, "cells": [by.get((w, s), {}).get(label) for w in ORDER for s in SOILS]} for label in labels
    ]


def write_guide(warehouse: Warehouse, season: Season, out: Path) -> list[Path]:
    """Write `guide.html` and `card-GENERATION.html` for each generation; return their paths, the guide first."""
    shown = Shown(season.units, season.currency, season.time_zone)
    blocks = _blocks(warehouse, season, shown)
    common = {
        "season": season, "shown": shown, "caution": CAUTION, "assumptions": assumption_words(season),
        "prices": price_rows(season), "wetnesses": ORDER, "soils": SOILS,
    }  # fmt: skip
    paths = [render("guide.html.j2", out / "guide.html", generations=blocks, finding=_finding(blocks), **common)]
    for i, (generation, mine) in enumerate(blocks.items(), start=1):
        name = "".join(c if c.isalnum() else "-" for c in generation) or str(i)
        paths.append(
            render("card.html.j2", out / f"card-{name}.html", generation=generation, rows=_card(mine), **common)
        )
    return paths


def _finding(blocks: dict[str, list[dict[str, Any]]]) -> str:
    every = [b for mine in blocks.values() for b in mine]
    told = [b for b in every if b["dirt_pct"] is not None]
    if not told:
        return "There is no guide yet: no class of conditions has loads enough."
    best = max(told, key=lambda b: b["saved_per_t"])
    return (
        f"{len(told)} of {len(every)} classes have loads enough for a guide. Most is to be saved against the usual "
        f"settings on generation {best['generation']} in {best['wetness_class']} topsoil on {best['soil_class']} soil: "
        f"{best['saved']}."
    )
