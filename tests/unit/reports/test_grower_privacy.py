"""An attacker who knows one grower completely reads every number of that grower's sheet, workbook and commands."""

import json
import re
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from html import unescape
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from reports.page.formats import OutputFormats
from reports.pages.grower_data import GrowerData, grower_data
from reports.pages.grower_sheet import grower_page, write_grower_sheet
from tests.support.invented_outcome import uptake_rows
from tests.support.program import taretrace_here
from tests.unit.reports.growers import Growers, benchmark_rows, fill, growers
from transforms.benchmark.disclosure import (
    DOMINATED,
    QUANTILES,
    SHARED_OWNERS,
    TOO_FAR_APART,
    TOO_FEW_COMPARED,
    TOO_FEW_OTHERS,
)
from transforms.benchmark.own_view import HIGHEST, LOWEST, MIDDLE, UNSETTLED, classify_third, own_view
from transforms.config.workspace import Season, Workspace, init_workspace
from transforms.contracts.reason import reason
from transforms.outcome.own_uptake import ComparedLoads
from transforms.storage.warehouse import Warehouse

READER = 2
"""The grower whose sheet is read."""
NUMBER = re.compile(r"(?<![\w.])[−-]?\d+(?:,\d{3})*(?:\.\d+)?(?:e[+-]?\d+)?")


def workspace_of(invented: Growers, folder: Path) -> Workspace:
    """Return a workspace that contains the growers."""
    workspace = init_workspace(folder)
    with Warehouse(workspace.warehouse) as warehouse:
        fill(warehouse, invented)
    return workspace


@pytest.fixture(scope="module")
def room(tmp_path_factory) -> Iterator[tuple[Warehouse, Season]]:
    """Return a warehouse that each test fills, and a season."""
    season = init_workspace(tmp_path_factory.mktemp("privacy") / "season").season
    with Warehouse.in_memory() as warehouse:
        yield warehouse, season


@pytest.fixture(scope="module")
def data_of(room) -> Callable[..., GrowerData]:
    """Return a function that makes the data of one sheet."""

    def made(invented: Growers, reader: int = READER) -> GrowerData:
        fill(room[0], invented)
        return next(d for d in grower_data(*room) if d.grower == invented.ids[reader])

    return made


def outputs(invented: Growers, folder: Path) -> dict[str, str]:
    """Return every file and command output that the reader receives, as text."""
    workspace = workspace_of(invented, folder)
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        data = next(d for d in grower_data(warehouse, workspace.season) if d.grower == invented.ids[READER])
    page, book = write_grower_sheet(data, workspace.season, folder / "out", OutputFormats(xlsx=True))
    with zipfile.ZipFile(book) as parts:
        cells = "\n".join(parts.read(n).decode() for n in sorted(parts.namelist()) if n.startswith("xl/"))
    command = ("benchmark", workspace.root, "--kind", "grower", "--for", invented.ids[READER])
    ran, as_json = taretrace_here(*command), taretrace_here(*command, "--json")
    assert (ran.code, as_json.code) == (0, 0), ran.err + as_json.err
    return {"page": page.read_text("utf-8"), "workbook": cells, "command": ran.out, "json": as_json.out}


def numbers(text: str) -> np.ndarray:
    """Return every number in a text, including those inside drawings and attributes."""
    found = NUMBER.findall(unescape(text))
    return np.array([float(f.replace("−", "-").replace(",", "")) for f in found])


def secrets(invented: Growers) -> np.ndarray:
    """Return every figure of the other growers that is not a whole number."""
    others = np.arange(invented.own.size) != READER
    parts = [
        invented.own,
        invented.observed.mean(axis=1),
        invented.expected.mean(axis=1),
        invented.observed,
        invented.expected,
        invented.points,
        invented.points.mean(axis=1),
    ]
    return np.concatenate([p[others].ravel() for p in parts])


@pytest.mark.parametrize("n", [3, 40])
def test_no_output_holds_a_number_of_another_grower_or_a_count_of_all(n, tmp_path):
    invented = growers(n, loads=47)
    hidden = secrets(invented)
    overall = [
        invented.observed.mean(),
        np.median(invented.observed),
        invented.own.mean(),
        0.345678,
        1.234567,
        2.345678,
        1.456789,
    ]
    for name, text in outputs(invented, tmp_path / "w").items():
        seen = numbers(text)
        assert seen.size >= 2, name
        for value in np.concatenate([hidden, overall]):
            assert np.abs(seen - value).min() > 1e-9, (name, value)
        words = re.sub(r"<(svg|style)\b.*?</\1>", "", text, flags=re.DOTALL)
        assert not {f"{n * 47:,}", str(n * 47)} & set(re.findall(r"[\d,]+", words)), name
        assert "None" not in words, name
        assert "0123456789ab" not in text


