"""Identity and history: what was sent again, corrected, cancelled or split gives the same tables in any order."""

import os
import shutil
from itertools import permutations
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flows import stages
from flows.runtime.progress import Reporter
from transforms.config.workspace import Workspace, init_workspace
from transforms.ingest.read_file import read_file
from transforms.storage.lake import Lake, read_frame
from transforms.storage.warehouse import Warehouse

QUIET = Reporter(quiet=True)
VIEWS = ("load", "tare", "load_tare", "field", "machine_setup", "machine", "loss_audit", "weather_hour")
TICKETS = """
kind = "load"
files = ["tickets*.csv"]
separator = ";"
time_zone = "UTC"
[columns.load_id]
from = "No"
[columns.revision]
from = "Rev"
[columns.cancelled]
from = "Void"
[columns.field_id]
from = "Field"
[columns.site_id]
value = "north"
[columns.weighed_at]
from = "At"
format = "%Y-%m-%d %H:%M"
[columns.delivered_t]
from = "Delivered"
unit = "t"
[columns.clean_t]
from = "Clean"
unit = "t"
"""
TARES = """
kind = "tare"
files = ["tares*.csv"]
[columns.sample_id]
from = "S"
[columns.load_id]
from = "L"
[columns.revision]
from = "R"
[columns.dirt_tare_pct]
from = "D"
unit = "pct"
"""
LOGS = """
kind = "telemetry"
files = ["log*.csv"]
[columns.machine_id]
from = "m"
[columns.logged_at]
from = "t"
format = "%Y-%m-%dT%H:%M:%SZ"
time_zone = "UTC"
[columns.share_depth_cm]
from = "d"
unit = "cm"
"""
HEAD = "No;Rev;Void;Field;At;Delivered;Clean\n"


def ticket(no: int, *, rev: int = 0, void: str = "", delivered: float = 27.0, field: str = "F1") -> str:
    return f"{no};{rev};{void};{field};2025-10-01 1{no % 10}:00;{delivered};24.0\n"


def log(seconds: range, machine: str = "M1", depth: float = 7.0) -> str:
    return "".join(f"{machine},2025-10-01T08:{s // 60:02d}:{s % 60:02d}Z,{depth}\n" for s in seconds)


FILES = {
    "tickets_1.csv": HEAD + ticket(1) + ticket(2) + ticket(3),
    "tickets_2.csv": HEAD + ticket(2, delivered=26.5) + ticket(3, rev=1, delivered=25.5) + ticket(4),
    "tickets_3.csv": HEAD + "1;1;yes;;;;\n" + ticket(3, delivered=30.0) + ticket(2),
    "tares_1.csv": "S,L,R,D\ns1,1,0,6.5\ns2,2,0,7.5\n",
    "tares_2.csv": "S,L,R,D\ns2,2,1,8.5\ns3,3,0,9.5\n",
    "log_1.csv": "m,t,d\n" + log(range(100)),
    "log_2.csv": "m,t,d\n" + log(range(80, 200)) + log(range(60, 70), depth=8.0),
    "log_3.csv": "m,t,d\n" + log(range(50, 60), machine="M2") + log(range(100)),
}
"""Overlaps, a correction by revision, one by date alone, a cancellation, a re-delivered row, logs that differ."""


def workspace(folder: Path) -> Workspace:
    made = init_workspace(folder)
    for name, text in (("tickets", TICKETS), ("tares", TARES), ("logs", LOGS)):
        (made.mappings / f"{name}.toml").write_text(text)
    return made


def deliver(made: Workspace, name: str, text: str, at: int) -> None:
    path = made.inbox / name
    path.write_text(text)
    os.utime(path, (1_760_000_000 + at, 1_760_000_000 + at))


def tables(made: Workspace) -> dict[str, pl.DataFrame]:
    """Return the tables that people see: views, and the telemetry of each machine as binning reads it."""
    with Warehouse(made.warehouse) as warehouse:
        out = {name: warehouse.table(name) for name in VIEWS}
        days = Lake(made.lake).machine_days({s[:16] for s in warehouse.table("source_file")["source_sha256"]})
        counts = warehouse.table("source_file")
    for key, paths in days.items():
        rows = pl.concat([read_frame(p) for p in paths]).drop("line", "part")
        out["/".join(key)] = rows.sort(rows.columns)
    assert (counts["rows_in"] == counts["rows_accepted"] + counts["rows_rejected"] + counts["rows_repeated"]).all()
    out["in all"] = counts.select(
        pl.col("rows_in", "rows_rejected").sum(), (pl.col("rows_accepted") + pl.col("rows_repeated")).sum()
    )
    return out


