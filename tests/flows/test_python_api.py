"""Python access to a season: frames as stored, no writing, no answers outside the tried range unless forced."""

import os
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import duckdb
import polars as pl
import pytest
import taretrace

from flows.stages.context import open_warehouse
from tests.support.program import Demo, taretrace_here
from transforms.config.workspace import Workspace
from transforms.errors import LockedError
from transforms.operations.export import TABLES
from transforms.storage.lock import lock_workspace
from transforms.storage.warehouse import Warehouse
from transforms.storage.warehouse_connection import THREADS

ROOT = Path(__file__).parents[2]
HOLDS = """
import sys
from pathlib import Path
from transforms.storage.warehouse import Warehouse
with Warehouse(Path(sys.argv[1])):
    print("open", flush=True)
    sys.stdin.read()
"""
"""A process that writes to a warehouse until its input is closed."""


@pytest.fixture(scope="module")
def opened(demo: Demo) -> taretrace.SeasonReader:
    return taretrace.open(demo.workspace.root)


def content(opened: taretrace.SeasonReader) -> dict[str, tuple[int, int]]:
    return {
        str(p): (p.stat().st_size, p.stat().st_mtime_ns)
        for p in opened.folder.rglob("*")
        if p.is_file() and ".prefect" not in p.parts
    }


@pytest.mark.slow
def test_tables_are_those_of_the_export(opened):
    tables = opened.tables()
    assert tables.schema == {"name": pl.String, "rows": pl.Int64, "columns": pl.Int64, "description": pl.String}
    assert [n for n in TABLES if n in set(tables["name"])] == tables["name"].to_list()[:-1]
    assert tables["name"][-1] == "bin"
    assert tables["description"].str.len_chars().min() > 10
    for name, rows, columns, _ in tables.head(20).iter_rows():
        assert opened.table(name).height == rows
        assert {*opened.table(name).columns} - {"reason"} == {*opened.sql(f'from "{name}" limit 0').columns}
        assert columns == len(opened.sql(f'from "{name}" limit 0').columns)


def test_a_table_has_its_stored_rows_and_reasons(opened, demo):
    with Warehouse.open_read_only(demo.workspace.warehouse) as warehouse:
        assert opened.table("load_fact").equals(warehouse.table("load_fact"))
    rejected = opened.table("rejected_row")
    assert rejected["reason"].null_count() == rejected["reason_code"].null_count() == 0
    bins = opened.table("bin")
    assert bins["bin_at"].dtype == pl.Datetime("us", "UTC")
    assert bins.height > 1000


def test_a_missing_table_is_an_error(opened):
    with pytest.raises(taretrace.WorkspaceError, match="no_such_table"):
        opened.table("no_such_table")


def test_a_query_takes_parameters_and_frames(opened):
    loads = opened.table("load_fact")
    assert opened.sql("select count(*) as n from load_fact where delivered_t > $t", t=20)["n"][0] == (
        loads["delivered_t"].gt(20).sum()
    )
    mine = pl.DataFrame({"load_id": loads["load_id"].head(3), "mark": [1, 2, 3]})
    joined = opened.sql("select mark, delivered_t from load_fact join mine using (load_id) order by mark", mine=mine)
    assert joined.rows() == list(zip([1, 2, 3], loads["delivered_t"].head(3), strict=True))
    with pytest.raises(duckdb.CatalogException):
        opened.sql("from mine")  # the frame of the call before, and this module's variables, are out of reach


WRITES = (
    "create table mine (a int)",
    "create temp table mine as from load_fact",
    "insert into source_file from source_file",
    "update load_fact set delivered_t = 0",
    "delete from load_fact",
    "with a as (select 1) delete from load_fact",
    "drop table load_fact",
    "alter table load_fact drop column load_id",
    "create or replace view load as select 1",
    "select 1; drop table load_fact",
    "copy load_fact to '{folder}/mine.csv'",
    "export database '{folder}/mine'",
    "attach '{folder}/mine.duckdb' as mine",
    "checkpoint",
    "set threads = 1",
    "reset enable_external_access",
    "pragma enable_profiling",
    "install httpfs",
    "load httpfs",
    "begin",
    "",
)


@pytest.mark.parametrize("statement", WRITES)
def test_no_statement_writes(opened, tmp_path, statement):
    before = content(opened)
    with pytest.raises(taretrace.WorkspaceError):
        opened.sql(statement.format(folder=tmp_path))
    assert content(opened) == before
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("source", ["read_csv('{file}')", "'{file}'", "read_text('{file}')", "glob('{file}')"])
def test_no_query_reads_other_files(opened, tmp_path, source):
    (tmp_path / "mine.csv").write_text("a\n1\n", "utf-8")
    with pytest.raises(duckdb.PermissionException):
        opened.sql(f"from {source.format(file=tmp_path / 'mine.csv')}")


def test_frames_are_copies(opened):
    opened.table("load_fact").with_columns(delivered_t=0.0)
    assert opened.table("load_fact")["delivered_t"].max() > 20


def test_reading_changes_no_file_and_needs_no_lock(opened):
    with lock_workspace(opened.folder, "post-shift"):
        locked = content(opened)
        assert opened.table("machine").height > 0
        assert opened.effects().height > 0
        assert opened.what_if().n > 0
        assert content(opened) == locked