def test_small_changes_of_others_change_no_byte_while_the_marks_stay(data_of, tmp_path):
    """Values that depend on others are rounded: small changes in their data leave page, coordinates and cells equal."""
    before = growers(21)
    others = np.arange(21) != READER
    moved = np.where(others, 1e-4 * np.sin(np.arange(21)), 0.0)
    after = replace(before, own=before.own + moved, observed=before.observed + moved[:, None])
    assert data_of(before).place == data_of(after).place
    first, second = outputs(before, tmp_path / "a"), outputs(after, tmp_path / "b")
    for name in first:
        assert first[name].replace(str(tmp_path / "a"), "") == second[name].replace(str(tmp_path / "b"), ""), name


@pytest.mark.parametrize("n", range(2, 41))
def test_the_figures_shown_depend_on_the_number_of_others(data_of, n):
    d = data_of(growers(n), min(READER, n - 1))
    assert d.place is not None
    if n < 6:  # fewer than five others: the mean of all minus the own loads would be the mean of a few
        assert d.expected_reason == d.why_reason == d.place.reason == TOO_FEW_OTHERS
        assert d.total["expected_pct"] is None
        assert d.why.height == 0
        assert d.loads.select("expected_pct", "lo95", "hi95").null_count().row(0) == (d.loads.height,) * 3
        assert d.fields["expected_pct"].null_count() == d.fields.height
        assert not d.place.is_compared
    else:
        assert d.expected_reason is None
        assert d.place.is_compared
    assert (d.place.third is None) == (n < 10)
    assert bool(d.place.band.marks) == (n >= 10)
    assert d.place.band.reason == (TOO_FEW_OTHERS if n < 6 else TOO_FEW_COMPARED if n < 10 else None)


def test_two_readers_who_collude_see_the_same_marks(data_of):
    """A second sheet adds no equation: the marks are computed from all growers, not from all but the reader."""
    invented = growers(25)
    bands = [data_of(invented, reader).place.band for reader in (0, 7, 24)]
    assert bands[0] == bands[1] == bands[2]
    assert set(bands[0].marks) < set(QUANTILES)


def with_uptake(warehouse: Warehouse, changed: float | None = None) -> None:
    """Write uptake for two fields of every grower; the share made of all but the reader's moves may be changed."""
    loads = warehouse.table("load_fact").unique("field_id", keep="first", maintain_order=True)
    moves = loads.select("machine_id", "shift_date", "grower_id", "field_id", move_number=1, made_share=0.9)
    own = pl.col("grower_id") == f"G{READER:03d}"
    if changed is not None:
        moves = moves.with_columns(made_share=pl.when(own).then("made_share").otherwise(changed))
    rows = uptake_rows(moves).with_columns(
        moves["field_id"],
        moves["made_share"],
        pl.lit("followed").alias("uptake_code"),
        reason_code=pl.lit(None, pl.String),
    )
    if changed is not None:
        code = pl.when(moves["grower_id"] == f"G{READER:03d}").then(pl.lit("followed")).otherwise(pl.lit("not"))
        rows = rows.with_columns(code.alias("uptake_code"))
    warehouse.replace("advice_uptake", rows)


def test_uptake_on_a_sheet_is_that_of_own_fields_and_depends_on_no_other_grower(room):
    warehouse, season = room
    invented = growers(12)
    fill(warehouse, invented)
    sheets = []
    for changed in (None, -0.2):
        with_uptake(warehouse, changed)
        sheets.append(next(d for d in grower_data(*room) if d.grower == invented.ids[READER]))
    warehouse.replace("advice_uptake", warehouse.table("advice_uptake").clear())
    first, second = sheets
    assert first.uptake == second.uptake
    assert grower_page(first, season) == grower_page(second, season)
    assert first.uptake is not None
    assert (first.uptake.moves, first.uptake.followed) == (2, 2)
    own = first.uptake.with_moves
    shown = first.loads.filter(
        pl.col("lifted_at").dt.date().is_in(first.loads["shift_date"].unique().head(2).implode())
    )
    assert 0 < own.loads <= shown.height
    # It follows from the rows that the sheet shows: observed and rounded expected dirt of own loads.
    visits = (
        first.loads.sort("lifted_at").group_by("field_id", maintain_order=True).first().select("field_id", "shift_date")
    )
    loads = first.loads.join(visits, on=["field_id", "shift_date"])
    soil = float((loads["delivered_t"] * (loads["expected_pct"] - loads["observed_pct"])).sum()) / 100
    assert own.soil_t == pytest.approx(soil)
    assert "machine_id" not in first.loads.columns


def test_uptake_has_no_comparison_if_expected_values_are_withheld(room):
    fill(room[0], growers(3))
    with_uptake(room[0])
    d = next(d for d in grower_data(*room) if d.grower == f"G{READER:03d}")
    room[0].replace("advice_uptake", room[0].table("advice_uptake").clear())
    assert d.uptake is not None
    assert (d.uptake.moves, d.uptake.with_moves) == (2, ComparedLoads(0, None, None))