def same(one: dict[str, pl.DataFrame], two: dict[str, pl.DataFrame]) -> bool:
    return one.keys() == two.keys() and all(one[k].equals(two[k]) for k in one)


@pytest.fixture(scope="module")
def at_once(tmp_path_factory) -> dict[str, pl.DataFrame]:
    """Everything delivered, then taken in one run."""
    made = workspace(tmp_path_factory.mktemp("once") / "w")
    for at, (name, text) in enumerate(FILES.items()):
        deliver(made, name, text, at)
    stages.receive_files(made, QUIET)
    return tables(made)


def test_what_counts_in_the_end(at_once):
    loads = at_once["load"].select("load_id", "revision", "delivered_t").rows()
    # 1 is cancelled; 2 goes by the newest file, which sent the old row again; 3 by its revision, whatever came later.
    assert loads == [("2", 0, 27.0), ("3", 1, 25.5), ("4", 0, 27.0)]
    assert at_once["load_tare"].select("load_id", "dirt_tare_pct").rows() == [("1", 6.5), ("2", 8.5), ("3", 9.5)]
    assert at_once["tare"].height == 4
    assert (
        at_once["M1/2025-10-01"].height == 200 + 10
    )  # the instants that two deliveries tell differently are both kept


def arrived(at_once, folder, order, runs) -> bool:
    """Return the tables after files, dated as they were made, arrive in an order, with a run after some of them."""
    made = workspace(folder / "w")
    for name, run in zip(order, runs, strict=True):
        deliver(made, name, FILES[name], list(FILES).index(name))
        if run:
            stages.receive_files(made, QUIET)
    stages.receive_files(made, QUIET)
    return same(tables(made), at_once)


ORDERS, RUNS = st.permutations(list(FILES)), st.lists(st.booleans(), min_size=8, max_size=8)


