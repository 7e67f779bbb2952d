"""Curves of settings on the season report: those of pairs name the settings at whose usual values they are drawn."""

import json

import polars as pl

from reports.language.display_units import DisplayUnits
from reports.sections.season_curves import beside_words, curve_blocks
from transforms.config.response_catalogue import DIRT
from transforms.contracts.result_tables import schema_of

SHOWN = DisplayUnits("metric", "EUR", "Europe/Prague")
SETTING, OTHER = "share_depth_cm", "share_drive_pct"


def points(**usual: float) -> pl.DataFrame:
    """Return two points of a curve in each class; with `usual`, at that value of the other setting."""
    rows = []
    for wetness_class in ("moist", "wet"):
        why = {"reason_code": "change_from_usual", "reason_args": json.dumps({"usual": 7.0, "unit": "cm"})}
        if wetness_class in usual:
            other = {"setting": OTHER, "value": usual[wetness_class], "unit": "pct"}
            args = {"usual": 7.0, "unit": "cm", "beside": [{"code": "setting_at_usual", "args": other}]}
            why = {"reason_code": "change_beside_usual", "reason_args": json.dumps(args)}
        head = {"response": DIRT, "setting": SETTING, "wetness_class": wetness_class, "unit": "cm", "tried": True}
        rows += [{**head, "value": v, "mean": v - 7, "lo95": v - 8, "hi95": v - 6, **why} for v in (6.0, 8.0)]
    return pl.DataFrame(rows, schema=schema_of("curve"))


def test_a_curve_of_a_pair_names_the_usual_value_of_the_other_setting_in_each_class(catalogue):
    text = beside_words(points(moist=45.0, wet=60.0), catalogue, SHOWN)
    assert catalogue[OTHER].label in text
    assert ["45" in text, "60" in text, text.count("%")] == [True, True, 2]
    (fold,) = curve_blocks(points(moist=45.0, wet=60.0), DIRT, "dirt", catalogue, SHOWN)
    assert [f.reading for f in fold.blocks[0].blocks] == [text]


def test_a_curve_of_no_pair_names_none(catalogue):
    assert beside_words(points(), catalogue, SHOWN) == ""
