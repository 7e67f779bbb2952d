"""One class of the guide for one machine type: values to set with changes in bold, and the evidence."""

from typing import Any

import polars as pl

from reports.charts.cost_curve import cost_curve
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import capital, conditions_label, interval, setting_label
from reports.language.precision import money_range, plain_money, setting_value
from reports.language.reason_text import row_reason
from reports.language.translate import say, say_n, translated
from reports.page.model import Figure, Fold, Prose, SmallMultiples
from reports.page.tables import Cell, Column, Table, build_table, number_cell, text_cell
from reports.pages.guide_values import is_change, money_span, value_range, value_to_set
from transforms.config.settings_catalogue import Catalogue
from transforms.contracts.naming import safe_name

CLASS = ["generation", "wetness_class", "soil_class"]


def _curve(
    r: dict[str, Any], name: str, curves: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits
) -> Figure | None:
    """Return the chart of one setting's cost; None if no tried value clearly differs from the best."""
    own = curves.filter(pl.col("setting") == r["setting"])
    if own.height < 3 or r["reason_code"] == "no_clear_optimum":
        return None
    factor, offset = shown.straight(r["unit"])
    values = own.select(
        "value",
        *(
            (pl.col(c) * shown.per_tonne).alias(a)
            for c, a in (("cost_change_per_t", "change"), ("lo95", "lo"), ("hi95", "hi"))
        ),
        ((pl.col("value") - r["start_value"]).abs() < 1e-9).alias("chosen"),
    )
    setting, worst = catalogue[r["setting"]], values.sort("change").row(-1, named=True)
    label = setting_label(r["setting"], catalogue)
    start = setting_value(r["start_value"], setting, shown)
    if worst["change"] > 0:
        finding = say(
            "{setting}: start at {start}; {worst} costs about {more} {unit} more ({span}).",
            setting=capital(label),
            start=start,
            worst=setting_value(worst["value"], setting, shown),
            more=plain_money(worst["change"]),
            unit=shown.money_per_t,
            span=money_range(worst["lo"], worst["hi"]),
        )
    else:
        finding = say("{setting}: start at {start}; no other value costs more.", setting=capital(label), start=start)
    return Figure(
        f"{name}-{r['setting']}",
        finding,
        "",
        cost_curve(values.with_columns(pl.col("value") * factor + offset), shown.money_per_t),
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
                lambda r: text_cell(setting_value(r["value"], catalogue[r["setting"]], shown)),
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
    """Return the settings of one class with their usual values: changes first, and they alone in bold."""
    rows = sorted(settings.iter_rows(named=True), key=lambda r: not is_change(r, catalogue, shown))

    def to_set(r: dict[str, Any]) -> Cell:
        value = value_to_set(r, catalogue, shown)
        return Cell(
            setting_value(value, catalogue[r["setting"]], shown),
            shown.convert(value, r["unit"]),
            strong=is_change(r, catalogue, shown),
        )

    return build_table(
        f"{name}-table",
        say("guide {class_}", class_=class_),
        (
            Column(say("Setting"), lambda r: text_cell(capital(setting_label(r["setting"], catalogue)))),
            Column(say("Set"), to_set),
            Column(
                say("Usual"),
                lambda r: text_cell(setting_value(r["usual_value"], catalogue[r["setting"]], shown)),
            ),
        ),
        rows,
        fits_phone=True,
    )


def _range_table(name: str, class_: str, settings: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> Table:
    return build_table(
        f"{name}-ranges",
        say("ranges {class_}", class_=class_),
        (
            Column(say("Setting"), lambda r: text_cell(capital(setting_label(r["setting"], catalogue)))),
            Column(say("Equally good"), lambda r: text_cell(value_range(r, "range_lo", "range_hi", catalogue, shown))),
            Column(say("Tried"), lambda r: text_cell(value_range(r, "tried_lo", "tried_hi", catalogue, shown))),
            Column(say("Unit"), lambda r: text_cell(shown.sign(r["unit"])), numeric=False),
            Column("n", lambda r: number_cell(r["n"], 0)),
            Column(say("Note"), lambda r: text_cell(row_reason(r, catalogue)), numeric=False, wrap=True),
        ),
        settings.iter_rows(named=True),
    )


def _expected(cell: dict[str, Any], shown: DisplayUnits) -> str:
    return say(
        "Expected: dirt {dirt} % ({dirt_span}), root loss {loss} ({loss_lo} to {loss_hi}), cost {cost}. n = {n} loads "
        "of the fleet.",
        dirt=number(cell["dirt_pct"]),
        dirt_span=interval(cell["dirt_lo95"], cell["dirt_hi95"], 1),
        loss=shown.quantity(cell["root_loss_t_ha"], "t/ha"),
        loss_lo=shown.quantity(cell["root_loss_lo95"], "t/ha"),
        loss_hi=shown.quantity(cell["root_loss_hi95"], "t/ha"),
        cost=money_span(cell, ("cost_per_t", "cost_lo95", "cost_hi95"), shown),
        n=number(cell["n"], 0),
    )


def _summary(cell: dict[str, Any], changes: int, all_: int, shown: DisplayUnits) -> str:
    """Return the line of a class: its conditions, the changes and the saving."""
    words = {
        "generation": cell["generation"],
        "conditions": conditions_label(cell["wetness_class"], cell["soil_class"]),
    }
    if not changes:
        return say("Type {generation}, {conditions}: keep the usual settings", **words)
    return say_n(
        "Type {generation}, {conditions}: change {n} of {all}, saves {saved}",
        "Type {generation}, {conditions}: change {n} of {all}, saves {saved}",
        changes,
        all=all_,
        saved=money_span(cell, ("saved_per_t", "saved_lo95", "saved_hi95"), shown),
        **words,
    )


def _class_words(cell: dict[str, Any]) -> str:
    """Return generation and conditions in few words, because names of worksheets are short."""
    return say(
        "{generation}, {wetness}, {soil}",
        generation=cell["generation"],
        wetness=translated(cell["wetness_class"]),
        soil=translated(cell["soil_class"]),
    )


def class_fold(
    cell: dict[str, Any], settings: pl.DataFrame, curves: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits
) -> Fold:
    """Return one class for one generation, initially open: the page's filter shows one class at a time.

    Args:
        cell: row of `guide_class`.
        settings: rows of `guide` of the class and generation.
        curves: rows of `guide_curve` likewise.
        catalogue: settings with labels and steps.
        shown: displayed units.
    """
    marks = {"wetness": cell["wetness_class"], "soil": cell["soil_class"]}
    if cell["dirt_pct"] is None:
        summary = say(
            "Type {generation}, {conditions}: {reason}",
            generation=cell["generation"],
            conditions=conditions_label(cell["wetness_class"], cell["soil_class"]),
            reason=row_reason(cell, catalogue),
        )
        return Fold(summary, (), marks=marks)
    name, class_ = "-".join(safe_name(str(cell[k])) for k in CLASS), _class_words(cell)
    changes = sum(is_change(r, catalogue, shown) for r in settings.iter_rows(named=True))
    evidence: list[Any] = [
        Prose(_expected(cell, shown)),
        _range_table(name, class_, settings, catalogue, shown),
    ]
    small = [f for r in settings.iter_rows(named=True) if (f := _curve(r, name, curves, catalogue, shown))]
    if small:
        drawn = curves.filter(pl.col("setting").is_in([f.id.removeprefix(f"{name}-") for f in small]))
        reading = say(
            "Dot: start value. Line and band: extra cost at another value, mean and 95 % interval, with the other "
            "settings as in the guide. Settings left at their usual value are not shown."
        )
        evidence += [Prose(reading), SmallMultiples(tuple(small), _curve_table(name, class_, drawn, catalogue, shown))]
    blocks = (
        guide_table(name, class_, settings, catalogue, shown),
        Fold(say("Ranges, expected cost and other values"), tuple(evidence)),
    )
    return Fold(_summary(cell, changes, settings.height, shown), blocks, open=True, marks=marks)
