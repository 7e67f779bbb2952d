"""A user's own queries of the warehouse: they can read its relations and nothing else, and write nothing."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import polars as pl

from transforms.errors import WorkspaceError
from transforms.storage.warehouse import Warehouse
from transforms.storage.warehouse_connection import THREADS

QUERY_KINDS = {"SELECT", "EXPLAIN"}
"""Kinds of statements that return rows and change nothing."""
SHUT = ("set enable_external_access = false", "set lock_configuration = true")
"""After these, a query reaches no other file, no network and no extension, and cannot switch this on again."""


class OwnQueries(Warehouse):
    """A warehouse opened read-only for queries that a user writes.

    Raises:
        LockedError: a run is writing to the file at this moment.
        WorkspaceError: the warehouse was created by another version of taretrace.
        DamagedError: the file is damaged or is not a warehouse.
    """

    def __init__(self, path: Path, *, threads: int = THREADS) -> None:
        super().__init__(path, read_only=True, threads=threads)
        for statement in SHUT:
            self._con.execute(statement)

    def run(
        self, text: str, values: Mapping[str, Any] | None = None, frames: Mapping[str, pl.DataFrame] | None = None
    ) -> pl.DataFrame:
        """Run one query and return its rows.

        Args:
            text: the query, in the SQL of DuckDB.
            values: values of its parameters: `$name` in the text.
            frames: frames that the query may read as tables, by name.

        Raises:
            WorkspaceError: the text is not one query; nothing was run.
            duckdb.Error: the query is wrong; the message shows where.
        """
        statements = self._con.extract_statements(text)
        if [s.type.name in QUERY_KINDS for s in statements] != [True]:
            raise WorkspaceError(
                "only one query that returns rows can be run, because the season is opened read-only",
                where="sql",
                remedy="write one query such as 'from load_fact', without statements that change data or settings",
            )
        for name, frame in (frames or {}).items():
            self._con.register(name, frame)
        try:
            return self._rows(text, dict(values or {}))
        finally:
            for name in frames or ():
                self._con.unregister(name)
