"""Files made to harm, or harmed: each is reported in a sentence, and nothing else happens."""

import datetime as dt
import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from flows import stages
from flows.runtime.progress import Reporter
from tests.support.program import taretrace_here as taretrace
from tests.support.taking import take
from tests.support.task_data import Moment, Value, device, task, task_data, write_set, zipped
from transforms.config.workspace import init_workspace
from transforms.ingest.inbox import scan_inbox
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.readers.text_layout import HEADER_BYTES
from transforms.operations.export import exported_tables, write_tables
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse

QUIET = Reporter(quiet=True)
FIELD = {"kind": "field_boundary", "files": ["*"], "columns": {"field_id": {"from": "id"}, "boundary": {"from": "b"}}}
LOG: dict[str, Any] = {
    "kind": "telemetry",
    "files": ["*"],
    "columns": {
        "machine_id": {"from": "m"},
        "logged_at": {"from": "t", "format": "%Y-%m-%dT%H:%M:%SZ", "time_zone": "UTC"},
        "share_depth_cm": {"from": "d", "unit": "cm"},
    },
}
ISO = {"kind": "telemetry", "files": ["*"], "form": "iso11783", "time_zone": "UTC"}
ROW = "M1,2025-10-01T08:00:00Z,7\n"


def reported(path: Path, table: dict[str, Any], catalogue) -> tuple[list[str], list[tuple[str, dict[str, Any]]]]:
    """The rules broken, and the reasons with their arguments."""
    out = take(path, parse_mapping(table, "m", catalogue, "test"), catalogue)
    return out.rejected["rule"].to_list(), out.reasons


# --- archives ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["../../etc/cron.d/x", "/etc/passwd", "a/../../b", "C:/x", "..\\..\\x", ""])
def test_a_path_outside_the_archive(tmp_path, catalogue, name):
    path = tmp_path / "slip.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("TASKDATA/TASKDATA.XML", task_data(""))
        archive.writestr(zipfile.ZipInfo(name), "evil")
    rules, reasons = reported(path, ISO, catalogue)
    assert rules == ["archive_path"]
    assert reasons == [("archive_path", {"path": name.replace("\\", "/")})]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["slip.zip"]


def test_an_archive_that_unpacks_to_far_more(tmp_path, catalogue):
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive, archive.open("TASKDATA/TASKDATA.XML", "w") as out:
        for _ in range(200):
            out.write(b"\x00" * (1 << 20))
    rules, reasons = reported(path, ISO, catalogue)
    assert rules == ["archive_too_large"]
    ((code, args),) = reasons
    assert (code, args["unpacked_bytes"]) == ("archive_too_large", 209_715_200)


def test_an_archive_of_countless_members(tmp_path, catalogue):
    path = tmp_path / "many.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for i in range(20_001):
            archive.writestr(f"{i}", "")
    assert reported(path, ISO, catalogue)[0] == ["archive_too_many"]


def test_a_workbook_that_is_a_bomb(tmp_path, catalogue):
    path = tmp_path / "bomb.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b" " * (200 << 20))
    assert reported(path, FIELD, catalogue)[0] == ["archive_too_large"]


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04", b"not a zip at all"])
def test_an_archive_that_is_none(tmp_path, catalogue, content):
    path = tmp_path / "x.zip"
    path.write_bytes(content)
    assert reported(path, ISO, catalogue)[0] == ["not_an_archive"]


def test_an_archive_without_task_data_and_one_with_a_password(tmp_path, catalogue):
    path = tmp_path / "x.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("readme.txt", "hello")
    rules, reasons = reported(path, ISO, catalogue)
    assert rules == ["no_task_data"]
    assert reasons == [("no_task_data", {})]


def test_an_archive_whose_members_are_damaged(tmp_path, catalogue):
    path = tmp_path / "x.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("TASKDATA/TASKDATA.XML", task_data("<A/>" * 1000))
    data = bytearray(path.read_bytes())
    data[500] ^= 0xFF
    path.write_bytes(data)
    assert reported(path, ISO, catalogue)[0] == ["archive_damaged"]


def test_an_archive_damaged_in_the_middle_gives_what_lies_before_and_says_so(tmp_path, catalogue):
    at = dt.datetime(2025, 10, 1, 8)  # noqa: DTZ001
    rng = np.random.default_rng(1)
    many = [
        Moment(at + dt.timedelta(seconds=i), {"A": int(rng.integers(10**9)), "B": 2}, {0: i}) for i in range(30_000)
    ]
    path = zipped(write_set(tmp_path / "t", many, [Value(397)]), tmp_path / "t.zip")
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 400] = b"\xff" * 400
    path.write_bytes(data)
    out = take(path, parse_mapping(ISO, "m", catalogue, "test"), catalogue)
    assert "archive_damaged" in out.rejected["rule"].to_list()
    assert 3_000 < out.accepted.height < 30_000
    assert out.accepted["line"].to_list() == list(range(1, out.accepted.height + 1))


