"""Adds today's layout of tables and views to `earlier_layouts.json`, where it is not there yet.

Run it after each change of `sql/raw`, `results`, `state` or `staging`: a workspace may have that layout.
"""

import hashlib
import json
from pathlib import Path

from transforms.storage.sql_files import sql_names, sql_text, table_names, table_text

KEPT = Path(__file__).with_name("earlier_layouts.json")


def without_comments(text: str) -> str:
    return "\n".join(line for line in text.splitlines() if not line.startswith("--")).strip()


def today() -> dict[str, str]:
    """Relation -> the statement that makes it."""
    tables = {f"tables/{name}": without_comments(table_text(name)) for name in table_names()}
    return tables | {f"views/{name}": without_comments(sql_text("staging", name)) for name in sql_names("staging")}


def layouts() -> list[dict[str, str]]:
    """Every layout that was ever stored, the earliest first."""
    held = json.loads(KEPT.read_text("utf-8"))
    return [{name: held["texts"][mark] for name, mark in v["relations"].items()} for v in held["versions"]]


def add_today() -> bool:
    """Return whether it was new."""
    held = json.loads(KEPT.read_text("utf-8"))
    marks = {name: hashlib.sha256(text.encode()).hexdigest()[:12] for name, text in today().items()}
    if any(v["relations"] == marks for v in held["versions"]):
        return False
    held["versions"].append({"at": "", "relations": marks})
    held["texts"] |= {marks[name]: text for name, text in today().items()}
    used = {mark for v in held["versions"] for mark in v["relations"].values()}
    held["texts"] = {mark: text for mark, text in held["texts"].items() if mark in used}
    KEPT.write_text(json.dumps(held, indent=0, sort_keys=True) + "\n", "utf-8")
    return True


if __name__ == "__main__":
    print("added" if add_today() else "it is there already")
