"""Every text that people read is found by the command that writes the catalogue."""

import ast

import pytest

from reports.language.extraction import ERRORS, error_texts
from reports.language.table_labels import TABLES, table_label
from tests.support.program import Demo
from transforms.errors import DamagedError, LockedError, WorkspaceError
from transforms.storage.warehouse import Warehouse

CALLS = {"say", "say_n", "mark", "mark_n"}
SOURCE = b"""
PLACE = "the weigh tickets"
raise WorkspaceError("no load '{load}'", where=PLACE, remedy="look again" if x else "wait for {n}", load=f"{y}")
raise DamagedError("{fault}", where="--set", remedy=OTHER)
"""


@pytest.fixture(scope="module")
def nodes(sources: dict[str, ast.Module]) -> list[tuple[str, ast.Call | ast.JoinedStr]]:
    """Calls and f-strings of the sources, with the path of their file."""
    return [
        (name, node)
        for name, tree in sources.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Call | ast.JoinedStr)
    ]


def is_constant(node: ast.expr) -> bool:
    if isinstance(node, ast.IfExp):
        return is_constant(node.body) and is_constant(node.orelse)
    return isinstance(node, ast.Constant) or (isinstance(node, ast.Name) and node.id.isupper())


def test_errors_have_constant_texts_with_values_in_braces(nodes):
    made = [(name, n) for name, n in nodes if isinstance(n, ast.Call) and getattr(n.func, "id", "") in ERRORS]
    parts = [(name, p) for name, n in made for p in (*n.args[:1], *(k.value for k in n.keywords if k.arg == "remedy"))]
    assert len(parts) > 140
    assert [f"{name}:{p.lineno}" for name, p in parts if not is_constant(p)] == []
    assert {e.__name__ for e in (WorkspaceError, DamagedError, LockedError)} == ERRORS


def test_no_text_stands_in_an_f_string_where_it_is_not_found(nodes):
    inside = [
        f"{name}:{call.lineno}"
        for name, node in nodes
        if isinstance(node, ast.JoinedStr)
        for call in ast.walk(node)
        if isinstance(call, ast.Call) and getattr(call.func, "id", "") in CALLS and call.args
        if isinstance(call.args[0], ast.Constant)
    ]
    assert inside == []


def test_the_texts_of_an_error_are_found_with_both_sides_of_a_condition():
    texts = [text for _, text in error_texts(SOURCE)]
    assert texts == ["no load '{load}'", "the weigh tickets", "look again", "wait for {n}"]


def test_every_table_has_a_label(demo: Demo):
    with Warehouse.open_read_only(demo.workspace.warehouse) as warehouse:
        names = warehouse.query("status")["name"].to_list()
    assert set(names) - set(TABLES) == set()
    assert all("_" not in table_label(name) for name in [*TABLES, "a_new_table"])