@pytest.mark.parametrize("n", [6, 10, 24])
def test_every_figure_that_depends_on_others_is_rounded_once(data_of, n):
    d = data_of(growers(n, seed=3))
    tenth = 10 * np.concatenate(
        [
            d.loads.select("expected_pct", "lo95", "hi95").to_numpy().ravel(),
            d.fields["expected_pct"].to_numpy(),
            d.why["points"].to_numpy(),
            [d.total["expected_pct"]],
            [v for v in d.place.figures.values() if v is not None],
        ]
    )
    assert tenth == pytest.approx(np.round(tenth), abs=1e-7)
    # A mean of rounded values: a rounded mean of the exact values would reveal more about them.
    assert d.total["expected_pct"] == pytest.approx(d.loads["expected_pct"].mean(), abs=0.0500001)
    assert set(d.why["kind"]) <= {"condition", "setting", "field", "shared"}


def test_a_grower_with_most_of_the_loads_is_not_shown_as_the_typical_load(room):
    warehouse, _ = room
    fill(warehouse, growers(8))
    facts = warehouse.table("load_fact")
    few = facts.filter((pl.col("grower_id") == "G000") | pl.col("load_id").str.ends_with("000"))
    warehouse.store("load_fact", few)
    by_grower = {d.grower: d for d in grower_data(*room)}
    assert by_grower["G002"].expected_reason == by_grower["G002"].why_reason == DOMINATED
    assert by_grower["G000"].expected_reason is None


def test_one_grower_s_part_in_the_typical_load_is_below_the_rounding(data_of):
    invented = growers(12)
    apart = replace(invented, observed=invented.observed + np.where(np.arange(12) == 5, 4.0, 0.0)[:, None])
    far = replace(invented, observed=invented.observed + np.where(np.arange(12) == 5, 20.0, 0.0)[:, None])
    points = 10 * data_of(apart).why["points"].to_numpy()
    assert points / 4 == pytest.approx(np.round(points / 4), abs=1e-7)
    assert data_of(far).why_reason == TOO_FAR_APART
    assert data_of(far).why.height == 0


def rows_of(invented: Growers, **changes: pl.Expr) -> pl.DataFrame:
    return benchmark_rows(invented).with_columns(**changes)


def test_growers_that_are_not_compared_are_counted_by_no_rule():
    missing = pl.col("subject_id").is_in(["G009", "G010", "G011"])
    for nothing in (None, float("nan")):
        lost = pl.when(missing).then(pl.lit(nothing, pl.Float64)).otherwise("shrunken")
        view = own_view(rows_of(growers(12), shrunken=lost), "G002")
        assert view.band.reason == TOO_FEW_COMPARED
        assert view.third is None
        unknown = own_view(rows_of(growers(12), shrunken=lost), "G010")
        assert not unknown.is_compared
        assert unknown.reason == reason("no_own_effect")
        assert unknown.band.marks == {}


def test_several_ids_of_one_owner_count_once():
    rows = rows_of(growers(12))
    assert own_view(rows, "G002").band.marks
    pairs = {f"G{i:03d}": f"H{i // 2}" for i in range(12)}
    assert own_view(rows, "G002", pairs).band.reason == SHARED_OWNERS
    assert own_view(rows, "G002", pairs).third is None
    two = {f"G{i:03d}": f"H{i // 6}" for i in range(12)}
    assert own_view(rows, "G002", two).reason == TOO_FEW_OTHERS
    assert not own_view(rows, "G002", two).is_compared


def test_a_place_is_a_third_and_no_rank():
    assert [
        classify_third(*r)
        for r in ((1, 4, 12), (5, 8, 12), (9, 12, 12), (1, 5, 12), (4, 9, 12), (1, 3, 10), (4, 4, 10))
    ] == [LOWEST, MIDDLE, HIGHEST, UNSETTLED, UNSETTLED, LOWEST, MIDDLE]


def test_a_command_for_one_subject_shows_no_row_of_another(tmp_path):
    workspace = workspace_of(growers(14), tmp_path / "w")
    for kind in ("grower", "machine", "operator", "field"):
        with Warehouse(workspace.warehouse) as warehouse:
            warehouse.replace("benchmark", rows_of(growers(14), subject_kind=pl.lit(kind)))
        ran = taretrace_here("benchmark", workspace.root, "--kind", kind, "--for", "G002", "--json")
        printed = json.loads(ran.out)
        assert [r["subject_id"] for r in printed["rows"]] == ["G002"]
        assert not {"rank", "subjects", "overdispersion", "limit_95", "from_conditions"} & set(printed["rows"][0])
        assert set(printed["band"]["marks"]) == {"p50"}
        assert printed["rows"][0]["third"] in {LOWEST, MIDDLE, HIGHEST, UNSETTLED}


def test_a_subject_that_is_not_ranked_has_no_rank_none(room, tmp_path):
    rank = {c: pl.lit(None, pl.Int64) for c in ("rank", "rank_lo95", "rank_hi95", "subjects")}
    workspace = workspace_of(growers(2), tmp_path / "w")
    with Warehouse(workspace.warehouse) as warehouse:
        warehouse.replace("benchmark", rows_of(growers(2), **rank))
        data = next(grower_data(warehouse, room[1]))
    page = write_grower_sheet(data, room[1], tmp_path)[0].read_text("utf-8")
    assert "None" not in page
    for words in (("--for", "G001"), ()):
        ran = taretrace_here("benchmark", workspace.root, "--kind", "grower", *words)
        assert ran.code == 0, ran.err
        assert "None" not in ran.out
