"""Mutated files through every reader: no traceback, no hang, no memory blow-up, every row accounted for.

The default run tries a few of each; `pytest -m slow` fifty thousand by Hypothesis and as many by atheris.
"""

import datetime as dt
import io
import json
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import xlsxwriter
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.support.results_page import VALIDATION, markdown_table, write_figures
from tests.support.taking import found
from tests.support.task_data import Moment, Value, device, log_header, record, task, task_data
from transforms.arrays import narrow
from transforms.config.settings_catalogue import load_catalogue
from transforms.ingest.ingest_file import IngestTarget, ingest_file
from transforms.ingest.mapping_file import parse_mapping
from transforms.storage.lake import Lake
from transforms.storage.warehouse import Warehouse

CATALOGUE = load_catalogue()
HANG_S = 20
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108
FEW = 25
FRESH_LAKE = 50
MANY = {
    "delimited": 18_000,
    "quoted": 6_000,
    "sheet": 5_000,
    "parquet": 5_000,
    "geojson": 5_000,
    "ghcn": 5_000,
    "gpx": 5_000,
    "parquet_types": 5_000,
    "task_data": 5_000,
    "two_logs": 2_000,
    "zip": 2_000,
}
WHEN = {"format": "%Y-%m-%dT%H:%M:%SZ", "time_zone": "UTC"}
LOG = {
    "machine_id": {"from": "m"},
    "logged_at": {"from": "t", **WHEN},
    "share_depth_cm": {"from": "d", "unit": "cm"},
    "work_state": {"from": "s"},
}
LOCAL = {**LOG, "logged_at": {"from": "t", "format": "%Y-%m-%d", "time_zone": "Europe/Prague"}}
TARE = {"sample_id": {"from": "S"}, "load_id": {"from": "L"}, "dirt_tare_pct": {"from": "D", "unit": "pct"}}


@dataclass(frozen=True)
class Target:
    """A reader to try: the file's name, good content, and the mapping it is read by."""

    name: str
    content: bytes
    table: dict[str, Any]


def _log(separator: str, quote: str) -> bytes:
    rows = [f"{quote}M{i % 2}{quote},2025-10-01T08:00:{i:02d}Z,{i}.5,{quote}working{quote}" for i in range(30)]
    return ("m,t,d,s\n" + "\n".join(rows) + "\n").replace(",", separator).encode()


def _sheet() -> bytes:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out) as book:
        page = book.add_worksheet("Lab")
        for i, row in enumerate([["S", "L", "D"], *([f"s{i}", f"l{i}", i + 0.5] for i in range(12))]):
            page.write_row(i, 0, row)
    return out.getvalue()


def _parquet() -> bytes:
    out = io.BytesIO()
    at = [dt.datetime(2025, 10, 1, 8, tzinfo=dt.UTC) + dt.timedelta(seconds=s) for s in range(30)]
    pl.DataFrame({"m": ["M1"] * 30, "t": at, "d": [7.0] * 30, "s": ["working"] * 30}).write_parquet(out)
    return out.getvalue()


def _parquet_types() -> bytes:
    """Texts of a dictionary, local times of another unit, decimals, and a name that two columns have."""
    out = io.BytesIO()
    at = pa.array([dt.datetime(2025, 10, 26, 0, m, tzinfo=dt.UTC) for m in range(30)]).cast(pa.timestamp("ms"))
    depth = pa.array([Decimal(f"{i}.5") for i in range(30)], pa.decimal128(9, 2))
    machine = pa.array(["M1", "Mä"] * 15).dictionary_encode()
    table = pa.table([machine, at, depth, pa.array(["working"] * 30, pa.large_string()), depth], names=list("mtdsd"))
    pq.write_table(table, out)
    return out.getvalue()


