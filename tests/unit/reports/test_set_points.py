"""Set and reached values on pages: a lasting difference is a finding, and the cab card gives the value to set."""

from typing import Any

import polars as pl
import pytest

from reports.language.display_units import DisplayUnits
from reports.sections.set_points import dialled, lasting, offset_words, set_points_section
from transforms.telemetry.set_points import OFFSET_SCHEMA

SHOWN = DisplayUnits("metric", "EUR", "Europe/Prague")
MOVE = {"machine_id": "M1", "setting": "share_depth_cm", "from_value": 7.8, "to_value": 6.8}


def offset(**changed: Any) -> dict[str, Any]:
    ends = {"lo95": 0.7, "hi95": 0.9, "sd": 0.1, "days": 6, "bins": 2400}
    lasts = {"reason_code": "offset_lasts", "reason_args": "{}"}
    row = {"machine_id": "M1", "setting": "share_depth_cm", "kind": "set", "gap": 0.8, **ends, **lasts}
    return {**row, **changed}


def table(*rows: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=OFFSET_SCHEMA)


def test_the_value_to_set_reaches_the_advised_one():
    to_set, found = dialled(MOVE, table(offset()))
    assert found is not None
    assert (to_set["from_value"], to_set["to_value"]) == pytest.approx((7.0, 6.0))
    assert to_set["to_value"] + found["gap"] == pytest.approx(MOVE["to_value"])


@pytest.mark.parametrize(
    "other",
    [
        offset(machine_id="M2"),
        offset(setting="scalper_height_mm"),
        offset(kind="sides"),
        offset(reason_code="offset_none"),
    ],
    ids=["another machine", "another setting", "sides", "it does not last"],
)
def test_other_differences_change_no_value(other):
    assert dialled(MOVE, table(other)) == (MOVE, None)
    assert dialled(MOVE, table()) == (MOVE, None)


def test_a_difference_is_named_with_its_size_and_direction(catalogue):
    deeper, shallower = offset_words(offset(), catalogue, SHOWN), offset_words(offset(gap=-0.8), catalogue, SHOWN)
    assert "0.8" in deeper
    assert "deeper" in deeper
    assert "shallower" in shallower
    assert offset_words(offset(kind="sides"), catalogue, SHOWN) != deeper


def test_the_table_shows_every_difference_with_its_n(catalogue):
    rows = table(offset(), offset(kind="sides", reason_code="offset_none"))
    assert lasting(rows).height == 1
    section = set_points_section(rows, catalogue, SHOWN)
    assert section is not None
    assert set_points_section(table(), catalogue, SHOWN) is None
    cells = [[c.text for c in row.cells] for row in section.blocks[0].rows]
    assert len(cells) == 2
    assert {"M1", "6"} <= set(cells[0])
