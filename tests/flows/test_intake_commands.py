"""Commands for incoming data: check, status, rejected, explain."""

import datetime as dt
import hashlib
import json
import shutil
from pathlib import Path

import polars as pl
import pytest

from flows import stages
from flows.runtime.progress import Reporter
from tests.support.program import taretrace_here as taretrace
from tests.validation.seasons import Season, copy_of
from transforms.config.workspace import init_workspace
from transforms.ingest.mapping import CORRECTIONS_PREFIX
from transforms.storage.warehouse import Warehouse

QUIET = Reporter(quiet=True)


@pytest.fixture
def workspace(tmp_path):
    return init_workspace(tmp_path / "w")


def _fingerprint(folder: Path) -> dict[str, str]:
    return {str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_check_previews_the_ingest_of_new_files_and_writes_nothing(season: Season, tmp_path):
    workspace = copy_of(season, tmp_path / "season")
    tickets = (workspace.inbox / "tickets_north.csv").read_text().splitlines(keepends=True)
    (workspace.inbox / "tickets_new.csv").write_text(
        "".join([tickets[0], tickets[1].replace(";", "x;", 1), tickets[2], "rubbish\n"])
    )
    log = next(workspace.inbox.glob("log_b*"))
    (workspace.inbox / f"{log.stem}_again.csv").write_text(log.read_text() + "\n")
    before = _fingerprint(workspace.root)
    ran = taretrace("check", workspace.root, "--json", "--strict")
    assert ran.code == 1, ran.err
    result = {row["file"]: row for row in json.loads(ran.out)["files"]}
    row = result["tickets_new.csv"]
    assert (row["rows_in"], row["rows_accepted"], row["rows_rejected"], row["rows_repeated"]) == (3, 1, 1, 1)
    again = result[f"{log.stem}_again.csv"]
    assert again["rows_accepted"] == 0
    assert again["rows_repeated"] > 1000
    assert _fingerprint(workspace.root) == before
    shown = taretrace("check", workspace.root)
    assert shown.code == 0
    assert "nothing was written" in shown.err
    received = {r.file: r for r in stages.receive_files(workspace, QUIET)}
    for name, row in result.items():
        assert (row["rows_accepted"], row["rows_rejected"], row["rows_repeated"]) == (
            received[name].rows_accepted,
            received[name].rows_rejected,
            received[name].rows_repeated,
        )


def test_check_of_a_workspace_without_data_creates_no_files(workspace):
    (workspace.mappings / "f.toml").write_text(
        'kind = "field_boundary"\nfiles = ["*.csv"]\n[columns.field_id]\nfrom = "id"\n[columns.boundary]\nfrom = "b"\n'
    )
    (workspace.inbox / "a.csv").write_text("id,b\nF1,x\n")
    assert taretrace("check", workspace.root).code == 0
    assert sorted(p.name for p in workspace.root.iterdir()) == ["inbox", "lake", "mappings", "out", "season.toml"]


def test_status_shows_the_delay_of_each_source(season: Season):
    result = json.loads(taretrace("status", season.workspace.root, "--json").out)
    sources = {row["mapping"]: row for row in result["sources"]}
    newest = dt.datetime.fromisoformat(sources["tickets"]["newest_row_at"])
    now = dt.datetime.now(dt.UTC)
    assert sources["tickets"]["lag_h"] == pytest.approx(
        (now - newest.astimezone(dt.UTC)).total_seconds() / 3600, abs=0.2
    )
    assert sources["tickets"]["files"] == 3
    assert sources["tares"]["lag_h"] >= sources["tickets"]["lag_h"]
    assert sources["fields"]["lag_h"] is None  # a list has no time
    assert set(sources) >= {"log_a", "log_b", "tares", "weather", "fields"}


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_rejected_rows_are_corrected_in_a_file_and_ingested_again(season: Season, tmp_path, kind):
    workspace = copy_of(season, tmp_path / "season")
    ran = taretrace("rejected", workspace.root, "--json", "--file", "tickets_north" if kind == "csv" else "tares")
    assert ran.code == 0, ran.err
    result = json.loads(ran.out)
    (path,) = [Path(p) for p in result["files"]]
    assert path.name == CORRECTIONS_PREFIX + ("tickets_north.csv" if kind == "csv" else "tares.xlsx")
    with Warehouse(workspace.warehouse) as warehouse:
        before = warehouse.table("load" if kind == "csv" else "tare").height
    if kind == "csv":
        text = path.read_text()
        assert "why rejected" in text.splitlines()[0]
        assert "not a time of the form" in text
        path.write_text(text.replace("31.02.2026 25:00", "03.10.2025 08:00").replace(";0;0;", ";27000;23000;"))
    else:
        rows = pl.read_excel(path, sheet_name="Results", infer_schema_length=0)
        assert rows["why rejected"].to_list() == ["dirt tare is above 70"]
        rows.with_columns(pl.lit("12.5").alias("Dirt %")).write_excel(path, worksheet="Results")
    shutil.copy(path, workspace.inbox)
    (received,) = stages.receive_files(workspace, QUIET)
    assert received.rows_rejected == 0
    with Warehouse(workspace.warehouse) as warehouse:
        after = warehouse.table("load" if kind == "csv" else "tare").height
    assert after - before == received.rows_accepted == (2 if kind == "csv" else 1)


def test_explain_traces_a_load_to_the_lines_of_its_files(season: Season):
    workspace = season.workspace
    with Warehouse(workspace.warehouse) as warehouse:
        traced = warehouse.table("load_trace").filter(pl.col("machine_id").is_not_null())
        lab = warehouse.table("received_tare")["load_id"].to_list()
        load_id = (
            traced.filter(pl.col("load_id").is_in(lab)).group_by("load_id").len().sort("len", "load_id")["load_id"][-1]
        )
    ran = taretrace("explain", "load", load_id, "-w", workspace.root, "--json")
    assert ran.code == 0, ran.err
    result = json.loads(ran.out)
    ticket = result["tickets"][0]
    line = (workspace.inbox / ticket["file"]).read_text().splitlines()[ticket["line"] - 1]
    assert line.startswith(f"{load_id};")
    assert result["labs"][0]["file"] == "tares.xlsx"
    cells = pl.read_excel(workspace.inbox / "tares.xlsx", sheet_name="Results", has_header=False, infer_schema_length=0)
    assert load_id in cells.row(result["labs"][0]["line"] - 1)
    minutes = [m for m in result["minutes"] if m["file"]]
    assert sum({(m["machine_id"], m["from_at"]): m["share"] for m in result["minutes"]}.values()) == pytest.approx(1)
    for minute in minutes[:3]:
        lines = (workspace.inbox / minute["file"]).read_text().splitlines()
        assert minute["records"] <= minute["last_line"] - minute["first_line"] + 1
        zone = dt.timedelta(hours=2) if "log_a" in minute["file"] else dt.timedelta(0)
        first = dt.datetime.fromisoformat(minute["from_at"]).replace(tzinfo=None) + zone
        logged = lines[minute["first_line"] - 1]
        assert f"{first:%H:%M}" in logged, (logged, minute)


def test_explain_of_an_unknown_load(season: Season):
    ran = taretrace("explain", "load", "no such load", "-w", season.workspace.root)
    assert ran.code == 2
    assert "no weigh ticket names load 'no such load'" in ran.err
