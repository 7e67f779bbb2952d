"""Parquet of every type that exports hold, and damaged: rows, or a reason."""

import datetime as dt
import io
from decimal import Decimal

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.support.taking import take
from transforms.errors import SourceFileError
from transforms.ingest.mapping_file import parse_mapping
from transforms.ingest.preview import first_rows

UTC = dt.UTC
AT = dt.datetime(2025, 10, 1, 8, tzinfo=UTC)
NAIVE = AT.replace(tzinfo=None)
DEPTHS = [6.5, 7.25, None]
LOG = {
    "machine_id": {"from": "m"},
    "share_depth_cm": {"from": "d", "unit": "cm"},
    "logged_at": {"from": "t", "format": "%Y-%m-%dT%H:%M:%SZ", "time_zone": "UTC"},
}


def log(t=None, d=None, m=None) -> dict[str, pa.Array]:
    """Three rows a second apart."""
    times = pa.array([AT + dt.timedelta(seconds=s) for s in range(3)], pa.timestamp("us", tz="UTC"))
    return {
        "m": pa.array(["M1"] * 3) if m is None else m,
        "t": times if t is None else t,
        "d": pa.array(DEPTHS) if d is None else d,
    }


@pytest.fixture
def taken(tmp_path, catalogue):
    def run(content, **table):
        path = tmp_path / "log.parquet"
        if isinstance(content, bytes):
            path.write_bytes(content)
        else:
            pq.write_table(content if isinstance(content, pa.Table) else pa.table(content), path)
        mapping = {"kind": "telemetry", "files": ["*"], "columns": LOG, **table}
        return take(path, parse_mapping(mapping, "m", catalogue, "test"), catalogue)

    return run


@pytest.mark.parametrize(
    "depth",
    [
        pa.array([Decimal("6.50"), Decimal("7.25"), None], pa.decimal128(9, 2)),
        pa.array([Decimal("6.50"), Decimal("7.25"), None], pa.decimal256(50, 2)),
        pa.array(np.array([6.5, 7.25, np.nan], np.float16)),
        pa.array(DEPTHS, pa.float32()),
        pa.array(["6.5", "7.25", None], pa.large_string()),
        pa.array(["6.5", "7.25", None]).dictionary_encode(),
        pa.array([6.5, 7.25, None]).dictionary_encode(),
        pa.array([b"6.5", b"7.25", None]),
    ],
    ids=lambda a: str(a.type),
)
def test_numbers_of_every_type(taken, depth):
    assert taken(log(d=depth)).accepted["share_depth_cm"].to_list() == DEPTHS


@pytest.mark.parametrize(
    "machine",
    [
        pa.array(["Mä"] * 3, pa.large_string()),
        pa.array(["Mä"] * 3).dictionary_encode(),
        pa.array(["Mä".encode()] * 3),
        pa.array(["Mä"] * 3, pa.string_view()),
        pa.array(["Mä".encode()] * 3, pa.large_binary()),
    ],
    ids=lambda a: str(a.type),
)
def test_texts_of_every_type(taken, machine):
    assert taken(log(m=machine)).accepted["machine_id"].to_list() == ["Mä"] * 3


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
@pytest.mark.parametrize(("zone", "hour"), [(None, 6), ("UTC", 8), ("Europe/Prague", 8), ("+05:30", 8)])
def test_times_of_every_unit_and_zone(taken, unit, zone, hour):
    times = pa.array([AT.replace(tzinfo=None if zone is None else UTC)] * 3, pa.timestamp(unit, tz=zone))
    columns = {**LOG, "logged_at": {"from": "t", "format": "%Y-%m-%d", "time_zone": "Europe/Prague"}}
    out = taken(log(t=times), columns=columns)
    assert out.accepted["logged_at"].to_list() == [AT.replace(hour=hour)]


def test_a_date_and_a_time_of_day_in_two_columns(taken):
    clock = pa.array([dt.time(8, 0, s) for s in range(3)], pa.time64("ns"))
    columns = {**LOG, "logged_at": {"from": ["t", "c"], "format": "%Y-%m-%d", "time_zone": "UTC"}}
    out = taken({**log(t=pa.array([AT.date()] * 3)), "c": clock}, columns=columns)
    assert out.accepted["logged_at"].to_list() == [AT + dt.timedelta(seconds=s) for s in range(3)]


