"""Files with several kinds of rows: every mapping that fits reads, no rows are read twice, and all books balance."""

import datetime as dt
import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, TypeVar, cast

import polars as pl
import pytest

from reports.language.reason_text import format_reason
from tests.support.taking import found
from tests.support.task_data import Moment, Value, write_set
from tests.support.workbooks import write_book
from transforms.config.settings_catalogue import Catalogue
from transforms.ingest.corrections import CorrectionTexts, write_rejected
from transforms.ingest.file_read import IngestedFile
from transforms.ingest.inbox import Inbox
from transforms.ingest.ingest_file import IngestTarget, ingest_file
from transforms.ingest.isolated_read import IsolatedRead
from transforms.ingest.mapping import Mapping
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.mapping_match import is_narrower, matched_fingerprint
from transforms.ingest.parallel_read import ingest_files
from transforms.ingest.pending import changed_files, pending_files
from transforms.ingest.read_file import read_file
from transforms.parallel import Executor, serial
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse

Job = TypeVar("Job")
Result = TypeVar("Result")
LOAD = {
    "load_id": {"from": "Ticket"},
    "field_id": {"from": "Field"},
    "site_id": {"value": "north"},
    "weighed_at": {"from": "Weighed", "format": "%Y-%m-%d %H:%M", "time_zone": "UTC"},
    "delivered_t": {"from": "Gross", "unit": "t"},
    "clean_t": {"from": "Net", "unit": "t"},
}
TARE = {
    "sample_id": {"from": "Sample"},
    "load_id": {"from": "Ticket"},
    "dirt_tare_pct": {"from": "Dirt", "unit": "pct"},
}
LOG = {
    "machine_id": {"from": "m"},
    "logged_at": {"from": "t", "format": "%Y-%m-%dT%H:%M:%SZ", "time_zone": "UTC"},
    "share_depth_cm": {"from": "d", "unit": "cm"},
}
TICKETS = [["Ticket", "Field", "Weighed", "Gross", "Net"], ["1", "F1", "2025-10-01 10:00", "27", "24"]]
TARES = [["Sample", "Ticket", "Dirt"], ["s1", "1", "6.5"], ["s2", "1", "x"]]
WIDE = (
    "Ticket,Field,Weighed,Gross,Net,Sample,Dirt\n"
    "1,F1,2025-10-01 10:00,27,24,s1,6.5\n"
    "2,F1,2025-10-01 11:00,x,24,s2,7.5\n"
    "3,F1,2025-10-01 12:00,27,24,s3,y\n"
    "4,F1,2025-10-01 13:00,x,24,s4,y\n"
)


def mapping(catalogue: Catalogue, name: str, kind: str, columns: dict[str, Any], **layout: Any) -> Mapping:
    return parse_mapping({"kind": kind, "files": ["*"], "columns": columns, **layout}, name, catalogue, "test")


class Store:
    """An empty store in memory, and the books of what it takes in."""

    def __init__(self, folder: Path, catalogue: Catalogue) -> None:
        self.warehouse, self.lake, self.catalogue = Warehouse.in_memory(), Lake(folder / "lake"), catalogue
        self.target = IngestTarget(self.warehouse, self.lake)

    def take(self, path: Path, *mappings: Mapping) -> dict[str, IngestedFile]:
        received = ingest_file(found(path), list(mappings), self.catalogue, self.target)
        assert received is not None
        self.balance()
        return {str(r.mapping): r for r in received}

    def balance(self) -> None:
        for check in ("rows_accounted", "stored_rows_accounted"):
            assert not self.warehouse.check(check).height, check

    def findings(self) -> list[str]:
        return self.warehouse.table("source_finding")["reason_code"].to_list()

    def telemetry(self) -> pl.DataFrame:
        paths = sorted(Path(str(self.lake.root)).glob("telemetry/*/*/*.parquet"))
        return pl.concat([pl.read_parquet(p) for p in paths]) if paths else pl.DataFrame()


@pytest.fixture
def store(tmp_path, catalogue):
    return Store(tmp_path, catalogue)


def in_this_process(_: Callable[[Job], Result], jobs: Sequence[Job]) -> Iterator[Result]:
    """An executor that reads in this process, to see the order of recording alone."""
    return iter([cast("Any", read_file)(job) for job in jobs])


def counts(received: IngestedFile) -> tuple[int, int, int, int]:
    return received.rows_in, received.rows_accepted, received.rows_rejected, received.rows_repeated


# --- several mappings of one file -------------------------------------------------------------------------------------


