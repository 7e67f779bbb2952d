"""Example files in three languages: their mappings read back the rows that were written."""

import json
import tomllib
from pathlib import Path

import jsonschema
import polars as pl
import pytest

from tests.support.program import taretrace_here as taretrace
from tests.support.taking import found
from transforms.config.json_schema import mapping_schema, season_schema
from transforms.config.settings_catalogue import Catalogue
from transforms.config.workspace import Workspace, init_workspace
from transforms.contracts.source_tables import CONTRACTS
from transforms.demo.example_files import ExampleFile, write_examples
from transforms.demo.example_rows import REGIONS, example_rows
from transforms.ingest.ingest_file import IngestTarget, ingest_file
from transforms.ingest.mapping import Mapping
from transforms.ingest.mapping_file import read_mapping
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse

RELATIVE, ABSOLUTE = 2e-3, 0.013
"""Errors by rounding to the decimals of the file: a thousandth of an inch of rain is 0.025 mm."""


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory, catalogue: Catalogue) -> list[ExampleFile]:
    workspace = init_workspace(tmp_path_factory.mktemp("examples") / "w")
    return write_examples(list(REGIONS), workspace.inbox, workspace.mappings, catalogue)


def test_every_kind_is_written_in_every_language(written):
    assert {(e.language, e.kind) for e in written} == {(language, kind) for language in REGIONS for kind in CONTRACTS}
    assert len({e.file.name for e in written}) == len(written)


def test_every_file_matches_only_its_own_mapping(written, catalogue):
    mappings = {e.mapping.name: read_mapping(e.mapping, catalogue) for e in written}
    for e in written:
        assert [name for name, mapping in mappings.items() if mapping.is_match(e.file.name)] == [e.mapping.name]


def test_every_row_is_read_back_as_it_was_meant(written, catalogue, tmp_path):
    lake = Lake(tmp_path)
    with Warehouse.in_memory() as warehouse:
        store = IngestTarget(warehouse, lake)
        for e in written:
            mapping = read_mapping(e.mapping, catalogue)
            (received,) = ingest_file(found(e.file), [mapping], catalogue, store) or []
            assert (received.rows_accepted, received.rows_in, received.findings) == (e.rows, e.rows, []), e.file.name
            read = _stored(e.kind, warehouse, tmp_path, REGIONS[e.language].prefix)
            _compare(read, example_rows(e.kind, REGIONS[e.language]), e.kind, mapping)


def _stored(kind: str, warehouse: Warehouse, lake: Path, prefix: str) -> pl.DataFrame:
    """Stored rows of one region: their first key begins with its letter."""
    if kind == "telemetry":
        parts = [pl.read_parquet(p) for p in sorted(lake.glob("telemetry/*/*/*.parquet"))]
        rows = pl.concat(parts, how="diagonal")
    else:
        rows = warehouse.table(f"received_{kind}")
    key = next(iter(CONTRACTS[kind].columns()))
    return rows.filter(pl.col(key).str.strip_prefix("EX").str.starts_with(prefix))


def _compare(read: pl.DataFrame, meant: pl.DataFrame, kind: str, mapping: Mapping) -> None:
    """Compare the mapped columns of all rows, in order of their keys."""
    columns = [c.column for c in mapping.columns if c.column != "boundary"]
    keys = [name for name, c in CONTRACTS[kind].columns().items() if c.primary_key and name in columns]
    if mapping.columns[0].file_name is not None:
        meant = meant.filter(pl.col("machine_id") == meant["machine_id"][0])
    read, meant = read.sort(keys), meant.sort(keys)
    for column in columns:
        values = meant[column].to_list()
        close = pytest.approx(values, rel=RELATIVE, abs=ABSOLUTE) if meant[column].dtype == pl.Float64 else values
        assert read[column].to_list() == close, (mapping.name, column)


def test_the_mappings_are_valid_for_editors(written, catalogue):
    validator = jsonschema.Draft7Validator(mapping_schema(catalogue))
    for e in written:
        text = e.mapping.read_text("utf-8")
        assert text.startswith("#:schema ../mapping.schema.json\n")
        assert list(validator.iter_errors(tomllib.loads(text))) == [], e.mapping.name


def test_the_command_writes_a_workspace_whose_check_accepts_every_row(tmp_path):
    folder = tmp_path / "examples"
    ran = taretrace("examples", folder, "--language", "pl", "--json")
    assert ran.code == 0
    files = json.loads(ran.out)["files"]
    assert [f["kind"] for f in files] == list(CONTRACTS)
    season = tomllib.loads((folder / "season.toml").read_text("utf-8"))
    assert list(jsonschema.Draft7Validator(season_schema()).iter_errors(season)) == []
    assert (Workspace(folder).season.time_zone, list(Workspace(folder).season.sites)) == ("Europe/Warsaw", ["Zachód"])
    checked = json.loads(taretrace("check", folder, "--strict", "--json").out)
    assert {f["file"]: f["rows_accepted"] for f in checked["files"]} == {Path(f["file"]).name: f["rows"] for f in files}
    assert (checked["rejected"], checked["left"], checked["failed"], checked["findings"]) == ([], [], [], {})


def test_map_saves_a_mapping_that_editors_check(written, catalogue, tmp_path):
    assert taretrace("init", tmp_path / "w").code == 0
    table = next(e for e in written if (e.language, e.kind) == ("en", "tare"))
    ran = taretrace("map", table.file, "-w", tmp_path / "w", "--kind", "tare", "--no-ask")
    assert ran.code == 0
    (saved,) = (tmp_path / "w" / "mappings").glob("*.toml")
    text = saved.read_text("utf-8")
    assert text.startswith("#:schema ../mapping.schema.json\n")
    assert list(jsonschema.Draft7Validator(mapping_schema(catalogue)).iter_errors(tomllib.loads(text))) == []


def test_all_languages_share_a_workspace_and_nothing_is_overwritten(tmp_path):
    assert taretrace("examples", tmp_path / "all").code == 0
    assert len(Workspace(tmp_path / "all").season.sites) == len(REGIONS)
    assert len(list((tmp_path / "all" / "inbox").iterdir())) == len(REGIONS) * len(CONTRACTS)
    assert taretrace("examples", tmp_path / "all").code == 2
    (tmp_path / "own").write_text("x")
    assert taretrace("examples", tmp_path / "own").code == 2
