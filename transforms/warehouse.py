"""The warehouse door: the one place that talks to DuckDB. Everything it runs is a named file of `sql/`."""

import datetime as dt
import errno
import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import duckdb
import polars as pl

from transforms.errors import WorkspaceError
from transforms.migrate import is_carried
from transforms.sql_files import sql_names, sql_text

if TYPE_CHECKING:
    from transforms.lake import LakePath


@lru_cache(maxsize=1)
def _layout() -> tuple[str, ...]:
    """The statements that make tables and the views over them."""
    return tuple(sql_text(folder, name) for folder in ("tables", "views") for name in sql_names(folder))


@lru_cache(maxsize=1)
def _layout_mark() -> str:
    return hashlib.sha256("\n".join(_layout()).encode()).hexdigest()


class _Connection:
    """DuckDB's connection; a full disk is an `OSError` here as it is everywhere else."""

    def __init__(self, path: Path, *, read_only: bool) -> None:
        self._con = duckdb.connect(str(path), read_only=read_only)

    def __getattr__(self, name: str) -> Any:
        method = getattr(self._con, name)

        def call(*args: Any, **kwargs: Any) -> Any:
            try:
                return method(*args, **kwargs)
            except duckdb.Error as problem:
                if "No space left" in str(problem):
                    raise OSError(errno.ENOSPC, "No space left on device") from problem
                raise

        return call