def test_each_sheet_is_read_by_its_mapping_and_an_unread_one_is_reported(tmp_path, catalogue, store):
    path = write_book(tmp_path / "w.xlsx", {"Tickets": TICKETS, "Lab": TARES, "Prices": [["a"]], "Empty": []})
    tickets = mapping(catalogue, "tickets", "load", LOAD, sheet="Tickets")
    lab = mapping(catalogue, "lab", "tare", TARE, sheet="Lab")
    received = store.take(path, lab, tickets)
    assert {name: counts(r) for name, r in received.items()} == {"tickets": (1, 1, 0, 0), "lab": (2, 1, 1, 0)}
    assert store.warehouse.table("load")["load_id"].to_list() == ["1"]
    assert store.warehouse.table("load_tare")["dirt_tare_pct"].to_list() == [6.5]
    notes = store.warehouse.table("source_finding").select("reason_code", "reason_args").rows()
    assert [(code, json.loads(args)) for code, args in notes] == [("sheet_not_read", {"sheet": "Prices"})]


def test_a_sheet_that_the_only_mapping_does_not_name_is_reported(tmp_path, catalogue, store):
    path = write_book(tmp_path / "w.xlsx", {"Tickets": TICKETS, "Lab": TARES})
    store.take(path, mapping(catalogue, "tickets", "load", LOAD))
    assert store.findings() == ["sheet_not_read"]


def test_a_wide_table_is_read_once_per_kind_and_each_kind_balances(tmp_path, catalogue, store):
    path = tmp_path / "wide.csv"
    path.write_text(WIDE)
    received = store.take(path, mapping(catalogue, "a", "load", LOAD), mapping(catalogue, "b", "tare", TARE))
    assert {name: counts(r) for name, r in received.items()} == {"a": (4, 2, 2, 0), "b": (4, 2, 2, 0)}
    assert store.warehouse.table("load")["load_id"].to_list() == ["1", "3"]
    assert store.warehouse.table("load_tare")["load_id"].to_list() == ["1", "2"]
    arrived = store.warehouse.query("arrival").select("kind", "files", "rows_in").rows()
    assert arrived == [("load", 1, 4), ("tare", 1, 4)]
    assert store.warehouse.table("arrived_file").height == 1


def test_a_corrected_row_of_a_wide_table_returns_once_and_only_its_new_kind_counts(tmp_path, catalogue, store):
    path = tmp_path / "wide.csv"
    path.write_text(WIDE)
    mappings = {"a": mapping(catalogue, "a", "load", LOAD), "b": mapping(catalogue, "b", "tare", TARE)}
    store.take(path, *mappings.values())
    rows = store.warehouse.query("correctable_row", file="%")
    assert [(line, len(reasons)) for line, reasons in rows.select("line", "reasons").iter_rows()] == [
        (3, 1),
        (4, 1),
        (5, 2),
    ]
    (written,), left = write_rejected(rows, mappings, tmp_path / "out", CorrectionTexts("why", format_reason))
    assert (written.name, left) == ("mended~wide.csv", 0)
    written.write_text(written.read_text().replace(",x,", ",28,").replace(",y,", ",9.5,"))
    again = store.take(written, *mappings.values())
    assert {name: counts(r) for name, r in again.items()} == {"a": (3, 2, 0, 1), "b": (3, 2, 0, 1)}
    assert store.warehouse.table("load")["load_id"].to_list() == ["1", "2", "3", "4"]
    assert store.warehouse.table("load_tare")["load_id"].to_list() == ["1", "2", "3", "4"]


def test_rejected_rows_of_two_sheets_are_two_corrections_files_that_both_return(tmp_path, catalogue, store):
    bad = [TICKETS[0], [*TICKETS[1][:3], "x", "24"]]
    path = write_book(tmp_path / "w.xlsx", {"Tickets": bad, "Lab": TARES})
    own = {
        "lab": mapping(catalogue, "lab", "tare", TARE, sheet="Lab"),
        "tickets": mapping(catalogue, "tickets", "load", LOAD, sheet="Tickets"),
    }
    store.take(path, *own.values())
    rows = store.warehouse.query("correctable_row", file="%")
    written, _ = write_rejected(rows, own, tmp_path / "out", CorrectionTexts("why", format_reason))
    assert len(written) == 2
    for path in written:
        (received,) = store.take(path, *own.values()).values()
        assert received.rows_rejected == 1
    assert "mapping_not_fitting" not in store.findings()