@settings(max_examples=3, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(ORDERS, RUNS)
def test_any_order_of_arrival_gives_the_same_tables(at_once, tmp_path_factory, order, runs):
    assert arrived(at_once, tmp_path_factory.mktemp("any"), order, runs)


@pytest.mark.slow
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(ORDERS, RUNS)
def test_any_of_many_orders_gives_the_same_tables(at_once, tmp_path_factory, order, runs):
    assert arrived(at_once, tmp_path_factory.mktemp("any"), order, runs)


def test_the_same_file_again_under_another_name_and_date_changes_nothing(at_once, tmp_path):
    made = workspace(tmp_path / "w")
    for at, (name, text) in enumerate(FILES.items()):
        deliver(made, name, text, at)
    stages.receive_files(made, QUIET)
    for name, text in FILES.items():
        deliver(made, name.replace(".", "_again."), text, 500)
    assert stages.receive_files(made, QUIET) == []
    assert same(tables(made), at_once)


@pytest.mark.slow
def test_a_copy_that_came_first_counts_as_of_the_original(tmp_path):
    older, newer = HEAD + ticket(1), HEAD + ticket(1, delivered=25.0)
    ends = []
    for number, order in enumerate(permutations(("copy", "original", "correction"))):
        made = workspace(tmp_path / f"w{number}")
        for what in order:
            text, at = {"copy": (older, 900), "original": (older, 1), "correction": (newer, 5)}[what]
            deliver(made, f"tickets_{what}.csv", text, at)
            stages.receive_files(made, QUIET)
        ends.append(tables(made)["load"]["delivered_t"].to_list())
    assert ends == [[25.0]] * 6


@pytest.mark.parametrize(
    ("name", "overlap"),
    [
        ("tickets_1.csv", 1),
        ("log_3.csv", 1),
        *(pytest.param(f"{n}.csv", 1, marks=pytest.mark.slow) for n in ("tares_1", "log_1")),
        *(pytest.param(f"{n}.csv", 0, marks=pytest.mark.slow) for n in ("tickets_1", "tares_1", "log_1", "log_3")),
    ],
)
def test_a_file_split_in_two_gives_the_tables_of_the_whole(at_once, tmp_path, name, overlap):
    made = workspace(tmp_path / "w")
    for at, (other, text) in enumerate(FILES.items()):
        if other != name:
            deliver(made, other, text, at)
            continue
        head, *rows = text.splitlines(keepends=True)
        half = len(rows) // 2
        stem = name.removesuffix(".csv")
        deliver(made, f"{stem}_a.csv", head + "".join(rows[: half + overlap]), at)
        deliver(made, f"{stem}_b.csv", head + "".join(rows[half:]), at)
    stages.receive_files(made, QUIET)
    split = tables(made)
    assert all(split[k].equals(v) for k, v in at_once.items() if k != "in all")


def test_the_date_in_a_files_name_stands_above_its_time_of_change(tmp_path):
    made = workspace(tmp_path / "w")
    dated = 'dated = { file_name = "_(\\\\d{8})", format = "%Y%m%d" }\n'
    (made.mappings / "tickets.toml").write_text(TICKETS.replace('separator = ";"', f'separator = ";"\n{dated}'))
    deliver(made, "tickets_20251003.csv", HEAD + ticket(1, delivered=25.0), 1)
    deliver(made, "tickets_20251002.csv", HEAD + ticket(1, delivered=26.0), 900)
    for path in made.inbox.iterdir():  # whatever the file system says: one is older than its name, one younger
        os.utime(path, (1_750_000_000 + 50_000_000 * ("1002" in path.name),) * 2)
    for _ in range(3):
        stages.receive_files(made, QUIET)
        assert tables(made)["load"]["delivered_t"].to_list() == [25.0]


def test_a_cancelled_ticket_can_come_back_with_a_newer_revision(tmp_path):
    made = workspace(tmp_path / "w")
    deliver(made, "tickets_1.csv", HEAD + ticket(1) + ticket(1, rev=1, void="yes"), 1)
    stages.receive_files(made, QUIET)
    assert tables(made)["load"].height == 0
    deliver(made, "tickets_2.csv", HEAD + ticket(1, rev=2, delivered=24.5), 2)
    stages.receive_files(made, QUIET)
    assert tables(made)["load"]["delivered_t"].to_list() == [24.5]
    with Warehouse(made.warehouse) as warehouse:
        assert warehouse.table("received_load").height == 3  # the history stays


def test_a_mapping_that_changes_reads_its_files_again(tmp_path):
    made = workspace(tmp_path / "w")
    deliver(made, "tickets_1.csv", FILES["tickets_1.csv"], 0)
    deliver(made, "log_1.csv", FILES["log_1.csv"], 0)
    deliver(made, "log_9.csv", "m,t,d\n" + log(range(50)), 0)
    deliver(made, "strange.csv", "a;b\n1;2\n", 0)
    stages.receive_files(made, QUIET)
    (made.mappings / "logs.toml").write_text("# a comment changes nothing\n" + LOGS)
    assert stages.receive_files(made, QUIET) == []
    (made.mappings / "logs.toml").write_text(LOGS.replace('unit = "cm"', 'unit = "mm"'))
    (made.mappings / "strange.toml").write_text(
        'kind = "field_boundary"\nfiles = ["strange*"]\nseparator = ";"\n[columns.field_id]\nfrom = "a"\n'
        '[columns.boundary]\nfrom = "b"\n'
    )
    again = stages.receive_files(made, QUIET)
    assert sorted(r.file for r in again) == ["log_1.csv", "log_9.csv", "strange.csv"]
    shown = tables(made)
    assert shown["M1/2025-10-01"]["share_depth_cm"].unique().to_list() == pytest.approx([0.7])
    assert shown["M1/2025-10-01"].height == 100
    with Warehouse(made.warehouse) as warehouse:
        assert warehouse.table("received_field_boundary").height == 1
        assert warehouse.table("rejected_row").height == 0


def test_an_inbox_cleared_after_the_run_loses_nothing(tmp_path):
    made = workspace(tmp_path / "w")
    deliver(made, "tickets_1.csv", FILES["tickets_1.csv"], 0)
    stages.receive_files(made, QUIET)
    before = tables(made)
    shutil.rmtree(made.inbox)
    made.inbox.mkdir()
    assert stages.receive_files(made, QUIET) == []
    assert same(tables(made), before)


@pytest.mark.slow
def test_a_file_a_minute_is_compared_only_with_those_that_overlap(tmp_path, monkeypatch):
    """Machines that send a file every minute: the last of a day costs what the first did."""
    made = workspace(tmp_path / "w")
    read, opened = pl.read_parquet, []

    def read_and_record(source: Path, **options: Any) -> pl.DataFrame:
        opened.append(source)
        return read(source, **options)

    monkeypatch.setattr(
        "flows.stages.ingest.IsolatedRead", lambda _: read_file
    )  # in this process, whose reads are counted
    monkeypatch.setattr(pl, "read_parquet", read_and_record)
    for minute in range(8):
        deliver(made, f"log_{minute}.csv", "m,t,d\n" + log(range(60 * minute, 60 * minute + 60)), minute)
        stages.receive_files(made, QUIET)
    assert opened == []
    deliver(
        made, "log_late.csv", "m,t,d\n" + log(range(170, 190)), 9
    )  # over the end of the third and the fourth's start
    (late,) = stages.receive_files(made, QUIET)
    assert (late.rows_accepted, late.rows_repeated) == (0, 20)
    assert len(opened) == 2