class Warehouse:
    """A workspace's DuckDB file.

    Tables are created from `sql/tables/`, views over them from `sql/views/`; marts are materialised from
    `sql/marts/`, and `sql/checks/` returns rows that should not be.

    Raises:
        WorkspaceError: the file is held by another run, or is no warehouse.
    """

    def __init__(self, path: Path, *, read_only: bool = False, only: tuple[str, ...] = ()) -> None:
        try:
            self._con = _Connection(path, read_only=read_only)
        except duckdb.IOException as problem:
            raise WorkspaceError(
                "the warehouse is in use by another run or cannot be opened", where=str(path),
                mend="wait until the other run has ended, then call again",
            ) from problem  # fmt: skip
        self._columns: dict[str, list[str]] = {}
        self._con.execute("set timezone = 'UTC'")
        self._con.execute("set threads = 2")
        for name in sql_names("macros"):
            self._con.execute(sql_text("macros", name))
        if only:
            for name in only:
                self._con.execute(sql_text("tables", name))
        elif not self._laid_out():
            self._lay_out(path, read_only=read_only)

    def _lay_out(self, path: Path, *, read_only: bool) -> None:
        """Make the tables, or bring those of an earlier taretrace up to date."""
        if read_only:
            self._con.close()
            raise WorkspaceError(
                "the warehouse was made by another version of taretrace", where=str(path),
                mend="run 'taretrace post-shift' on the workspace: it brings the tables up to date",
            )  # fmt: skip
        try:
            with self.transaction():
                self._bring_up()
        except (duckdb.ProgrammingError, duckdb.IntegrityError, duckdb.DataError) as problem:
            self._con.close()
            raise WorkspaceError(
                "the warehouse was made by no taretrace, or its tables were changed by hand", where=str(path),
                mend="move warehouse.duckdb and lake/ away and ingest the inbox again",
            ) from problem  # fmt: skip

    def _bring_up(self) -> None:
        """Make the tables; what an earlier layout held that no run could work out again is carried over."""
        before = self._mark()
        held = self._emptied() if before is not None else {}
        for text in _layout():
            self._con.execute(text)
        for name, rows in held.items():
            self.append(name, rows)
        if before is not None:
            mark = {"upgraded_at": dt.datetime.now(dt.UTC), "from_layout": before, "to_layout": _layout_mark()}
            self.append("upgrade", pl.DataFrame([mark]))
        self._con.execute(f"comment on table source_file is '{_layout_mark()}'")

    def _emptied(self) -> dict[str, pl.DataFrame]:
        """Drop everything; return the rows that are to be carried over."""
        relations = self.query("own_relation")
        tables = relations.filter(kind="table")["name"].to_list()
        carried = [n for n in tables if is_carried(n) and n in sql_names("tables")]
        for name in sql_names("migrations"):
            if name in carried:
                self._con.execute(sql_text("migrations", name))
        held = {name: self.table(name) for name in carried}
        for name, kind in relations.iter_rows():
            quoted = name.replace('"', '""')
            self._con.execute(f'drop {kind} "{quoted}"')
        return held

    def _mark(self) -> str | None:
        """Which layout the tables were made from; None where there are none."""
        marked = "select coalesce(comment, 'early') as mark from duckdb_tables() where table_name = 'source_file'"
        return next(iter(self._rows(marked, {})["mark"]), None)

    def _laid_out(self) -> bool:
        """Whether tables and views were made from these very files: laying them out costs more than most queries."""
        return self._mark() == _layout_mark()

    @classmethod
    def in_memory(cls, *only: str) -> Self:
        """Return an empty warehouse that leaves nothing behind, with all tables or only those named."""
        return cls(Path(":memory:"), only=only)

    @classmethod
    def to_look_at(cls, path: Path) -> Self:
        """Open a warehouse that cannot be changed; an empty one where there is none yet."""
        return cls(path, read_only=True) if path.exists() else cls.in_memory()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._con.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing: what is written inside stands only if the block ends well."""
        self._con.begin()
        try:
            yield
        except BaseException:
            self._con.rollback()
            raise
        self._con.commit()

    def _rows(self, text: str, parameters: dict[str, Any]) -> pl.DataFrame:
        rows: pl.DataFrame = self._con.sql(text, params=parameters or None).pl()
        return rows

    def table(self, name: str) -> pl.DataFrame:
        """Return a whole table, view or mart."""
        return self._rows("from query_table($name)", {"name": name})

    def has(self, name: str) -> bool:
        """Whether a relation of that name exists."""
        return (
            self._rows("select 1 as hit from information_schema.tables where table_name = $n", {"n": name}).height > 0
        )

    def columns(self, name: str) -> list[str]:
        """Return the column names of a table of `sql/tables/`."""
        if name not in self._columns:
            self._columns[name] = self._rows("from query_table($name) limit 0", {"name": name}).columns
        return self._columns[name]

    def matching(self, name: str, keys: pl.DataFrame) -> pl.DataFrame:
        """Return the rows of a table of `sql/tables/` whose key is among `keys`."""
        on = " and ".join(f't."{c}" is not distinct from k."{c}"' for c in keys.columns)
        self._con.register("wanted_keys", keys)
        try:
            return self._rows(f'select t.* from "{_known(name)}" as t semi join wanted_keys as k on {on}', {})
        finally:
            self._con.unregister("wanted_keys")

    def forget_source(self, sha: str) -> None:
        """Drop everything that came from one file, so that it is read again."""
        for name in sql_names("tables"):
            if name.startswith("received_") or name in {"source_file", "rejected_row", "source_finding"}:
                self._con.execute(f'delete from "{name}" where source_sha256 = $sha', {"sha": sha})

    def date_file(self, sha: str, file_at: dt.datetime) -> None:
        """Note that a file's content was delivered with an earlier date as well."""
        self._con.execute(
            "update source_file set file_at = least(file_at, $at) where source_sha256 = $sha",
            {"sha": sha, "at": file_at},
        )

    def append(self, name: str, rows: pl.DataFrame) -> None:
        """Add rows to a table of `sql/tables/`, matched by column name; columns it lacks are not written."""
        columns = [c for c in self.columns(name) if c in rows.columns]
        quoted = ", ".join(f'"{c}"' for c in columns)
        self._con.register("incoming_rows", rows.select(columns))
        try:
            self._con.execute(f'insert into "{_known(name)}" ({quoted}) select {quoted} from incoming_rows')
        finally:
            self._con.unregister("incoming_rows")

    def replace(self, name: str, rows: pl.DataFrame) -> None:
        """Make a table of `sql/tables/` hold just these rows."""
        self._con.execute(f'delete from "{_known(name)}"')
        self.append(name, rows)

    def delete_day(self, name: str, machine: str, day: str) -> None:
        """Drop the rows of one machine-day of a table that has `machine` and `day`."""
        self._con.execute(f'delete from "{_known(name)}" where machine = $m and day = $d', {"m": machine, "d": day})

    def delete_matching(self, name: str, keys: pl.DataFrame) -> None:
        """Drop the rows of a table whose key is among `keys`."""
        if not keys.height:
            return
        on = " and ".join(f't."{c}" is not distinct from k."{c}"' for c in keys.columns)
        self._con.register("wanted_keys", keys)
        try:
            self._con.execute(f'delete from "{_known(name)}" as t using wanted_keys as k where {on}')
        finally:
            self._con.unregister("wanted_keys")

    def store(self, name: str, rows: pl.DataFrame) -> None:
        """Make a table of exactly these columns and rows, for frames whose columns follow the catalogue."""
        self._columns.pop(name, None)
        self._con.register("incoming_rows", rows)
        try:
            self._con.execute(f'create or replace table "{_known(name)}" as select * from incoming_rows')
        finally:
            self._con.unregister("incoming_rows")

    def build(self, name: str, **parameters: Any) -> None:
        """Materialise `sql/marts/<name>.sql` as a table."""
        self._con.execute(f'create or replace table "{_known(name)}" as {sql_text("marts", name)}', parameters or None)

    def of_lake(self, name: str, paths: list["LakePath"]) -> pl.DataFrame:
        """Run `sql/lake/<name>.sql` over Parquet files of the lake, wherever it lies."""
        if not isinstance(paths[0], Path):
            self._con.register_filesystem(paths[0].fs)
        return self._rows(sql_text("lake", name), {"paths": [str(p) for p in paths]})

    @staticmethod
    def settle(path: Path) -> None:
        """Write what stands in the log beside a warehouse's file into the file, so that it may be copied."""
        con = _Connection(path, read_only=False)
        con.execute("checkpoint")
        con.close()

    def query(self, name: str, **parameters: Any) -> pl.DataFrame:
        """Run `sql/pages/<name>.sql` with parameters and return its rows."""
        return self._rows(sql_text("pages", name), parameters)

    def check(self, name: str) -> pl.DataFrame:
        """Run `sql/checks/<name>.sql`; any row it returns is wrong."""
        return self._rows(sql_text("checks", name), {})


_FRAMES = ("load_setting", "audit_loss", "audit_setting", "field_hour", "shift_course", "shift_pass")
"""Tables whose columns follow the catalogue or a transform, stored as they come."""


def _known(name: str) -> str:
    """A relation's name must be one of ours: nothing from a file or a person becomes an identifier."""
    if name not in {*sql_names("tables"), *sql_names("marts"), *_FRAMES}:
        raise ValueError(f"'{name}' is no table or mart of taretrace")
    return name