def test_two_mappings_of_one_kind_read_different_sheets(tmp_path, catalogue, store):
    north = [["Sample", "Ticket", "Dirt"], ["s1", "1", "6.5"], ["s2", "2", "7.5"]]
    south = [["Probe", "Ticket", "Dirt"], ["s3", "3", "8.5"], ["s2", "2", "9.5"], ["s1", "1", "6.5"]]
    path = write_book(tmp_path / "w.xlsx", {"North": north, "South": south})
    probe = {**TARE, "sample_id": {"from": "Probe"}}
    received = store.take(
        path,
        mapping(catalogue, "north", "tare", TARE, sheet="*"),
        mapping(catalogue, "south", "tare", probe, sheet="*"),
    )
    assert {name: counts(r) for name, r in received.items()} == {"north": (2, 2, 0, 0), "south": (3, 1, 1, 1)}
    assert store.warehouse.table("rejected_row")["rule"].to_list() == ["same_key_twice"]


def test_a_log_with_several_kinds_is_read_for_each(tmp_path, catalogue, store):
    path = tmp_path / "log.csv"
    path.write_text("m,t,d,Sample,Ticket,Dirt\nM1,2025-10-01T08:00:00Z,7,s1,1,6\nM1,2025-10-01T08:00:01Z,7,s1,1,6\n")
    received = store.take(path, mapping(catalogue, "log", "telemetry", LOG), mapping(catalogue, "lab", "tare", TARE))
    assert {name: counts(r) for name, r in received.items()} == {"log": (2, 2, 0, 0), "lab": (2, 1, 0, 1)}
    assert store.telemetry().height == 2


def test_files_read_in_parallel_have_the_counts_of_files_read_one_by_one(tmp_path, catalogue):
    mappings = [mapping(catalogue, "log", "telemetry", LOG), mapping(catalogue, "lab", "tare", TARE)]
    head = "m,t,d,Sample,Ticket,Dirt\n"
    rows = [f"M1,2025-10-01T08:00:0{s}Z,7,s{s},{s},6\n" for s in range(6)]
    texts = {
        "a.csv": head + "".join(rows[:4]),
        "b.csv": head + "".join(rows[2:]),
        "c.csv": "Sample,Ticket,Dirt\ns5,5,6\n",
    }
    for name, text in texts.items():
        (tmp_path / name).write_text(text)
    files = [found(tmp_path / name) for name in texts]
    outcomes = []
    executors: list[Executor] = [serial, in_this_process]
    for n, executor in enumerate(executors):
        store = Store(tmp_path / str(n), catalogue)
        taken = list(ingest_files(files, mappings, catalogue, store.target, executor, IsolatedRead()))
        store.balance()
        outcomes.append([{r.mapping: counts(r) for r in received or []} for _, received in taken])
    assert outcomes[0] == outcomes[1]
    assert outcomes[0] == [
        {"log": (4, 4, 0, 0), "lab": (4, 4, 0, 0)},
        {"log": (4, 2, 0, 2), "lab": (4, 2, 0, 2)},
        {"lab": (1, 0, 0, 1)},
    ]


# --- mappings that do not read a file ---------------------------------------------------------------------------------


def test_a_matching_mapping_without_its_columns_is_a_finding_if_another_one_reads_the_file(tmp_path, catalogue, store):
    path = tmp_path / "tares.csv"
    path.write_text("Sample,Ticket,Dirt\ns1,1,6.5\n")
    received = store.take(path, mapping(catalogue, "a", "load", LOAD), mapping(catalogue, "b", "tare", TARE))
    assert {name: counts(r) for name, r in received.items()} == {"b": (1, 1, 0, 0)}
    assert store.findings() == ["mapping_not_fitting"]


@pytest.mark.parametrize("suffix", [".parquet", ".xlsx"])
def test_columns_of_other_formats_decide_too(tmp_path, catalogue, store, suffix):
    path = tmp_path / f"tares{suffix}"
    if suffix == ".parquet":
        pl.DataFrame({"Sample": ["s1"], "Ticket": ["1"], "Dirt": [6.5]}).write_parquet(path)
    else:
        write_book(path, {"Any": TARES[:2]})
    received = store.take(path, mapping(catalogue, "a", "load", LOAD), mapping(catalogue, "b", "tare", TARE))
    assert list(received) == ["b"]
    assert store.findings() == ["mapping_not_fitting"]