# --- XML --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "doctype",
    [
        '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>',
        '<!DOCTYPE x SYSTEM "file:///etc/passwd">',
        '<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>',
    ],
)
def test_xml_entities(tmp_path, catalogue, doctype):
    folder = write_set(tmp_path / "t", [], [Value(397)])
    text = (folder / "TASKDATA.XML").read_text()
    (folder / "TASKDATA.XML").write_text(text.replace("?>", "?>" + doctype, 1))
    rules, reasons = reported(folder, ISO, catalogue)
    assert rules == ["xml_doctype"]
    assert reasons == [("task_data_doctype", {"file": "TASKDATA.XML"})]


def test_elements_that_refer_to_themselves_and_attributes_that_are_nonsense(tmp_path, catalogue):
    at = Moment(dt.datetime(2025, 10, 1, 8), {"A": 1, "B": 2}, {0: 1000})  # noqa: DTZ001
    folder = write_set(tmp_path / "t", [at], [Value(397)])
    inner = device([Value(397)]).replace('F="0"', 'F="1"').replace("<DET", '<DVP A="1" B="x" C="y"/><DET') + task(
        ["TLG00001"]
    )
    (folder / "TASKDATA.XML").write_text(task_data('<XFR A="../../../etc/passwd"/><NEW Z="1"/>' + inner))
    out = take(folder, parse_mapping(ISO, "m", catalogue, "test"), catalogue)
    assert out.accepted["ground_speed_kmh"].to_list() == [pytest.approx(3.6)]


# --- text -------------------------------------------------------------------------------------------------------------


def test_ten_million_columns(tmp_path, catalogue):
    path = tmp_path / "wide.csv"
    path.write_bytes(b"," * 10_000_000 + b"\n1\n")
    rules, reasons = reported(path, FIELD, catalogue)
    assert rules == ["line_too_long"]
    assert reasons == [("header_line_too_long", {"max_bytes": HEADER_BYTES})]


def test_too_many_columns_in_a_short_header(tmp_path, catalogue):
    path = tmp_path / "wide.csv"
    path.write_text(",".join(f"c{i}" for i in range(5000)) + "\n")
    rules, reasons = reported(path, FIELD, catalogue)
    assert rules == ["too_many_columns"]
    assert reasons == [("header_too_many_columns", {"columns": 5000, "max_columns": 2000})]


def test_nul_bytes_cost_their_own_lines_only(tmp_path, catalogue):
    path = tmp_path / "log.csv"
    path.write_bytes(
        b"m,t,d\n"
        + ROW.encode()
        + b"M1,2025-10-\x00\x00\n\x00\x00\x00\x00"
        + b"\n"
        + ROW.replace(":00Z", ":01Z").encode()
    )
    out = take(path, parse_mapping(LOG, "m", catalogue, "test"), catalogue)
    assert out.accepted["line"].to_list() == [2, 5]
    assert out.rejected.select("line", "rule").rows() == [(3, "nul_bytes"), (4, "nul_bytes")]
    assert out.reasons[0] == ("line_has_nul_bytes", {})


LINE = """
import resource, sys
from pathlib import Path
sys.path[:0] = [sys.argv[2], sys.argv[2] + '/tests/support']
from taking import take
from transforms.config.settings_catalogue import load_catalogue
from transforms.ingest.readers.text_layout import HEADER_BYTES
from transforms.ingest.mapping_file import parse_mapping
import json
catalogue = load_catalogue()
out = take(Path(sys.argv[1]), parse_mapping(json.loads(sys.argv[3]), "m", catalogue, "test"), catalogue)
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps([out.accepted["line"].to_list(), out.rejected.select("line", "rule", "reason_args").rows(), peak]))
"""


def _taken_apart(path: Path) -> tuple[list[int], list[list[object]], float]:
    """Lines accepted, rows rejected and peak memory in MB of taking a file in, in a process of its own."""
    words = [sys.executable, "-c", LINE, str(path), str(Path(__file__).parents[3]), json.dumps(LOG)]
    lines, rejected, peak = json.loads(subprocess.run(words, capture_output=True, text=True, check=True).stdout)
    return lines, rejected, peak


@pytest.mark.slow
def test_a_line_of_two_gigabytes_is_one_row_and_costs_no_memory(tmp_path):
    small, path = tmp_path / "small.csv", tmp_path / "log.csv"
    small.write_text("m,t,d\n" + ROW)
    with path.open("wb") as handle:
        handle.write(b"m,t,d\n" + ROW.encode())
        handle.seek(2 << 30, os.SEEK_CUR)  # a hole: two gigabytes without an end of line
        handle.write(b"\n" + ROW.replace(":00Z", ":01Z").encode())
    lines, rejected, peak = _taken_apart(path)
    path.unlink()
    assert lines == [2, 4]
    assert rejected == [[3, "line_too_long", '{"length": 2147483649}']]
    assert peak - _taken_apart(small)[2] < 200


# --- the inbox --------------------------------------------------------------------------------------------------------


