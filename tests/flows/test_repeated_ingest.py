"""Repeated ingest: the same files, or the same rows in other files, change no table."""

import polars as pl
import pytest

from flows import stages
from flows.pipeline.demo import write_demo
from tests.validation.seasons import QUIET, Season, copy_of, ingest
from transforms.config.workspace import Workspace
from transforms.operations.export import exported_tables
from transforms.storage.lake import Lake

CLOCKS = {"fitted_at", "received_at", "given_at"}


def _comparable(tables: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    return {
        name: table.drop([c for c in table.columns if c in CLOCKS]).sort(
            [c for c in table.columns if c not in CLOCKS][:3]
        )
        for name, table in tables.items()
    }


@pytest.mark.slow
def test_ingesting_everything_twice_changes_no_table(season: Season, tmp_path):
    workspace = copy_of(season, tmp_path / "season")
    seen = []
    for _ in range(2):
        ingest(workspace)
        fits = stages.fit_responses(workspace, QUIET)
        stages.check_fits(workspace, fits, QUIET)
        stages.compare_subjects(workspace, fits, QUIET)
        stages.advise_machines(workspace, fits, QUIET)
        stages.compute_guide(workspace, fits, QUIET)
        with stages.open_warehouse(workspace) as warehouse:
            seen.append(_comparable(exported_tables(warehouse, Lake(workspace.lake))))
    before, after = seen
    assert set(before) == set(after)
    assert before["advice"].height > 0
    for name, table in before.items():
        assert table.equals(after[name]), name


def test_the_same_rows_in_files_with_other_bytes_are_all_repeated(harmed: Workspace):
    workspace = harmed
    with stages.open_warehouse(workspace) as warehouse:
        before = _comparable(exported_tables(warehouse, Lake(workspace.lake)))
    for path in list(workspace.inbox.glob("*.csv")):
        path.with_stem(path.stem + "_again").write_text(path.read_text() + "\n")
    received = stages.receive_files(workspace, QUIET)
    assert sum(r.rows_accepted for r in received) == 0
    assert sum(r.rows_repeated for r in received) > 1000
    for stage in (stages.bin_telemetry, stages.trace_loads, stages.compute_conditions, stages.build_marts):
        stage(workspace, QUIET)
    with stages.open_warehouse(workspace) as warehouse:
        after = _comparable(exported_tables(warehouse, Lake(workspace.lake)))
    for name in set(before) - {"source_file", "rejected_row"}:
        assert before[name].equals(after[name]), name


def test_the_same_seed_writes_the_same_files(tmp_path):
    first, again = (
        write_demo(tmp_path / name, machines=2, days=2, seed=3, hz=0.02, reporter=QUIET) for name in ("a", "b")
    )
    names = sorted(p.name for p in first.inbox.glob("*.csv"))
    assert names == sorted(p.name for p in again.inbox.glob("*.csv"))
    assert all((first.inbox / n).read_bytes() == (again.inbox / n).read_bytes() for n in names)