def test_a_file_that_no_matching_mapping_fits_is_one_rejected_row_with_every_reason(tmp_path, catalogue, store):
    path = tmp_path / "other.csv"
    path.write_text("q,r\n1,2\n")
    received = store.take(path, mapping(catalogue, "a", "load", LOAD), mapping(catalogue, "b", "tare", TARE))
    (only,) = received.values()
    assert counts(only) == (1, 0, 1, 0)
    args = json.loads(store.warehouse.table("rejected_row")["reason_args"][0])
    assert [args["mapping"], *(also["args"]["mapping"] for also in args["also"])] == ["a", "b"]


def test_a_mapping_that_fails_while_reading_is_refused_and_the_others_read(tmp_path, catalogue, store):
    path = tmp_path / "log.csv"
    path.write_text("m,t,d,S,L,D\nM1,2025-10-01T08:00:00Z,7,s1,1,6.5\n")
    tare = {
        "sample_id": {"from": "S"},
        "load_id": {"file_name": "load(\\d+)"},
        "dirt_tare_pct": {"from": "D", "unit": "pct"},
    }
    received = store.take(path, mapping(catalogue, "a", "telemetry", LOG), mapping(catalogue, "b", "tare", tare))
    assert {name: counts(r) for name, r in received.items()} == {"a": (1, 1, 0, 0), "b": (1, 0, 1, 0)}
    assert store.warehouse.table("rejected_row").select("mapping", "rule").rows() == [("b", "file_name")]
    assert store.telemetry().height == 1


# --- precedence -------------------------------------------------------------------------------------------------------


def test_two_mappings_of_one_kind_for_the_same_rows_are_refused_by_name(tmp_path, catalogue, store):
    path = tmp_path / "tares.csv"
    path.write_text("Sample,Ticket,Dirt\ns1,1,6.5\n")
    received = store.take(path, mapping(catalogue, "a", "tare", TARE), mapping(catalogue, "b", "tare", TARE))
    (only,) = received.values()
    assert counts(only) == (1, 0, 1, 0)
    assert only.refused is not None
    assert (only.refused.code, json.loads(only.refused.args)["mappings"]) == ("mappings_overlap", ["a", "b"])
    assert store.warehouse.table("received_tare").height == 0


def test_the_narrower_pattern_wins(tmp_path, catalogue, store):
    path = tmp_path / "tares_north_1.csv"
    path.write_text("Sample,Ticket,Dirt,Earth\ns1,1,6.5,9.5\n")
    wide = mapping(catalogue, "a", "tare", TARE, files=["tares_*.csv"])
    narrow = mapping(
        catalogue, "b", "tare", {**TARE, "dirt_tare_pct": {"from": "Earth", "unit": "pct"}}, files=["tares_north_*.csv"]
    )
    assert is_narrower(narrow, wide, path.name)
    assert not is_narrower(wide, narrow, path.name)
    assert list(store.take(path, wide, narrow)) == ["b"]
    assert store.warehouse.table("tare")["dirt_tare_pct"].to_list() == [9.5]


def test_rows_never_go_to_the_machine_of_a_sister_file(tmp_path, catalogue, store):
    log = {**LOG, "machine_id": {"value": "M01"}}
    logs = mapping(catalogue, "logs", "telemetry", log, files=["log_M*.csv"])
    for number in (1, 2):
        path = tmp_path / f"log_M0{number}.csv"
        path.write_text(f"t,d\n2025-10-01T08:00:0{number}Z,7\n")
        (received,) = store.take(path, logs).values()
        assert counts(received)[1:3] == ((1, 0) if number == 1 else (0, 1))
    assert store.telemetry()["machine_id"].to_list() == ["M01"]
    assert store.warehouse.table("rejected_row")["rule"].to_list() == ["id_stated_for_all"]
    stated = mapping(catalogue, "m2", "telemetry", {**LOG, "machine_id": {"value": "M02"}}, files=["log_M02*.csv"])
    path = tmp_path / "log_M02_b.csv"
    path.write_text("t,d\n2025-10-01T08:00:03Z,7\n")
    assert list(store.take(path, logs, stated)) == ["m2"]


def test_a_sheet_of_a_mapping_refused_for_its_id_is_not_lost_beside_another_sheet(tmp_path, catalogue, store):
    first, second = ([["m", "t", "d"], ["M1", f"2025-10-01T08:00:0{s}Z", "7"]] for s in (0, 1))
    path = write_book(tmp_path / "w.xlsx", {"A": first, "B": second})
    stated = mapping(catalogue, "b", "telemetry", {**LOG, "machine_id": {"value": "M02"}}, sheet="B")
    received = store.take(path, mapping(catalogue, "a", "telemetry", LOG, sheet="A"), stated)
    assert {name: counts(r) for name, r in received.items()} == {"a": (1, 1, 0, 0), "b": (1, 0, 1, 0)}
    assert store.telemetry()["machine_id"].to_list() == ["M1"]