def test_a_read_waits_while_a_run_writes(opened, demo):
    words = [sys.executable, "-c", HOLDS, str(demo.workspace.warehouse)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as run:
        assert run.stdout is not None
        assert run.stdin is not None
        assert run.stdout.readline() == "open\n"
        with pytest.raises(LockedError):
            taretrace.open(demo.workspace.root, wait_s=0).table("machine")
        threading.Timer(0.3, run.stdin.close).start()
        assert opened.table("machine").height > 0
        run.wait()


def test_effects_have_labels_and_can_be_chosen(opened):
    effects = opened.effects(response="dirt_tare_pct", setting="share_depth_cm")
    assert {*effects["response"]} == {"dirt_tare_pct"}
    assert {*effects["setting"]} == {"share_depth_cm"}
    assert {*effects["label"]} == {"share depth"}
    assert opened.effects().height == opened.table("effect").height
    known = effects.drop_nulls("change_pct")
    assert known.height > 0
    assert (known["lo95"] < known["change_pct"]).all()
    assert (known["change_pct"] < known["hi95"]).all()


def test_what_if_equals_the_command(opened, demo):
    tried = opened.what_if(topsoil_wetness=0.6, force=True)
    ran = taretrace_here("what-if", demo.workspace.root, "--wetness", "0.6", "--force", "--json")
    shown = pl.read_json(ran.out.encode()).row(0, named=True)
    expected = {row["quantity"]: (row["mean"], row["lo95"], row["hi95"]) for row in tried.expected.to_dicts()}
    assert expected["dirt_tare_pct"] == pytest.approx(tuple(shown["dirt_pct"]))
    assert expected["cost_per_t"] == pytest.approx(tuple(shown["cost_per_t"]))
    assert sum(tried.cost["cost_per_t"]) == pytest.approx(expected["cost_per_t"][0])
    assert tried.n == shown["n"]
    assert tried.basis_code == shown["basis_code"]
    assert tried.caution


def test_a_setting_moves_the_answer(opened):
    usual = opened.what_if(force=True)
    shallow = opened.what_if({"share_depth_cm": 5.0}, force=True)
    change = dict(zip(usual.expected["quantity"], shallow.expected["mean"] - usual.expected["mean"], strict=True))
    assert change["dirt_tare_pct"] != 0.0
    assert change["saved_per_t"] == pytest.approx(-change["cost_per_t"], abs=0.01)


def test_a_question_outside_the_tried_range_is_refused(opened):
    with pytest.raises(taretrace.WorkspaceError):
        opened.what_if({"ground_speed_kmh": 25.0})
    assert opened.what_if({"ground_speed_kmh": 25.0}, force=True).untried
    with pytest.raises(taretrace.WorkspaceError):
        opened.what_if({"no_such_setting_cm": 1.0})
    for name, value in {"topsoil_wetness": 1.5, "clay_pct": -1.0, "yield_t_ha": 1000.0}.items():
        with pytest.raises(taretrace.WorkspaceError):
            opened.what_if(force=True, **{name: value})


def test_a_folder_without_a_season_is_an_error(tmp_path):
    with pytest.raises(taretrace.WorkspaceError):
        taretrace.open(tmp_path)
    (tmp_path / "season.toml").write_text('[season]\nname = "Mine"\n', "utf-8")
    opened = taretrace.open(tmp_path)
    assert opened.name == "Mine"
    with pytest.raises(taretrace.WorkspaceError):
        opened.tables()
    assert [p.name for p in tmp_path.iterdir()] == ["season.toml"]


def test_the_database_uses_the_threads_of_the_season(opened, tmp_path):
    count = "select current_setting('threads') as n"
    assert opened.sql(count)["n"][0] == THREADS
    (tmp_path / "season.toml").write_text("[run]\nthreads = 3\n", "utf-8")
    with open_warehouse(Workspace(tmp_path)) as warehouse:
        assert warehouse._con.frame(count, {})["n"][0] == 3
    assert taretrace.open(tmp_path).sql(count)["n"][0] == 3


def test_times_are_utc(opened):
    started = time.time()
    now = opened.sql("select now() as at")["at"][0]
    assert now.utcoffset().total_seconds() == 0
    assert abs(now.timestamp() - started) < 60


@pytest.mark.slow
def test_an_installation_has_the_import_name_and_types(tmp_path):
    pytest.importorskip("setuptools")
    names = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    for name in names.split("\0"):
        if name.startswith(("flows/", "reports/", "transforms/", "sql/", "pyproject.toml", "README.md")):
            (tmp_path / "source" / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, tmp_path / "source" / name)
    build = "import setuptools; setuptools.setup()"
    words = ["build_py", "--build-lib", str(tmp_path / "built")]
    subprocess.run([sys.executable, "-c", build, "-q", *words], cwd=tmp_path / "source", check=True)
    built = {p.relative_to(tmp_path / "built").as_posix() for p in (tmp_path / "built").rglob("*") if p.is_file()}
    assert {"taretrace/__init__.py", "taretrace/py.typed", "flows/api/season_reader.py", "flows/py.typed"} <= built
    assert not [name for name in built if name.startswith("flows/package")]
    env = {**os.environ, "PYTHONPATH": str(tmp_path / "built")}
    where = subprocess.run(
        [sys.executable, "-c", "import taretrace, flows.api; print(taretrace.__file__, flows.api.__file__)"],
        cwd=tmp_path,
        env=env,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert where.count(str(tmp_path / "built")) == 2
