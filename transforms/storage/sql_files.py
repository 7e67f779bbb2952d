"""Access to the named files of `sql/`."""

from functools import cache
from importlib.resources import files
from itertools import takewhile

SQL = files("sql")


def sql_text(folder: str, name: str) -> str:
    """Return the text of `sql/<folder>/<name>.sql`."""
    return SQL.joinpath(folder).joinpath(f"{name}.sql").read_text("utf-8")


def sql_names(folder: str) -> list[str]:
    """Return the names of the relations in a folder of `sql/`, sorted."""
    return list(_names(folder))


@cache
def _names(folder: str) -> tuple[str, ...]:
    # Every write asks whether its table is declared; the program's files do not change while it runs.
    paths = SQL.joinpath(folder).iterdir()
    return tuple(sorted(p.name.removesuffix(".sql") for p in paths if p.name.endswith(".sql")))


TABLE_FOLDERS = ("raw", "results", "state")
"""Table folders: rows as received, results of stages, and the state of the pipeline."""


def table_names() -> list[str]:
    """Return the names of all tables, sorted."""
    return sorted(name for folder in TABLE_FOLDERS for name in sql_names(folder))


def table_text(name: str) -> str:
    """Return the statement that creates a table."""
    folder = next(f for f in TABLE_FOLDERS if name in sql_names(f))
    return sql_text(folder, name)


def relation_header(name: str) -> str:
    """Return the comment at the head of a table's, view's or mart's file: row, key, sources; empty without a file."""
    for folder in (*TABLE_FOLDERS, "staging", "marts"):
        if name in sql_names(folder):
            lines = sql_text(folder, name).splitlines()
            return " ".join(line.removeprefix("--").strip() for line in takewhile(lambda t: t.startswith("--"), lines))
    return ""