def _geojson() -> bytes:
    ring = [[15.0, 50.0], [15.01, 50.01], [15.01, 50.0], [15.0, 50.01], [15.0, 50.0]]  # it crosses itself
    rows = [
        {"type": "Feature", "properties": {"id": f"F{i}"}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
        for i in range(4)
    ]
    return json.dumps({"type": "FeatureCollection", "features": rows}).encode()


def _binary() -> bytes:
    start = dt.datetime(2025, 10, 1, 8)  # noqa: DTZ001
    return b"".join(
        record(Moment(start + dt.timedelta(seconds=i), {"A": i, "B": i}, {0: i, 1: 70}), "ABD") for i in range(40)
    )


VALUES = [Value(397, designator="Speed", scale=(0, 0.0036, "km/h")), Value(52, designator="Depth")]
TASK = task_data(device(VALUES) + task(["TLG00001"]))


def _zip() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("T/TASKDATA.XML", TASK)
        archive.writestr("T/TLG00001.XML", log_header(VALUES, "ABD"))
        archive.writestr("T/TLG00001.BIN", _binary())
    return out.getvalue()


def _ghcn() -> bytes:
    return "".join(f"EZE00100082,202510{d:02d},TMAX,{200 + d},,,E,0700\n" for d in range(1, 25)).encode()


def _gpx() -> bytes:
    points = "".join(
        f'<trkpt lat="50.{i:02d}" lon="14.4"><time>2025-10-01T08:00:{i:02d}Z</time><extensions><s:speed>8.{i}</s:speed>'
        "</extensions></trkpt>"
        for i in range(30)
    )
    head = '<?xml version="1.0"?><gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1" xmlns:s="urn:s">'
    return f"{head}<trk><name>T1</name><trkseg>{points}</trkseg></trk></gpx>".encode()


TARGETS = {
    "delimited": Target("log.csv", _log(";", ""), {"kind": "telemetry", "separator": ";", "columns": LOG}),
    "quoted": Target("log.csv", _log(",", '"'), {"kind": "telemetry", "columns": LOG}),
    "sheet": Target("tares.xlsx", _sheet(), {"kind": "tare", "sheet": "*", "columns": TARE}),
    "parquet": Target("log.parquet", _parquet(), {"kind": "telemetry", "columns": LOG}),
    "parquet_types": Target("log.parquet", _parquet_types(), {"kind": "telemetry", "columns": LOCAL}),
    "geojson": Target(
        "f.geojson",
        _geojson(),
        {"kind": "field_boundary", "columns": {"field_id": {"from": "id"}, "boundary": {"from": "geometry"}}},
    ),
    "ghcn": Target("g.csv", _ghcn(), {"kind": "weather_reading", "form": "ghcn_daily"}),
    "gpx": Target("p.gpx", _gpx(), {"kind": "truck_position", "form": "gpx"}),
    "task_data": Target("task", b"", {"kind": "telemetry", "form": "iso11783", "time_zone": "UTC"}),
    "two_logs": Target("two", b"", {"kind": "telemetry", "form": "iso11783"}),
    "zip": Target("t.zip", _zip(), {"kind": "telemetry", "form": "iso11783", "time_zone": "UTC"}),
}

PIECES = st.one_of(
    st.binary(max_size=6),
    st.sampled_from(
        [
            b"\n",
            b"\r\n",
            b'"',
            b"\x00",
            b";",
            b",",
            b"\xff\xfe",
            b"\xef\xbb\xbf",
            b"9" * 40,
            b"-",
            b"=",
            b"<",
            b">",
            b"&x;",
            b"<!DOCTYPE a>",
            b"{",
            b"[" * 50,
            b"\xff" * 8,
            b"\n\n\n",
            b"NaN",
            b"1e999",
            b"Total",
            b"\x01",
            b"\\ud800",
            b"\xed\xa0\x80",
            b"148108-",
            b"x" * 500,
        ]
    ),
)
MUTATION = st.tuples(
    st.sampled_from(["insert", "replace", "cut", "repeat", "swap", "end"]), st.floats(0, 1), st.integers(0, 60), PIECES
)
MUTATIONS = st.lists(MUTATION, min_size=1, max_size=5)


def mutate(data: bytes, steps: list[tuple[str, float, int, bytes]]) -> bytes:
    """Change a file as accidents and enemies do."""
    for what, where, length, piece in steps:
        at = int(where * len(data))
        head, middle, tail = data[:at], data[at : at + length], data[at + length :]
        data = {
            "insert": head + piece + middle + tail,
            "replace": head + piece + tail,
            "cut": head + tail,
            "repeat": head + middle * 3 + tail,
            "swap": head + middle[::-1] + tail,
            "end": head + piece,
        }[what]
    return data


@contextmanager
def no_hang() -> Iterator[None]:
    def late(_signal: int, _frame: object) -> None:
        raise TimeoutError(f"more than {HANG_S} s of processor time")

    # Processor time: on a busy machine a file may wait longer than that. Again each second: a library may swallow one.
    signal.signal(signal.SIGPROF, late)
    signal.setitimer(signal.ITIMER_PROF, HANG_S, 1)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)