@pytest.mark.parametrize(
    "times",
    [
        pa.array([dt.time(8)] * 3),
        pa.array([1, 2, 3], pa.time32("s")),
        pa.array([4_612_345_678_901_234_567] * 3, pa.timestamp("us")),
        pa.array([2**62] * 3, pa.timestamp("ms", tz="UTC")),
        pa.array([-(2**62)] * 3, pa.timestamp("us", tz="UTC")),
        pa.array([2**31 - 1] * 3, pa.date32()),
    ],
    ids=["time64", "time32", "year 148128", "far ms", "far past", "far day"],
)
def test_what_is_no_time_of_a_season_is_a_rejected_row(taken, times):
    out = taken(log(t=times))
    assert (out.accepted.height, out.received.rows_rejected) == (0, 3)
    assert set(out.rejected["rule"]) <= {"not_a_time", "logged_at|min", "logged_at|max"}
    assert all(r.startswith("M1\t") for r in out.rejected["raw"])


@pytest.mark.parametrize(
    "depth",
    [pa.array([dt.timedelta(1)] * 3), pa.array([[1], [2], [3]]), pa.array([{"a": 1}] * 3)],
    ids=lambda a: str(a.type),
)
def test_types_that_no_column_has_are_a_reason(taken, depth):
    assert taken(log(d=depth)).rejected["rule"].to_list() == ["column_type"]


@pytest.mark.parametrize("kind", [pa.string(), pa.large_string()])
def test_text_that_is_not_utf8_is_a_rejected_row(taken, kind):
    raw = pa.array([b"M1", b"M\xff\xfe", b"M1"], pa.large_binary() if kind == pa.large_string() else pa.binary())
    out = taken(log(m=raw.view(kind)))
    assert out.accepted["line"].to_list() == [1, 3]
    assert out.rejected.select("line", "rule").rows() == [(2, "encoding")]
    assert out.rejected["raw"][0].startswith("M\\xff\\xfe\t")


def test_a_long_text_that_repeats_is_held_once(taken):
    machine = pa.DictionaryArray.from_arrays(np.zeros(3, np.int32), pa.array(["M" * 1_000_000]))
    assert taken(log(m=machine)).rejected["rule"].to_list() == ["too_long"] * 3
    many = pa.DictionaryArray.from_arrays(np.zeros(100_000, np.int32), pa.array(["M" * 1_000_000]))
    table = pa.table({"m": many, "t": pa.array([NAIVE] * 100_000), "d": pa.array([7.0] * 100_000)})
    assert taken(table).rejected["rule"].to_list() == ["too_large"]


def test_columns_of_one_name_are_reported_and_the_first_is_read(taken):
    columns = log()
    table = pa.table([*columns.values(), pa.array([1.0, 2.0, 3.0])], names=["m", "t", "d", "d"])
    out = taken(table)
    assert out.accepted["share_depth_cm"].to_list() == DEPTHS
    assert out.findings == [("repeated_column_name", {"name": "d", "n": 2})]
    second = {**LOG, "share_depth_cm": {"from": "d (2)", "unit": "cm"}}
    assert taken(table, columns=second).accepted["share_depth_cm"].to_list() == [1.0, 2.0, 3.0]


def test_too_many_columns(taken):
    wide = pl.DataFrame({f"c{i}": [1] for i in range(2_001)}).to_arrow()
    assert taken(wide).rejected["rule"].to_list() == ["too_many_columns"]


def test_flipped_bits_are_rows_or_a_reason(tmp_path, catalogue):
    out = io.BytesIO()
    pq.write_table(pa.table(log(m=pa.array(["M1", "M2", "Mä"]))), out)
    whole, path = out.getvalue(), tmp_path / "log.parquet"
    mapping = parse_mapping({"kind": "telemetry", "files": ["*"], "columns": LOG}, "m", catalogue, "test")
    rng, broken = np.random.default_rng(11), 0
    for _ in range(60):
        data = bytearray(whole)
        for at in rng.integers(4, len(data), rng.integers(1, 4)):
            data[at] ^= 1 << int(rng.integers(0, 8))
        path.write_bytes(data)
        try:
            first_rows(path, mapping, catalogue, 10)
        except SourceFileError:
            broken += 1
    assert 0 < broken < 60


@pytest.mark.parametrize("kind", [pl.exceptions.PanicException, MemoryError, pa.ArrowKeyError, UnicodeDecodeError])
def test_whatever_the_library_raises_is_damage(taken, monkeypatch, kind):
    problem = kind("utf-8", b"\xff", 0, 1, "x") if kind is UnicodeDecodeError else kind("x")

    def fail(*_args, **_more):
        raise problem

    monkeypatch.setattr(pq.ParquetFile, "iter_batches", fail)
    assert taken(log()).rejected["rule"].to_list() == ["not_parquet"]