def test_links_pipes_and_hidden_files_are_left_alone_and_told(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    (workspace.mappings / "f.toml").write_text(
        'kind = "field_boundary"\nfiles = ["*.csv"]\n[columns.field_id]\nfrom = "id"\n[columns.boundary]\nfrom = "b"\n'
    )
    secret = tmp_path / "secret"
    secret.mkdir()
    (secret / "s.csv").write_text("id,b\nsecret,x\n")
    (workspace.inbox / "link.csv").symlink_to(secret / "s.csv")
    (workspace.inbox / "folder").symlink_to(secret)
    (workspace.inbox / ".half.csv").write_text("id,b\nhalf,x\n")
    os.mkfifo(workspace.inbox / "pipe.csv")
    left = dict(scan_inbox(workspace.inbox, {}).left)
    codes = {name: why.code for name, why in left.items()}
    assert codes == {
        "link.csv": "inbox_link",
        "folder": "inbox_link",
        "pipe.csv": "inbox_not_a_file",
        ".half.csv": "inbox_hidden",
    }
    ran = taretrace("ingest", workspace.root)
    assert ran.code == 0, ran.err
    assert "Skipped: link.csv: it is a link" in ran.err
    with Warehouse(workspace.warehouse) as warehouse:
        assert warehouse.table("source_file").height == 0


NASTY = [
    "o'hare\"; drop table load;--",
    "<img src=x onerror=alert(1)>",
    "=cmd('calc')",
    "[bold]x[/bold]",
    "$(reboot)",
    "`id`",
    "a\tb",
]


def test_text_that_would_be_code_elsewhere_stays_text(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    (workspace.mappings / "f.toml").write_text(
        'kind = "field_boundary"\nfiles = ["*.csv"]\nseparator = ";"\n[columns.field_id]\nfrom = "id"\n'
        '[columns.boundary]\nfrom = "b"\n'
    )
    for i, name in enumerate(NASTY):
        quoted = '"' + name.replace('"', '""') + '"'
        (workspace.inbox / f"{name.replace('/', '_')[:60]}_{i}.csv").write_text(f"id;b\n{quoted};{quoted}\n;{quoted}\n")
    assert taretrace("ingest", workspace.root).code == 0
    with Warehouse(workspace.warehouse) as warehouse:
        assert sorted(warehouse.table("received_field_boundary")["field_id"]) == sorted(NASTY)
        assert warehouse.has("load")
        tables = exported_tables(warehouse, Lake(workspace.lake))
    said = taretrace("status", workspace.root)
    assert said.code == 0
    assert "[bold]x" in said.out
    write_tables(
        {"source_file": tables["source_file"], "rejected_row": tables["rejected_row"]}, tmp_path / "out", "csv"
    )
    shown = pl.read_csv(tmp_path / "out" / "rejected_row.csv", infer_schema=False)
    assert not any(str(v).startswith(("=", "+", "-", "@")) for row in shown.rows() for v in row)


def test_a_machine_named_as_a_path_stays_in_the_lake(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    columns = "".join(
        f"[columns.{c}]\n" + "".join(f"{k} = {json.dumps(v)}\n" for k, v in row.items())
        for c, row in LOG["columns"].items()
    )
    (workspace.mappings / "log.toml").write_text(f'kind = "telemetry"\nfiles = ["*.csv"]\n{columns}')
    (workspace.inbox / "log.csv").write_text(
        "m,t,d\n" + ROW.replace("M1", "../../../escape") + ROW.replace("M1", "/etc/x")
    )
    stages.receive_files(workspace, QUIET)
    folders = {p.name for p in (workspace.lake / "telemetry").iterdir()}
    assert len(folders) == 2
    assert all("/" not in f and ".." not in f for f in folders)
    assert not (tmp_path / "escape").exists()


def test_rejected_formulas_come_back_harmless_and_are_taken_as_they_were(tmp_path):
    workspace = init_workspace(tmp_path / "w")
    (workspace.mappings / "t.toml").write_text(
        'kind = "tare"\nfiles = ["t*.csv"]\n[columns.sample_id]\nfrom = "S"\n[columns.load_id]\nfrom = "L"\n'
        '[columns.dirt_tare_pct]\nfrom = "D"\nunit = "pct"\n'
    )
    (workspace.inbox / "t1.csv").write_text("S,L,D\n=cmd(),+L1,-5\n@s,-L2,wet\n")
    stages.receive_files(workspace, QUIET)
    ran = taretrace("rejected", workspace.root, "--json")
    assert ran.code == 0, ran.err
    (path,) = json.loads(ran.out)["files"]
    text = Path(path).read_text()
    assert text.splitlines()[1].startswith("'=cmd(),'+L1,-5,")
    assert text.splitlines()[2].startswith("'@s,'-L2,wet,")
    (workspace.inbox / Path(path).name).write_text(text.replace(",-5,", ",5,").replace(",wet,", ",6.5,"))
    stages.receive_files(workspace, QUIET)
    with Warehouse(workspace.warehouse) as warehouse:
        assert warehouse.table("tare").select("sample_id", "load_id", "dirt_tare_pct").rows() == [
            ("=cmd()", "+L1", 5.0),
            ("@s", "-L2", 6.5),
        ]
