"""Curves of a response over the tried range of each setting, by topsoil wetness."""

import json
from typing import Any

import polars as pl

from reports.charts.setting_curve import setting_curve, wetness_key
from reports.language.display_units import DisplayUnits, number
from reports.language.labels import RESPONSES, capital, setting_label
from reports.language.precision import setting_value
from reports.language.translate import say, say_n, translated
from reports.page.model import Figure, Fold, SmallMultiples
from reports.page.tables import Column, Table, build_table, number_cell, text_cell
from transforms.config.settings_catalogue import Catalogue, Setting

BESIDE_USUAL = "change_beside_usual"
"""Reason code of a curve at the usual values of the settings that its setting interacts with."""


def _curve(setting: str, points: pl.DataFrame, key: str, catalogue: Catalogue, shown: DisplayUnits) -> Figure:
    unit = catalogue[setting].unit
    factor, offset = shown.straight(unit)
    drawn = (
        points.filter("tried")
        .drop_nulls("mean")
        .select((pl.col("value") * factor + offset).alias("value"), "wetness_class", "mean", "lo95", "hi95")
        .sort("wetness_class", "value")
    )
    label = capital(setting_label(setting, catalogue))
    return Figure(
        f"curve-{key}-{setting}",
        curve_finding(points, catalogue[setting], shown),
        beside_words(points, catalogue, shown),
        setting_curve(drawn) if drawn.height else None,
        say("Curve of {setting}", setting=label),
        None,
    )


def beside_words(points: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> str:
    """Return a sentence on the settings at whose usual values a curve is drawn; empty if its setting is in no pair.

    Args:
        points: rows of `curve` of one setting.
        catalogue: the settings known.
        shown: units of the page.
    """
    drawn = points.filter(pl.col("reason_code") == BESIDE_USUAL).unique(
        "wetness_class", keep="first", maintain_order=True
    )
    usual: dict[str, list[str]] = {}
    for wetness_class, args in drawn.select("wetness_class", "reason_args").iter_rows():
        for beside in json.loads(args)["beside"]:
            name, value = beside["args"]["setting"], beside["args"]["value"]
            text = say(
                "{value} on {wetness} topsoil",
                value=setting_value(value, catalogue[name], shown),
                wetness=translated(wetness_class),
            )
            usual.setdefault(name, []).append(text)
    return " ".join(
        say(
            "Its effect depends on {setting}; drawn at the usual value of that: {values}.",
            setting=setting_label(name, catalogue),
            values=", ".join(values),
        )
        for name, values in usual.items()
    )


def curve_finding(points: pl.DataFrame, setting: Setting, shown: DisplayUnits) -> str:
    """Return a sentence on a response's change over the tried range, in the class where it changes most."""
    known, label = points.filter("tried").drop_nulls("mean"), capital(translated(setting.label))
    if not known.height:
        return say("{setting}: not tried enough to draw.", setting=label)
    ends = (
        known.group_by("wetness_class", maintain_order=True)
        .agg(
            pl.col("value").sort_by("value").first().alias("from"),
            pl.col("value").max().alias("to"),
            (pl.col("mean").sort_by("value").last() - pl.col("mean").sort_by("value").first()).alias("moved"),
        )
        .sort(pl.col("moved").abs(), "wetness_class", descending=True)
        .row(0, named=True)
    )
    return say(
        "{setting} from {from_} to {to}, {wetness} topsoil: {moved} % of the level at its usual value.",
        setting=label,
        from_=setting_value(ends["from"], setting, shown),
        to=setting_value(ends["to"], setting, shown),
        moved=number(ends["moved"], 1, sign=True),
        wetness=translated(ends["wetness_class"]),
    )


def _curve_table(key: str, response: str, points: pl.DataFrame, catalogue: Catalogue, shown: DisplayUnits) -> Table:
    return build_table(
        f"curves-{key}",
        say("curves of {response}", response=say(RESPONSES[response])),
        (
            Column(say("Setting"), lambda r: text_cell(setting_label(r["setting"], catalogue))),
            Column(say("Topsoil"), lambda r: text_cell(translated(r["wetness_class"])), numeric=False),
            Column(say("Value"), lambda r: text_cell(setting_value(r["value"], catalogue[r["setting"]], shown))),
            Column(say("Change, %"), lambda r: number_cell(r["mean"], 1, r["lo95"], r["hi95"], sign=True)),
        ),
        points.iter_rows(named=True),
        caption=say(
            "Percent change from the setting's usual value; each band contains the whole curve with 95 % confidence."
        ),
        marks=lambda r: {"wetness": r["wetness_class"]},
    )


def curve_blocks(curves: pl.DataFrame, response: str, key: str, catalogue: Catalogue, shown: DisplayUnits) -> list[Any]:
    """Return the fold with the curves of a response by wetness class; empty without curves.

    Args:
        curves: rows of `curve`.
        response: the response.
        key: part of the ids of its section.
        catalogue: the settings known.
        shown: units of the page.
    """
    points = curves.filter((pl.col("response") == response) & pl.col("wetness_class").is_not_null())
    if not points.height:
        return []
    small = [
        _curve(str(s), own_points, key, catalogue, shown)
        for (s,), own_points in points.group_by("setting", maintain_order=True)
    ]
    drawn = points.filter("tried").drop_nulls("mean").sort("setting", "wetness_class", "value")
    table = _curve_table(key, response, drawn, catalogue, shown)
    summary = say_n("Curves of {n} setting, with bands", "Curves of {n} settings, with bands", len(small))
    return [
        Fold(
            summary,
            (SmallMultiples(tuple(small), table, wetness_key(drawn["wetness_class"].to_list())),),
            open=response == next(iter(RESPONSES)),
        )
    ]
