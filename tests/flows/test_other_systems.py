"""taretrace needs nothing that Windows or macOS lacks: each module is imported, and runs, with such modules hidden.

That shows what is missing, not that everything works there: the tests run on Linux.
"""

import ast
import os
import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

from tests.support.other_system.sitecustomize import MISSING, MODULES

ROOT = Path(__file__).parents[2]
HIDES = ROOT / "tests/support/other_system"
IMPORT_ALL = """
import importlib, pkgutil, sys
import flows, reports, sql, transforms, taretrace
for room in (flows, reports, sql, transforms):
    for found in pkgutil.walk_packages(room.__path__, f"{room.__name__}."):
        if not found.name.startswith("flows.package"):
            importlib.import_module(found.name)
from transforms import parallel
from transforms.ingest import reader_main
print(len([n for n in sys.modules if n.split(".")[0] in ("flows", "reports", "transforms")]))
print(hasattr(parallel.signal, "pthread_sigmask"), hasattr(reader_main.os, "fork"), hasattr(parallel.os, "fdopen"))
"""


def run_hidden(*words: str | Path, cwd: Path) -> str:
    """Run Python with the modules of POSIX systems hidden from taretrace and its child processes."""
    path = os.pathsep.join(map(str, (HIDES, ROOT, ROOT / "flows/package")))
    done = subprocess.run(
        [sys.executable, *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": path},
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def taretrace_hidden(*words: str | Path, cwd: Path) -> str:
    return run_hidden("-c", "from flows.cli.app import main; main()", *words, cwd=cwd)


@pytest.mark.slow
def test_every_module_is_imported(tmp_path):
    count, names = run_hidden("-c", IMPORT_ALL, cwd=tmp_path).splitlines()
    assert int(count) > 500
    assert names == "False False True"  # what Windows lacks is hidden, and nothing else


@pytest.mark.parametrize("line", ["import fcntl", "from os import getuid", "import signal; signal.SIGKILL"])
def test_hiding_works(tmp_path, line):
    package = tmp_path / "flows"
    package.mkdir()
    (package / "__init__.py").write_text(f"{line}\n", "utf-8")
    program = f"import sys; sys.path.insert(0, {str(tmp_path)!r}); import flows"
    with pytest.raises(AssertionError, match=r"on this system|cannot import"):
        run_hidden("-c", program, cwd=tmp_path)


def test_help_and_init(tmp_path):
    assert "post-shift" in taretrace_hidden("--help", cwd=tmp_path)
    taretrace_hidden("init", "season", "--yes", cwd=tmp_path)
    assert (tmp_path / "season/season.toml").is_file()


@pytest.mark.slow
def test_a_small_demo(tmp_path):
    taretrace_hidden("demo", "season", "--machines", "2", "--days", "3", "--json", cwd=tmp_path)
    assert (tmp_path / "season/out/index.html").is_file()
    taretrace_hidden("backup", "season", "--to", "b.tar", cwd=tmp_path)
    taretrace_hidden("restore", "b.tar", "back", cwd=tmp_path)
    taretrace_hidden("doctor", "back", cwd=tmp_path)
    program = "import taretrace; print(taretrace.open('back').table('load_fact').height)"
    assert int(run_hidden("-c", program, cwd=tmp_path)) > 10


@pytest.mark.slow
@pytest.mark.parametrize("system", ["win32", "darwin"])
def test_types_fit_other_systems(system, tmp_path):
    # The types of the standard library leave out what a system lacks.
    words = ["-m", "mypy", "--platform", system, "--cache-dir", tmp_path / "cache"]
    done = subprocess.run(
        [sys.executable, *words, "-p", "flows", "-p", "reports", "-p", "transforms"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-3000:]


@cache
def code() -> dict[str, str]:
    """Return file -> text of all code of the rooms."""
    paths = [p for room in ("flows", "reports", "transforms") for p in sorted((ROOT / room).rglob("*.py"))]
    return {p.relative_to(ROOT).as_posix(): p.read_text("utf-8") for p in paths}


def nodes(words: str) -> list[tuple[str, ast.AST]]:
    """Return (file, node) of the code in files that contain one of some words."""
    files = [file for file, text in code().items() if re.search(words, text)]
    return [(file, node) for file in files for node in ast.walk(ast.parse(code()[file]))]


GUARDED = {
    "transforms/ingest/reader_main.py": {"resource"},
    "transforms/parallel.py": {"pthread_sigmask", "SIG_BLOCK", "SIG_SETMASK"},
}
"""File -> names that it uses only where they exist."""


def test_no_module_needs_what_windows_lacks():
    words = rf"\b(?:{'|'.join([*MODULES, *set().union(*MISSING.values())])})\b"
    found = [(file, name) for file, node in nodes(words) for name in names_of_posix(node)]
    assert [(file, name) for file, name in found if name not in GUARDED.get(file, ())] == []
    assert {file for file, _ in found} == {*GUARDED}


def names_of_posix(node: ast.AST) -> list[str]:
    """Return the names in a node that only POSIX systems have."""
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names if alias.name in MODULES]
    if isinstance(node, ast.ImportFrom):
        missing = MISSING.get(node.module or "", set())
        return [str(node.module)] if node.module in MODULES else [a.name for a in node.names if a.name in missing]
    if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
        return [node.attr] if node.attr in MISSING.get(node.value.id, set()) else []
    return []


def test_text_files_are_opened_with_an_encoding():
    # The default differs by system. `open` of a path in binary mode, of an archive or of a browser needs none.
    found = nodes(r"(?:read_text|write_text|\.open)\(")
    calls = [(file, node) for file, node in found if isinstance(node, ast.Call) and is_loose(node)]
    assert [f"{file}:{call.lineno}" for file, call in calls] == []


def is_loose(call: ast.Call) -> bool:
    """Return True if a call reads or writes text without naming its encoding."""
    if not isinstance(call.func, ast.Attribute) or any(word.arg == "encoding" for word in call.keywords):
        return False
    if call.func.attr in {"read_text", "write_text"}:
        return len(call.args) < (1 if call.func.attr == "read_text" else 2)
    mode = call.args[0].value if call.args and isinstance(call.args[0], ast.Constant) else None
    return call.func.attr == "open" and mode in {"r", "w", "a", "x", "a+", "r+"}
