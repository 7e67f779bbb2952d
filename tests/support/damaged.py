"""Ways to damage a workspace."""

import shutil
import sqlite3
from pathlib import Path

import duckdb
import pytest

from transforms.arrays import narrow
from transforms.config.workspace import Workspace
from transforms.errors import DamagedError
from transforms.storage.warehouse import Warehouse


def flip(path: Path, at: float = 0.5, length: int = 1) -> None:
    body = bytearray(path.read_bytes())
    for k in range(int(len(body) * at), int(len(body) * at) + length):
        body[k] ^= 0x55
    path.write_bytes(body)


def halve(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def telemetry(w: Workspace) -> Path:
    return min(narrow(w.lake, Path).glob("telemetry/*/*/*.parquet"))


def a_bin(w: Workspace) -> Path:
    return min(narrow(w.lake, Path).glob("bin/*/*.parquet"))


def empty_inbox(w: Workspace) -> None:
    for path in w.inbox.iterdir():
        path.unlink()


def empty_lake(w: Workspace) -> None:
    for path in narrow(w.lake, Path).iterdir():
        shutil.rmtree(path)


def empty_mappings(w: Workspace) -> None:
    for path in w.mappings.iterdir():
        path.unlink()


def to_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()
    (path / "x").write_text("x")


def other_database(w: Workspace) -> None:
    w.warehouse.unlink()
    with duckdb.connect(str(w.warehouse)) as con:
        con.execute("create table mine as select 1 as one")


def sqlite_database(w: Workspace) -> None:
    w.warehouse.unlink()
    with sqlite3.connect(w.warehouse) as con:
        con.execute("create table mine (one)")
    con.close()


def corrupt_page(w: Workspace) -> None:
    """Damage a block that holds a table, found by trying one after another."""
    body, size = w.warehouse.read_bytes(), 262_144
    for block in range((len(body) - 12_288) // size):
        w.warehouse.write_bytes(body)
        flip(w.warehouse, (12_288 + block * size + size // 2) / len(body), 64)
        try:
            with Warehouse(w.warehouse, read_only=True) as warehouse:
                warehouse.table("received_load")
        except DamagedError:
            return
    pytest.fail("no block holds the table")


def stale_bin(w: Workspace) -> None:
    paths = sorted(narrow(w.lake, Path).glob("bin/*/*.parquet"))
    paths[0].write_bytes(paths[1].read_bytes())


def garbage_log(w: Workspace) -> None:
    with next(w.log.glob("*.jsonl")).open("ab") as file:
        file.write(b"\x00\xff\xfe garbage \x80\n" * 20)


def a_copy(w: Workspace) -> Path:
    return max(w.received.glob("??/*.zst"), key=lambda p: p.stat().st_size)
