"""Codes of tables have words, and no code branches on the text of a message."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest

from reports.language.reason_messages.failed_reads import FAILED_READS
from reports.language.uptake_words import UPTAKE, WHY_UNKNOWN
from transforms.contracts.read_failure import FailureCode
from transforms.outcome.uptake import CODES, REASONS

ROOT = Path(__file__).parents[3]
MESSAGES = {"says", "said", "reason", "message", "sentence", "what", "remedy", "explanation"}
"""Names of attributes, keys and columns that hold, or held, a sentence."""
MADE_BY = {"say", "say_n", "format_reason", "reason_text"}
TEXT_METHODS = {"startswith", "endswith", "split", "rsplit", "partition", "rpartition", "find", "index", "count"}
CASE_METHODS = {"lower", "upper", "strip", "casefold"}
ERRORS_WITHOUT_CODES = {"transforms/storage/warehouse_faults.py"}
"""DuckDB reports a locked file, a damaged file and a full disk by its message alone."""
SQL_BRANCH = re.compile(r"\b(says|reason|message|sentence)\s*(=|<>|!=|(not )?i?like)\s*'", re.IGNORECASE)


def _is_text_of(node: ast.expr, errors: set[str]) -> bool:
    """Return True for `str(e)`, `repr(e)` and `e.args[0]` of an exception e."""
    match node:
        case ast.Call(func=ast.Name(id="str" | "repr"), args=[ast.Name(id=name)]):
            return name in errors
        case ast.Subscript(value=ast.Attribute(attr="args", value=ast.Name(id=name))):
            return name in errors
    return False


def _is_message(node: ast.expr, errors: set[str]) -> bool:
    """Return True if an expression is a sentence: of a column, of an attribute, of an error or just made."""
    match node:
        case ast.Attribute(attr="str", value=inner):
            return _is_message(inner, errors)
        case ast.Call(func=ast.Attribute(attr=method, value=inner)) if method in CASE_METHODS:
            return _is_message(inner, errors)
        case (
            ast.Attribute(attr=name)
            | ast.Subscript(slice=ast.Constant(value=name))
            | ast.Call(func=ast.Attribute(attr="col" | "get"), args=[ast.Constant(value=name), *_])
        ):
            return name in MESSAGES or _is_text_of(node, errors)
        case ast.Call(func=ast.Name(id=name)) if name in MADE_BY:
            return True
    return _is_text_of(node, errors)


def _has_text(node: ast.expr) -> bool:
    return isinstance(node, ast.Name) or any(
        isinstance(n, ast.Constant) and isinstance(n.value, str) and n.value for n in ast.walk(node)
    )


def _errors(nodes: list[ast.AST]) -> set[str]:
    """Return the names of caught exceptions and of arguments that are exceptions."""
    caught = {n.name for n in nodes if isinstance(n, ast.ExceptHandler) and n.name}
    return caught | {
        n.arg
        for n in nodes
        if isinstance(n, ast.arg) and isinstance(n.annotation, ast.Name) and n.annotation.id.endswith("Exception")
    }


def branches(tree: ast.AST) -> Iterator[int]:
    """Yield the lines that compare, search or split a sentence."""
    nodes = list(ast.walk(tree))
    errors = _errors(nodes)
    texts = {
        n.targets[0].id
        for n in nodes
        if isinstance(n, ast.Assign) and isinstance(n.targets[0], ast.Name) and _is_text_of(n.value, errors)
    }
    for node in nodes:
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            of_sentence = [s for s in sides if _is_message(s, errors) or (isinstance(s, ast.Name) and s.id in texts)]
            if of_sentence and any(_has_text(s) for s in sides if s not in of_sentence):
                yield node.lineno
        elif isinstance(node, ast.Match) and _is_message(node.subject, errors):
            yield node.lineno
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            of = node.func.value
            is_search = node.func.attr in TEXT_METHODS or (isinstance(of, ast.Attribute) and of.attr == "str")
            is_pattern = isinstance(of, ast.Name) and of.id == "re" and any(_is_message(a, errors) for a in node.args)
            if is_pattern or (is_search and _is_message(of, errors)):
                yield node.lineno


def test_no_code_branches_on_the_text_of_a_message(sources):
    found = {f"{name}:{line}" for name, tree in sources.items() for line in branches(tree)}
    assert {place.split(":")[0] for place in found} == ERRORS_WITHOUT_CODES, found


def test_no_query_branches_on_the_text_of_a_message():
    paths = sorted((ROOT / "sql").rglob("*.sql"))
    # A migration reads the sentences that older workspaces stored.
    found = [p.name for p in paths if p.parent.name != "migrations" and SQL_BRANCH.search(p.read_text("utf-8"))]
    assert len(paths) > 200
    assert found == []


@pytest.mark.parametrize(
    "line",
    [
        'if row["reason"] == "too few loads": pass',
        'pl.col("says").str.contains("confounded")',
        'x = alarm.message.lower().startswith("the newest")',
        'if say("no data") in shown: pass',
        'try: pass\nexcept OSError as e:\n    if "No space" in str(e): pass',
        'try: pass\nexcept OSError as e:\n    x = e.args[0].split(":")',
        "def f(e: Exception):\n    text = str(e)\n    return any(w in text for w in WORDS)",
        're.search("damaged", problem.what)',
        'match row.get("message"):\n    case "a": pass',
    ],
)
def test_the_scan_finds_a_branch(line):
    assert list(branches(ast.parse(line)))


def test_the_scan_accepts_codes():
    assert not list(branches(ast.parse('if row["reason_code"] == "too_few": x = f"{row.reason}"')))
    assert SQL_BRANCH.search("where reason like 'too%'")
    assert not SQL_BRANCH.search("where reason_code = 'too_few'")


def test_every_cause_of_a_failed_read_has_words_and_reverse():
    assert set(FAILED_READS) == set(get_args(FailureCode))


def test_every_uptake_and_every_reason_of_an_unknown_one_has_words_and_reverse():
    assert set(UPTAKE) == set(CODES)
    assert set(WHY_UNKNOWN) == set(REASONS)
