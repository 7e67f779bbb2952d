"""DuckDB access layer: the only package that imports duckdb; every query is a named file of `sql/`."""

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext, suppress
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import duckdb
import polars as pl

from transforms.contracts.classes import SQL_VARIABLES
from transforms.errors import DamagedError, WorkspaceError
from transforms.storage.columns import check_columns
from transforms.storage.migration import current_name, is_carried
from transforms.storage.sql_files import sql_names, sql_text, table_names, table_text
from transforms.storage.warehouse_connection import IN_MEMORY, THREADS, Connection
from transforms.storage.warehouse_faults import REPAIR, require_header
from transforms.storage.warehouse_layout import FRAMES, create_warehouse, layout, layout_mark

if TYPE_CHECKING:
    from transforms.storage.lake import LakePath


class Warehouse:
    """A workspace's DuckDB file.

    Tables are created from `sql/{raw,results,state}/`, views over them from `sql/staging/`; marts are materialised from
    `sql/marts/`, and each query of `sql/checks/` returns the rows that violate an invariant.

    Raises:
        WorkspaceError: another run uses the file.
        DamagedError: the file is damaged or is not a warehouse.
    """

    def __init__(
        self, path: Path, *, read_only: bool = False, only: tuple[str, ...] = (), threads: int = THREADS
    ) -> None:
        in_memory = path == IN_MEMORY
        if not in_memory and not read_only and not path.exists():
            create_warehouse(path)
        if not in_memory:
            require_header(path)
        self._con = Connection(path, read_only=read_only)
        self._schemas: dict[str, pl.Schema] = {}
        self._must_have: dict[str, set[str]] = {}
        self._con.execute("set timezone = 'UTC'")
        self._con.execute(f"set threads = {threads:d}")
        for variable, cut_point in SQL_VARIABLES.items():
            self._con.execute(f"set variable {variable} = {cut_point}")
        for name in sql_names("macros"):
            self._con.execute(sql_text("macros", name))
        if only:
            for name in only:
                self._con.execute(table_text(name))
        elif in_memory or not self._has_current_layout():
            self._create_or_upgrade(path, read_only=read_only)

    def _create_or_upgrade(self, path: Path, *, read_only: bool) -> None:
        """Create the tables, or upgrade those of an earlier version of taretrace."""
        if path != IN_MEMORY and self._mark() is None:
            self._con.close()
            raise DamagedError(
                "the warehouse is damaged: it has no tables of taretrace", where=str(path), remedy=REPAIR
            )
        if read_only:
            self._con.close()
            raise WorkspaceError(
                "the warehouse was created by another version of taretrace",
                where=str(path),
                remedy="run 'taretrace post-shift' on the workspace to upgrade its tables",
            )
        try:
            with self.transaction():
                self._upgrade()
        except (duckdb.ProgrammingError, duckdb.IntegrityError, duckdb.DataError) as problem:
            self._con.close()
            raise DamagedError(
                "this file is not a taretrace warehouse, or its tables were changed by hand",
                where=str(path),
                remedy=REPAIR,
            ) from problem

    def _upgrade(self) -> None:
        """Create the tables, and copy the rows of an earlier layout that no run can recompute."""
        before = self._mark()
        carried = self._drop_all() if before is not None else {}
        for text in layout():
            self._con.execute(text)
        for name, rows in carried.items():
            self.append(name, rows.select(c for c in rows.columns if c in self.columns(name)))
        if before is not None:
            mark = {"upgraded_at": dt.datetime.now(dt.UTC), "from_layout": before, "to_layout": layout_mark()}
            self.append("upgrade", pl.DataFrame([mark]))
        self._con.execute(f"comment on table source_file is '{layout_mark()}'")

    def _drop_all(self) -> dict[str, pl.DataFrame]:
        """Drop all relations; return the rows to carry over, by table."""
        tables = self.query("own_relation").filter(kind="table")["name"].to_list()
        names = {current_name(n) for n in tables} & {n for n in table_names() if is_carried(n)}
        for name in sql_names("migrations"):
            if name in tables and current_name(name) in names:
                self._con.execute(sql_text("migrations", name))
        carried = {name: self.table(name) for name in sorted(names)}
        for name, kind in self.query("own_relation").iter_rows():
            quoted = name.replace('"', '""')
            self._con.execute(f'drop {kind} "{quoted}"')
        return carried

    def _mark(self) -> str | None:
        """Return the hash of the tables' layout; 'early' if it predates hashes, None if there are no tables."""
        marked = "select coalesce(comment, 'early') as mark from duckdb_tables() where table_name = 'source_file'"
        return next(iter(self._rows(marked, {})["mark"]), None)

    def _has_current_layout(self) -> bool:
        """Return True if the layout is current; creating tables and views takes longer than most queries."""
        return self._mark() == layout_mark()

    @classmethod
    def in_memory(cls, *only: str) -> Self:
        """Return an empty warehouse in memory, with all tables or only those named."""
        return cls(IN_MEMORY, only=only)

    @classmethod
    def open_read_only(cls, path: Path) -> Self:
        """Open a warehouse read-only; an empty one in memory if the file does not exist yet."""
        return cls(path, read_only=True) if path.exists() else cls.in_memory()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with suppress(WorkspaceError) if kind is not None else nullcontext():
            self._con.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Run the block in a transaction; roll back on any exception."""
        self._con.begin()
        try:
            yield
        except BaseException:
            with suppress(WorkspaceError):  # a damaged database cannot roll back; raise the first error
                self._con.rollback()
            raise
        self._con.commit()

    def _rows(self, text: str, parameters: dict[str, Any]) -> pl.DataFrame:
        return self._con.frame(text, parameters)

    def table(self, name: str) -> pl.DataFrame:
        """Return all rows of a table, view or mart."""
        return self._rows("from query_table($name)", {"name": name})

    def has(self, name: str) -> bool:
        """Return True if a relation of that name exists."""
        return (
            self._rows("select 1 as hit from information_schema.tables where table_name = $n", {"n": name}).height > 0
        )

    def columns(self, name: str) -> list[str]:
        """Return the column names of a declared table."""
        return self._schema(name).names()

    def _schema(self, name: str) -> pl.Schema:
        if name not in self._schemas:
            self._schemas[name] = self._rows("from query_table($name) limit 0", {"name": name}).schema
        return self._schemas[name]

    def _required(self, name: str) -> set[str]:
        """Return the columns of a declared table that must not be null and have no default."""
        if name not in self._must_have:
            text = (
                "select column_name from information_schema.columns "
                "where table_name = $name and is_nullable = 'NO' and column_default is null"
            )
            self._must_have[name] = set(self._rows(text, {"name": name})["column_name"])
        return self._must_have[name]

    def matching(self, name: str, keys: pl.DataFrame) -> pl.DataFrame:
        """Return the rows of a declared table whose key is in `keys`."""
        on = " and ".join(f't."{c}" is not distinct from k."{c}"' for c in keys.columns)
        self._con.register("wanted_keys", keys)
        try:
            return self._rows(f'select t.* from "{_known(name)}" as t semi join wanted_keys as k on {on}', {})
        finally:
            self._con.unregister("wanted_keys")

    def delete_source(self, sha: str) -> None:
        """Delete all rows from one source file, so that it is read again."""
        for name in table_names():
            if name.startswith("received_") or name in {"source_file", "rejected_row", "source_finding", "lake_file"}:
                self._con.execute(f'delete from "{name}" where source_sha256 = $sha', {"sha": sha})

    def date_file(self, sha: str, file_at: dt.datetime) -> None:
        """Set the date of a file to the earliest date its content was delivered with."""
        self._con.execute(
            "update source_file set file_at = least(file_at, $at) where source_sha256 = $sha",
            {"sha": sha, "at": file_at},
        )

    def append(self, name: str, rows: pl.DataFrame) -> None:
        """Append rows to a declared table, matched by column name.

        Raises:
            ValueError: the table has no such column, its type differs, or a column that must not be null is omitted.
        """
        check_columns(name, rows.schema, self._schema(name), self._required(name))
        quoted = ", ".join(f'"{c}"' for c in rows.columns)
        self._con.register("incoming_rows", rows)
        try:
            self._con.execute(f'insert into "{_known(name)}" ({quoted}) select {quoted} from incoming_rows')
        finally:
            self._con.unregister("incoming_rows")

    def replace(self, name: str, rows: pl.DataFrame) -> None:
        """Replace all rows of a declared table."""
        self._con.execute(f'delete from "{_known(name)}"')
        self.append(name, rows)

    def delete_day(self, name: str, machine: str, day: str) -> None:
        """Delete the rows of one machine-day from a table with `machine` and `day`."""
        self._con.execute(f'delete from "{_known(name)}" where machine = $m and day = $d', {"m": machine, "d": day})

    def delete_matching(self, name: str, keys: pl.DataFrame) -> None:
        """Delete the rows of a table whose key is in `keys`."""
        if not keys.height:
            return
        on = " and ".join(f't."{c}" is not distinct from k."{c}"' for c in keys.columns)
        self._con.register("wanted_keys", keys)
        try:
            self._con.execute(f'delete from "{_known(name)}" as t using wanted_keys as k where {on}')
        finally:
            self._con.unregister("wanted_keys")

    def store(self, name: str, rows: pl.DataFrame) -> None:
        """Create or replace a table with exactly these columns and rows, for frames with columns by the catalogue.

        Raises:
            ValueError: the columns of the table are declared.
        """
        if name in table_names():
            raise ValueError(f"the columns of '{name}' are declared; replace its rows")
        self._schemas.pop(name, None)
        self._must_have.pop(name, None)
        self._con.register("incoming_rows", rows)
        try:
            self._con.execute(f'create or replace table "{_known(name)}" as select * from incoming_rows')
        finally:
            self._con.unregister("incoming_rows")

    def build(self, name: str, **parameters: Any) -> None:
        """Materialise `sql/marts/<name>.sql` as a table."""
        self._schemas.pop(name, None)
        self._must_have.pop(name, None)
        self._con.execute(f'create or replace table "{_known(name)}" as {sql_text("marts", name)}', parameters or None)

    def query_lake(self, name: str, paths: list["LakePath"]) -> pl.DataFrame:
        """Run `sql/lake/<name>.sql` over Parquet files of the lake, local or on object storage.

        Raises:
            DamagedError: a file is missing or is not Parquet.
        """
        if not isinstance(paths[0], Path):
            self._con.register_filesystem(paths[0].fs)
        try:
            return self._rows(sql_text("lake", name), {"paths": [str(p) for p in paths]})
        except (duckdb.IOException, duckdb.InvalidInputException) as problem:
            where = str(paths[0].parent.parent)
            raise DamagedError("a file of the lake is missing or damaged", where=where, remedy=REPAIR) from problem

    @staticmethod
    def checkpoint(path: Path) -> None:
        """Merge the write-ahead log of a warehouse into its file, so that the file can be copied."""
        con = Connection(path, read_only=False)
        con.execute("checkpoint")
        con.close()

    def query(self, name: str, **parameters: Any) -> pl.DataFrame:
        """Run `sql/queries/<name>.sql` with parameters and return its rows."""
        return self._rows(sql_text("queries", name), parameters)

    def check(self, name: str) -> pl.DataFrame:
        """Run `sql/checks/<name>.sql` and return the rows that violate the check."""
        return self._rows(sql_text("checks", name), {})


def _known(name: str) -> str:
    """Return a relation name if taretrace declares it; text from a file or user must never become an identifier.

    Raises:
        ValueError: taretrace declares no such relation.
    """
    if name not in {*table_names(), *sql_names("marts"), *FRAMES}:
        raise ValueError(f"'{name}' is not a table or mart of taretrace")
    return name
