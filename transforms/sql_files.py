"""The named files of `sql/`."""

from importlib.resources import files

SQL = files("sql")


def sql_text(folder: str, name: str) -> str:
    """Return the text of `sql/<folder>/<name>.sql`."""
    return SQL.joinpath(folder).joinpath(f"{name}.sql").read_text("utf-8")


def sql_names(folder: str) -> list[str]:
    """Return the names of the relations of a folder of `sql/`, in order."""
    return sorted(p.name.removesuffix(".sql") for p in SQL.joinpath(folder).iterdir() if p.name.endswith(".sql"))