def test_task_data_is_read_as_telemetry_alone(tmp_path, catalogue, store):
    start, place = dt.datetime(2025, 10, 1, 8), {"A": 501_000_000, "B": 152_000_000}  # noqa: DTZ001
    moments = [Moment(start + dt.timedelta(seconds=s), place, {0: 70}) for s in range(9)]
    write_set(tmp_path / "set", moments, [Value(52)])
    machine = {"machine_id": {"value": "M1", "for_all_files": True}}
    tasks = mapping(catalogue, "tasks", "telemetry", machine, form="iso11783", time_zone="UTC")
    received = store.take(tmp_path / "set", mapping(catalogue, "lab", "tare", TARE), tasks)
    assert {name: counts(r) for name, r in received.items()} == {"tasks": (9, 9, 0, 0)}
    assert "mapping_not_fitting" in store.findings()


# --- history ----------------------------------------------------------------------------------------------------------


def test_the_same_file_again_is_known_and_a_changed_mapping_of_either_kind_reads_it_again(tmp_path, catalogue, store):
    path = tmp_path / "wide.csv"
    path.write_text(WIDE)
    load, tare = mapping(catalogue, "a", "load", LOAD), mapping(catalogue, "b", "tare", TARE)
    store.take(path, load, tare)
    assert pending_files(Inbox([found(path)], []), store.warehouse) == []
    taken, here = store.warehouse.table("source_file"), {found(path).sha}
    assert changed_files([load, tare], taken, here).again == set()
    corrected = mapping(catalogue, "b", "tare", TARE, decimal=",", separator=";")
    assert changed_files([load, corrected], taken, here).again == here
    assert changed_files([load, corrected], taken, set()).stuck == [(found(path).sha, "wide.csv")]
    added = mapping(catalogue, "c", "field_boundary", {"field_id": {"from": "Field"}, "boundary": {"from": "Gross"}})
    assert changed_files([load, tare, added], taken, here).again == here


def test_a_file_keeps_its_rows_while_one_of_its_mappings_is_missing(tmp_path, catalogue, store):
    path = tmp_path / "wide.csv"
    path.write_text(WIDE)
    load, tare = mapping(catalogue, "a", "load", LOAD), mapping(catalogue, "b", "tare", TARE)
    store.take(path, load, tare)
    taken, here = store.warehouse.table("source_file"), {found(path).sha}
    assert changed_files([load], taken, here).again == set()
    renamed = mapping(catalogue, "z", "tare", TARE)
    assert changed_files([load, renamed], taken, here).again == here


def test_a_file_refused_for_its_id_is_read_again_when_its_pattern_or_its_statement_changes(catalogue):
    log = {**LOG, "machine_id": {"value": "M01"}}
    refused = mapping(catalogue, "logs", "telemetry", log, files=["log_*.csv"])
    narrowed = mapping(catalogue, "logs", "telemetry", log, files=["log_harvester.csv"])
    stated = mapping(
        catalogue,
        "logs",
        "telemetry",
        {**log, "machine_id": {"value": "M01", "for_all_files": True}},
        files=["log_*.csv"],
    )
    prints = [matched_fingerprint("log_harvester.csv", (m,)) for m in (refused, narrowed, stated)]
    assert prints[0] not in prints[1:]
    assert prints[1] == narrowed.fingerprint()


def test_a_crash_between_the_kinds_of_a_file_leaves_none_of_them(tmp_path, catalogue, store, monkeypatch):
    path = tmp_path / "wide.csv"
    path.write_text(WIDE)
    mappings = mapping(catalogue, "a", "load", LOAD), mapping(catalogue, "b", "tare", TARE)
    append = Warehouse.append

    def fails(self: Warehouse, name: str, rows: pl.DataFrame) -> None:
        if name == "received_tare":
            raise KeyboardInterrupt
        append(self, name, rows)

    with monkeypatch.context() as patched:
        patched.setattr(Warehouse, "append", fails)
        with pytest.raises(KeyboardInterrupt):
            ingest_file(found(path), list(mappings), catalogue, store.target)
    for name in ("received_load", "received_tare", "rejected_row", "source_file"):
        assert store.warehouse.table(name).height == 0, name
    assert {name: counts(r) for name, r in store.take(path, *mappings).items()} == {
        "a": (4, 2, 2, 0),
        "b": (4, 2, 2, 0),
    }
