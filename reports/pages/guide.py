"""Setting guide as a page, and one card per machine generation that fits on a sheet of paper."""

from pathlib import Path
from typing import Any

import polars as pl

from reports.charts.cost_curve import cost_curve
from reports.language.basis_messages import earlier_note
from reports.language.display_units import NO_VALUE, DisplayUnits, number
from reports.language.labels import capital, conditions_label, format_setting_value, interval, setting_label
from reports.language.reason_text import row_reason
from reports.language.translate import say, translated, use_language
from reports.page.formats import HTML, OutputFormats
from reports.page.html import render, write_page
from reports.page.model import Figure, Filters, Fold, Page, Prose, Section, SmallMultiples
from reports.page.tables import Cell, Column, Table, build_table, number_cell, text_cell
from reports.pages.guide_data import GuidePageData
from reports.sections.cautions import CAUTION
from reports.sections.data_health import footer, health_section
from reports.sections.prices import assumption_words, price_section
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Season
from transforms.contracts.classes import SOIL_CLASSES, WETNESS_CLASSES
from transforms.contracts.naming import safe_name
from transforms.storage.product_basis import GUIDE

CLASS = ["generation", "wetness_class", "soil_class"]


def _span(row: dict[str, Any], low: str, high: str, shown: DisplayUnits) -> str:
    if row[low] is None:
        return NO_VALUE
    sign = shown.sign(row["unit"])
    lo, hi = (format_setting_value(row[k], row["unit"], shown).removesuffix(f" {sign}") for k in (low, high))
    return say("{lo} to {hi}", lo=lo, hi=hi)


def money_span(cell: dict[str, Any], keys: tuple[str, str, str], shown: DisplayUnits) -> str:
    """Return money per tonne with its interval."""
    value, low, high = (shown.per_t(cell[k]) for k in keys)
    return say("{value} {unit} ({lo} to {hi})", value=value, unit=shown.money_per_t, lo=low, hi=high)


def _curve(
    r: dict[str, Any], name: str, curves: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits
) -> Figure | None:
    """Return the chart of one setting's cost; None if no tried value clearly differs from the best."""
    own = curves.filter(pl.col("setting") == r["setting"])
    if own.height < 3 or r["reason_code"] == "no_clear_optimum":
        return None
    factor, offset = shown.straight(r["unit"])
    values = own.select(
        (pl.col("value") * factor + offset).alias("value"),
        *(
            (pl.col(c) * shown.per_tonne).alias(a)
            for c, a in (("cost_change_per_t", "change"), ("lo95", "lo"), ("hi95", "hi"))
        ),
        ((pl.col("value") - r["start_value"]).abs() < 1e-9).alias("chosen"),
    )
    worst = values.sort("change").row(-1, named=True)
    label = setting_label(r["setting"], catalogue)
    finding = say(
        "{setting}: start at {start}; at {worst} it costs {more} {unit} more ({span}).",
        setting=capital(label),
        start=format_setting_value(r["start_value"], r["unit"], shown),
        worst=number(worst["value"], 1),
        more=number(worst["change"], 2),
        unit=shown.money_per_t,
        span=interval(worst["lo"], worst["hi"], 2),
    )
    return Figure(
        f"{name}-{r['setting']}",
        finding,
        "",
        cost_curve(values, shown.money_per_t),
        say("Extra cost of {setting} away from its start value", setting=label),
        None,
    )


