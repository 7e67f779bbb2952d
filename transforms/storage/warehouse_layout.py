"""Layout of the warehouse's tables, and creation of an empty warehouse."""

import hashlib
from functools import lru_cache
from pathlib import Path

from transforms.errors import DamagedError
from transforms.storage.sql_files import TABLE_FOLDERS, sql_names, sql_text
from transforms.storage.warehouse_connection import Connection
from transforms.storage.warehouse_faults import REPAIR

FRAMES = (
    "load_setting",
    "audit_setting",
    "root_check_setting",
    "shift_course",
    "shift_pass",
)
"""Tables with a column for each setting of a workspace, so that no statement can list their columns.

All others are declared in `sql/` (record 0028)."""


@lru_cache(maxsize=1)
def layout() -> tuple[str, ...]:
    """Return the statements that create the tables and the views over them."""
    return tuple(sql_text(folder, name) for folder in (*TABLE_FOLDERS, "staging") for name in sql_names(folder))


@lru_cache(maxsize=1)
def layout_mark() -> str:
    """Return a hash of the layout; each warehouse stores the hash of the layout it was created from."""
    return hashlib.sha256("\n".join(layout()).encode()).hexdigest()


def create_warehouse(path: Path) -> None:
    """Create an empty warehouse; write it under a temporary name first, so that the file is complete or absent.

    Raises:
        DamagedError: the write-ahead log of an earlier warehouse is there, but not its file.
    """
    log = path.with_name(f"{path.name}.wal")
    if log.exists():
        raise DamagedError("the warehouse is missing, but its write-ahead log exists", where=str(log), remedy=REPAIR)
    partial = path.with_name(f".{path.name}.partial")
    for left in (partial, partial.with_name(f"{partial.name}.wal")):
        left.unlink(missing_ok=True)
    con = Connection(partial, read_only=False)
    con.execute("set timezone = 'UTC'")
    con.begin()
    for text in layout():
        con.execute(text)
    con.execute(f"comment on table source_file is '{layout_mark()}'")
    con.commit()
    con.execute("checkpoint")
    con.close()
    partial.replace(path)
