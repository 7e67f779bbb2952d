"""Part of a grower's sheet on the changes advised in own fields, with the counts and loads that it must show."""

from collections.abc import Iterator

import numpy as np
import polars as pl
import pytest

from reports.page.model import Page, Prose
from reports.pages.grower_data import GrowerData, grower_data
from reports.pages.grower_sheet import grower_page
from reports.sections.grower_uptake import counts_words, others_words, soil_words
from tests.support.invented_outcome import uptake_rows
from tests.unit.reports.growers import fill, growers
from tests.unit.reports.test_shift_parts import METRIC, figures
from transforms.config.workspace import Season, init_workspace
from transforms.storage.warehouse import Warehouse

READER = "G002"
SHARES = {"followed": 0.9, "partly": 0.5, "not": 0.0, "opposite": -0.6, "unknown": None}
CODES = ("followed", "followed", "partly", "not", "opposite", "unknown")
"""Uptake of the reader's changes, one a shift."""
MADE, OTHERS = CODES[:3], CODES[3:5]


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Warehouse, Season]]:
    season = init_workspace(tmp_path_factory.mktemp("uptake") / "season").season
    with Warehouse.in_memory() as warehouse:
        fill(warehouse, growers(12, loads=40))
        yield warehouse, season


def own_visits(warehouse: Warehouse) -> pl.DataFrame:
    """Return the first shift of the reader in each of six days, with the uptake of its change."""
    own = warehouse.table("load_fact").filter(grower_id=READER).sort("lifted_at")
    days = own.unique("shift_date", keep="first", maintain_order=True).head(len(CODES))
    code = pl.Series("uptake_code", CODES)
    return days.select("machine_id", "shift_date", "field_id", move_number=1).with_columns(
        code, code.replace_strict(SHARES, return_dtype=pl.Float64).alias("made_share")
    )


@pytest.fixture(scope="module")
def data(room) -> GrowerData:
    warehouse, season = room
    visits = own_visits(warehouse)
    rows = uptake_rows(visits).with_columns(*(visits[c] for c in ("field_id", "uptake_code", "made_share")))
    warehouse.replace("advice_uptake", rows)
    return next(d for d in grower_data(warehouse, season) if d.grower == READER)


def texts(page: Page) -> list[str]:
    (section,) = (s for s in page.sections if s.id == "own-uptake")
    return [b.text for b in section.blocks if isinstance(b, Prose)]


def difference(room: tuple[Warehouse, Season], data: GrowerData, codes: tuple[str, ...]) -> tuple[float, float, int]:
    """Return expected less observed dirt of the own loads of some shifts, in points and t of soil, and their number."""
    visits = own_visits(room[0]).filter(pl.col("uptake_code").is_in(codes)).select("shift_date", "field_id")
    loads = data.loads.join(visits, on=["shift_date", "field_id"])
    points = (loads["expected_pct"] - loads["observed_pct"]).to_numpy()
    mass = loads["delivered_t"].to_numpy()
    return float(np.average(points, weights=mass)), float((points * mass).sum()) / 100, loads.height


def test_a_sheet_counts_the_changes_in_own_fields(room, data):
    counts, _ = texts(grower_page(data, room[1]))
    assert data.uptake is not None
    assert counts == counts_words(data.uptake)
    # Judged and made, then made in part, made the other way, and not judged.
    assert figures(counts) == ["5", "2", "1", "1", "1"]


def test_a_sheet_compares_the_own_loads_of_shifts_that_made_their_changes_and_of_the_others(room, data):
    _, soil = texts(grower_page(data, room[1]))
    assert data.uptake is not None
    made, others = data.uptake.with_moves, data.uptake.without
    assert soil_words(made, METRIC) in soil
    assert others_words(others) in soil
    points, tonnes, n = difference(room, data, MADE)
    loads, mass, by = (float(v) for v in figures(soil_words(made, METRIC)))
    assert (loads, mass, by) == (n, pytest.approx(abs(tonnes), rel=0.051), pytest.approx(abs(points), abs=0.0501))
    points, _, n = difference(room, data, OTHERS)
    assert [float(v) for v in figures(others_words(others))] == pytest.approx([abs(points), n], abs=0.0501)


def test_a_grower_without_advised_changes_has_no_such_part(room, data):
    other = next(d for d in grower_data(*room) if d.grower != READER)
    assert other.uptake is None
    assert "own-uptake" not in {s.id for s in grower_page(other, room[1]).sections}
    assert data.uptake is not None