def _write(target: Target, folder: Path, steps: list[tuple[str, float, int, bytes]], which: int) -> Path:
    """Write the mutated file; of task data, one of its three files is mutated."""
    path = folder / target.name
    if target.name not in {"task", "two"}:
        path.write_bytes(mutate(target.content, steps))
        return path
    shutil.rmtree(path, ignore_errors=True)
    path.mkdir()
    files = {
        "TASKDATA.XML": TASK.encode(),
        "TLG00001.XML": log_header(VALUES, "ABD").encode(),
        "TLG00001.BIN": _binary(),
    }
    if target.name == "two":  # a second log of the same instants, and a zone that the task states
        files["TLG00002.XML"], files["TLG00002.BIN"] = files["TLG00001.XML"], _binary()
        files["TASKDATA.XML"] = task_data(
            device(VALUES) + task(["TLG00001", "TLG00002"], "2025-10-01T08:00:00+02:00")
        ).encode()
    chosen = ["TLG00001.BIN", "TLG00001.XML", "TASKDATA.XML"][which]
    for name, content in files.items():
        (path / name).write_bytes(mutate(content, steps) if name == chosen else content)
    return path


def _expected_lines(path: Path, separator: bytes) -> tuple[int, int]:
    """(least, most) rows a text file can have: lines after the header, with and without those that hold nothing."""
    lines = path.read_bytes().replace(b"\r\n", b"\n").split(b"\n")[1:]
    filled = [line for line in lines if line.strip()]
    nothing = [
        line for line in filled if not line.replace(separator, b"").replace(b'"', b"").strip(b" -nNaAuUlL/\t\r\x0b\x0c")
    ]
    return len(filled) - len(nothing), len(lines)


def run(kind: str, examples: int) -> None:
    """Try a reader on a number of mutated files."""
    target = TARGETS[kind]
    mapping = parse_mapping({"files": ["*"], **target.table}, "m", CATALOGUE, "test")

    with (
        tempfile.TemporaryDirectory(dir=MEMORY) as folder,
        Warehouse.in_memory() as warehouse,
    ):
        store = IngestTarget(warehouse, Lake(Path(folder) / "lake"))

        @settings(max_examples=examples, deadline=None, database=None, suppress_health_check=list(HealthCheck))
        @given(MUTATIONS, st.integers(0, 2))
        def one(steps: list[tuple[str, float, int, bytes]], which: int) -> None:
            if len(store.recorded) % FRESH_LAKE == 0:  # else every case is compared with all before it
                shutil.rmtree(narrow(store.lake.root, Path) / "telemetry", ignore_errors=True)
            path = _write(target, Path(folder), steps, which)
            file = found(path)
            if file.sha[:16] in store.recorded:
                return
            before = warehouse.table("rejected_row").height if examples <= FEW else None
            with no_hang():
                parts = ingest_file(file, [mapping], CATALOGUE, store)
            assert parts is not None
            (received,) = parts
            assert received.rows_in == received.rows_accepted + received.rows_rejected + received.rows_repeated
            if before is not None:
                assert warehouse.table("rejected_row").height - before == received.rows_rejected
            if kind == "delimited" and received.rows_in > 1:
                least, most = _expected_lines(path, b";")
                assert least <= received.rows_in <= most

        one()


SLOW = {"sheet", "gpx"}
"""Kinds whose few files take more than a second."""


@pytest.mark.parametrize("kind", [pytest.param(k, marks=pytest.mark.slow) if k in SLOW else k for k in TARGETS])
def test_a_few_mutated_files(kind):
    run(kind, FEW)


@pytest.mark.slow
def test_fifty_thousand_mutated_files():
    rows = []
    for kind in TARGETS:
        started = time.perf_counter()
        run(kind, MANY[kind])
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        rows.append([kind, f"{MANY[kind]:,}", "0", f"{time.perf_counter() - started:.0f} s", f"{peak_mb:.0f} MB"])
        assert peak_mb < 3000
    head = ["format", "mutated files", "errors", "time", "peak memory of the process so far"]
    write_figures(VALIDATION, "mutated files", markdown_table(head, rows))


@pytest.mark.slow
def test_task_data_guided_by_coverage(tmp_path):
    """Atheris changes XML and records by what they reach in the parser; it stops at the first exception."""
    pytest.importorskip("atheris")
    corpus = tmp_path / "corpus"
    corpus.mkdir()
    (corpus / "a").write_bytes(b"x" + TASK.encode())
    (corpus / "b").write_bytes(b"b" + _binary())
    (corpus / "c").write_bytes(b"h" + log_header(VALUES, "ABD").encode())
    script = Path(__file__).with_name("fuzz_task_data.py")
    started = time.perf_counter()
    words = [sys.executable, str(script), "-runs=50000", "-timeout=20", "-rss_limit_mb=3000", str(corpus)]
    done = subprocess.run(words, capture_output=True, text=True, cwd=tmp_path, check=False)
    assert done.returncode == 0, (done.stdout + done.stderr)[-3000:]
    assert "Done 50000 runs" in done.stderr
    line = f"Task data guided by coverage (atheris): 50,000 runs, no error, {time.perf_counter() - started:.0f} s."
    write_figures(VALIDATION, "guided by coverage", [line])