def _curve_table(name: str, class_: str, curves: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> Table:
    t = shown.per_tonne
    return build_table(
        f"{name}-off",
        say("extra cost, {class_}", class_=class_),
        (
            Column(say("Setting"), lambda r: text_cell(setting_label(r["setting"], catalogue))),
            Column(
                say("Value"),
                lambda r: text_cell(format_setting_value(r["value"], catalogue[r["setting"]].unit, shown)),
                numeric=False,
            ),
            Column(
                say("Extra cost, {unit}", unit=shown.money_per_t),
                lambda r: number_cell(r["cost_change_per_t"] * t, 2, r["lo95"] * t, r["hi95"] * t, sign=True),
            ),
        ),
        curves.iter_rows(named=True),
    )


def guide_table(name: str, class_: str, settings: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> Table:
    """Return the table of settings of one class."""
    return build_table(
        f"{name}-table",
        say("guide {class_}", class_=class_),
        (
            Column(say("Setting"), lambda r: text_cell(setting_label(r["setting"], catalogue))),
            Column(
                say("Start at"),
                lambda r: Cell(
                    format_setting_value(r["start_value"], r["unit"], shown),
                    shown.convert(r["start_value"], r["unit"]),
                    strong=True,
                ),
            ),
            Column(say("Equally good"), lambda r: text_cell(_span(r, "range_lo", "range_hi", shown))),
            Column(say("Usual"), lambda r: text_cell(format_setting_value(r["usual_value"], r["unit"], shown))),
            Column(say("Tried"), lambda r: text_cell(_span(r, "tried_lo", "tried_hi", shown))),
            Column("n", lambda r: number_cell(r["n"], 0)),
            Column(say("Note"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
        ),
        settings.iter_rows(named=True),
    )


def _class_fold(
    cell: dict[str, Any], settings: pl.DataFrame, curves: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits
) -> Fold:
    title = capital(conditions_label(cell["wetness_class"], cell["soil_class"]))
    marks = {"wetness": cell["wetness_class"], "soil": cell["soil_class"]}
    if cell["dirt_pct"] is None:
        return Fold(
            say("{conditions}: {reason}", conditions=title, reason=row_reason(cell, catalogue)), (), marks=marks
        )
    name, class_ = ("-".join(f(str(cell[k])) for k in CLASS) for f in (safe_name, str))
    saved = money_span(cell, ("saved_per_t", "saved_lo95", "saved_hi95"), shown)
    expected = say(
        "Expected dirt {dirt} % ({dirt_span}), root loss {loss} ({loss_lo} to {loss_hi}), cost {cost}; saving "
        "against the usual settings {saved}. n = {n} loads of the fleet.",
        dirt=number(cell["dirt_pct"]),
        dirt_span=interval(cell["dirt_lo95"], cell["dirt_hi95"], 1),
        loss=shown.quantity(cell["root_loss_t_ha"], "t/ha"),
        loss_lo=shown.quantity(cell["root_loss_lo95"], "t/ha"),
        loss_hi=shown.quantity(cell["root_loss_hi95"], "t/ha"),
        cost=money_span(cell, ("cost_per_t", "cost_lo95", "cost_hi95"), shown),
        saved=saved,
        n=number(cell["n"], 0),
    )
    small = [f for r in settings.iter_rows(named=True) if (f := _curve(r, name, curves, catalogue, shown))]
    blocks: list[Any] = [Prose(expected), guide_table(name, class_, settings, catalogue, shown)]
    if small:
        drawn = curves.filter(pl.col("setting").is_in([f.id.removeprefix(f"{name}-") for f in small]))
        reading = say(
            "Dot: start value. Line and band: extra cost at another value, mean and 95 % interval, with the other "
            "settings as in the guide. Settings left at their usual value are not shown."
        )
        inside = (Prose(reading), SmallMultiples(tuple(small), _curve_table(name, class_, drawn, catalogue, shown)))
        blocks.append(Fold(say("Extra cost of other values"), inside))
    return Fold(say("{conditions}: saves {saved}", conditions=title, saved=saved), tuple(blocks), marks=marks)


def _sections(data: GuidePageData, catalogue: Catalogue, shown: DisplayUnits) -> list[Section]:
    out: dict[str, list[Fold]] = {}
    for cell in data.classes.iter_rows(named=True):
        in_class = pl.all_horizontal(pl.col(c) == cell[c] for c in CLASS)
        fold = _class_fold(cell, data.settings.filter(in_class), data.curves.filter(in_class), catalogue, shown)
        out.setdefault(cell["generation"], []).append(fold)
    return [
        Section(f"generation-{i}", say("Machines of generation {name}", name=name), tuple(folds))
        for i, (name, folds) in enumerate(out.items(), start=1)
    ]


def guide_finding(classes: pl.DataFrame, shown: DisplayUnits) -> str:
    """Return a sentence on the classes covered by the guide and the class with the largest saving."""
    known = classes.drop_nulls("saved_per_t")
    if not known.height:
        return say("There is no guide yet: no class of conditions has enough loads.")
    best = known.sort("saved_per_t").row(-1, named=True)
    return say(
        "{covered} of {all} classes have enough loads for a guide. The largest saving against the usual settings is on "
        "generation {generation} in {conditions}: {saved}.",
        covered=known.height,
        all=classes.height,
        generation=best["generation"],
        conditions=conditions_label(best["wetness_class"], best["soil_class"]),
        saved=money_span(best, ("saved_per_t", "saved_lo95", "saved_hi95"), shown),
    )


def guide_page(data: GuidePageData, season: Season) -> Page:
    """Return the guide page."""
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    reading = say(
        "“Start at” is the value with the lowest expected cost per {t} of clean beet for a usual machine and field in "
        "the middle of the class, within the range this fleet has tried there. “Equally good” is the range of values "
        "whose cost does not differ from it with 95 % certainty; if that is nearly the whole tried range, keep the "
        "usual value. Dirt, root loss and cost are means at these settings; 95 % of such visits are within the "
        "figures in brackets. These are measured associations within visits, not promises.",
        t=shown.sign("t"),
    )
    wet, soil = (tuple((c, translated(c)) for c in classes) for classes in (WETNESS_CLASSES, SOIL_CLASSES))
    narrow = Filters({"wetness": (say("Topsoil"), wet), "soil": (say("Soil"), soil)})
    about = (*earlier_note(GUIDE, data.status), Prose(f"{reading} {assumption_words(season)}"), narrow)
    first = Section("reading", say("How to read it"), about, data.status.code)
    return Page(
        say("Where to start: the setting guide"),
        season.name,
        guide_finding(data.classes, shown),
        say(CAUTION) + " " + say("The values are starting points."),
        (
            first,
            *_sections(data, season.catalogue, shown),
            health_section(data.health, season.catalogue, shown),
            price_section(season),
        ),
        footer(data.footer),
    )


def _card_rows(settings: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> list[dict[str, Any]]:
    """Return one row per setting with the start value and the equally good range in each class."""
    by = {(r["setting"], r["wetness_class"], r["soil_class"]): r for r in settings.iter_rows(named=True)}

    def cell(name: str, wet: str, soil: str) -> dict[str, str] | None:
        r = by.get((name, wet, soil))
        if r is None:
            return None
        return {
            "start": format_setting_value(r["start_value"], r["unit"], shown),
            "range": _span(r, "range_lo", "range_hi", shown),
        }

    names = settings["setting"].unique(maintain_order=True).to_list()
    return [
        {"label": setting_label(n, catalogue), "cells": [cell(n, w, s) for w in WETNESS_CLASSES for s in SOIL_CLASSES]}
        for n in names
    ]


def write_guide(data: GuidePageData, season: Season, out: Path, formats: OutputFormats = HTML) -> list[Path]:
    """Write `guide.html` and `card-GENERATION.html` for each generation; return their paths, the guide first."""
    shown = DisplayUnits(season.units, season.currency, season.time_zone)
    with use_language(season.locale, season.texts):
        paths = write_page(guide_page(data, season), out / "guide.html", formats)
        for (generation,) in data.settings.select("generation").unique(maintain_order=True).iter_rows():
            rows = _card_rows(data.settings.filter(pl.col("generation") == generation), season.catalogue, shown)
            paths.append(
                render(
                    "card.html.j2",
                    out / f"card-{safe_name(generation)}.html",
                    season=season,
                    generation=generation,
                    rows=rows,
                    wetnesses=[translated(w) for w in WETNESS_CLASSES],
                    soils=[translated(s) for s in SOIL_CLASSES],
                    caution=say(CAUTION),
                    earlier=earlier_note(GUIDE, data.status),
                    assumptions=assumption_words(season),
                    footer=footer(data.footer),
                )
            )
    return paths
