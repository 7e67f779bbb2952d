"""Pairs of settings on pages: those found as sentences, all that were considered in a table."""

import re
from typing import Any

import polars as pl

from reports.language.display_units import DisplayUnits
from reports.page.model import Fold, Prose
from reports.sections.setting_pairs import found_pairs, pairs_blocks
from transforms.contracts.reason import reason
from transforms.model.setting_pairs import PAIR_SCHEMA

SHOWN = DisplayUnits("metric", "EUR", "Europe/Prague")
DIRT = "dirt_tare_pct"


def pair(other: str, **changed: Any) -> dict[str, Any]:
    row = {
        "response": DIRT,
        "setting": "cleaner_1_speed_rpm",
        "other_setting": other,
        "change_pct": -1.3,
        "lo95": -1.9,
        "hi95": -0.7,
        "p_value": 0.001,
        "q_value": 0.004,
        "n": 671,
        **reason("interaction").columns,
    }
    return {**row, **changed}


def rows() -> pl.DataFrame:
    nothing = dict.fromkeys(("change_pct", "lo95", "hi95", "p_value", "q_value"))
    few = reason("effect_few_loads", measured=12, needed=30).columns
    return pl.DataFrame(
        [
            pair("cleaner_2_speed_rpm", q_value=0.7, **reason("no_interaction").columns),
            pair("separator_1_height_mm"),
            pair("share_depth_cm", **nothing, n=12, **few),
            pair("cleaner_2_speed_rpm", response="root_loss_t_ha"),
        ],
        schema=PAIR_SCHEMA,
    )


def test_a_pair_found_is_a_sentence_with_g_its_interval_and_n(catalogue):
    assert found_pairs(rows(), DIRT)["other_setting"].to_list() == ["separator_1_height_mm"]
    line, fold = pairs_blocks(rows(), DIRT, "dirt", catalogue, SHOWN)
    assert isinstance(line, Prose)
    assert {"1.3", "1.9", "0.7", "671"} <= set(re.findall(r"[\d.,]+\d", line.text))
    assert isinstance(fold, Fold)
    # One was found among the two tested; the third had too few loads.
    assert re.findall(r"\d+", fold.summary) == ["1", "2"]
    (table,) = fold.blocks
    assert [r.cells[2].value for r in table.rows] == [-1.3, -1.3, None]
    assert [r.cells[4].value for r in table.rows] == [671, 671, 12]


def test_nothing_is_said_of_a_response_without_pairs(catalogue):
    assert pairs_blocks(rows(), "top_tare_pct", "tops", catalogue, SHOWN) == []
    assert pairs_blocks(pl.DataFrame(schema=PAIR_SCHEMA), DIRT, "dirt", catalogue, SHOWN) == []
