"""The house rules: top level, layers, style and types. They run with the tests, so that CI enforces them."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
TOP = {"CHANGELOG.md", "README.md", "DEVELOPERS.md", "pyproject.toml", "flows", "transforms", "sql", "reports", "tests"}
CONVENTION = {
    ".ci",
    ".gitignore",
    ".pre-commit-config.yaml",
    "requirements.txt",
    "requirements-cluster.txt",
    "requirements-dev.txt",
}


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*words], cwd=ROOT, capture_output=True, text=True, check=False)


def tracked() -> list[str]:
    return run("git", "ls-files").stdout.splitlines()


def test_the_top_level_is_fixed():
    assert {p.split("/")[0] for p in tracked()} <= TOP | CONVENTION


@pytest.mark.parametrize(
    "command",
    [
        ["ruff", "check", "."],
        ["ruff", "format", "--check", "."],
        ["codespell_lib"],
        # These take longest: half a minute without a cache, and seven seconds. `poe check` runs them.
        pytest.param(["mypy"], marks=pytest.mark.slow),
        pytest.param(["vulture"], marks=pytest.mark.slow),
    ],
    ids=["style", "format", "spelling", "types", "unused code"],
)
def test_the_checks_pass(command):
    done = run(sys.executable, "-m", *command)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]


def test_rooms_import_one_way():
    done = run(str(Path(sys.executable).parent / "lint-imports"))
    assert done.returncode == 0, done.stdout[-3000:]


FIRMS_WORDS = re.compile(
    r"\b(?:[Bb]rochure|[Dd]ata ?sheet|[Ww]hite paper|GmbH|Ltd|Inc\.|S\.A\.|bulletin of (?:the )?(?:firm|company|maker))"
)


def test_no_source_is_one_firms_own_paper():
    named = [
        f"{name}:{number}"
        for name in tracked()
        if name.endswith((".md", ".py", ".toml", ".sql", ".j2", ".typ")) and name != "tests/test_architecture.py"
        for number, line in enumerate((ROOT / name).read_text("utf-8").splitlines(), 1)
        if FIRMS_WORDS.search(line)
    ]
    assert named == []


def test_assumptions_of_the_settings_are_labelled():
    text = (ROOT / "transforms/config/settings.toml").read_text("utf-8")
    comments = "\n".join(line for line in text.splitlines() if line.startswith("#"))
    assert "assumption" in comments
    assert "common practice, no source" in comments


def test_groups_are_made_in_order(sources):
    # Without, polars adds a group's numbers in the order its threads end: their last digits differ from run to run.
    loose = [
        f"{name}:{call.lineno}"
        for name, tree in sources.items()
        for call in ast.walk(tree)
        if isinstance(call, ast.Call)
        and isinstance(call.func, ast.Attribute)
        and call.func.attr == "group_by"
        and not any(word.arg == "maintain_order" for word in call.keywords)
    ]
    assert loose == []


def is_of_the_warehouse(node: ast.AST) -> bool:
    """Return True if a node imports the warehouse or calls its `query` or `table`."""
    if isinstance(node, ast.ImportFrom):
        return any(f"{node.module}.{name.name}".startswith("transforms.storage.warehouse") for name in node.names)
    if isinstance(node, ast.Import):
        return any(name.name.startswith("transforms.storage.warehouse") for name in node.names)
    called = node.func if isinstance(node, ast.Call) else None
    return isinstance(called, ast.Attribute) and called.attr in {"query", "table"}


def test_pages_read_tables_in_data_modules_alone(sources):
    # A page loads its data first and renders it afterwards, so rendering needs no warehouse.
    readers = {
        name
        for name, tree in sources.items()
        if name.startswith("reports/")
        for node in ast.walk(tree)
        if is_of_the_warehouse(node)
    }
    assert "reports/pages/shift_data.py" in readers
    assert [name for name in sorted(readers) if not name.endswith("_data.py")] == []
    # `index_data` reads the pages of a folder instead.
    assert {name for name in sources if re.match(r"reports/.*_data\.py", name)} == readers | {
        "reports/pages/index_data.py"
    }


def test_no_registry_host_stands_in_a_tracked_file():
    shape = re.compile(r"https?://[^\s\"')>]*(?:pypi|pythonhosted|/simple)", re.IGNORECASE)
    for name in tracked():
        if not name.endswith((".png", ".parquet")):
            assert not shape.search((ROOT / name).read_text("utf-8")), name


def test_the_readme_holds_the_two_commands():
    commands = re.findall(r"^    (python3\.11 -m venv .*)$", (ROOT / "README.md").read_text(), re.MULTILINE)
    assert len(commands) == 2
    assert commands[0].endswith("taretrace demo")
    assert commands[1].endswith("pytest")


WEAK_OPENING = re.compile(r'^\s*r?"""(What|How|Whether|Who|Whose|When|Where|Which|Why)\b', re.MULTILINE)


def test_docstrings_begin_with_a_noun_or_an_imperative():
    # By pattern: parsing all tests takes seconds, and documented constants are found as well.
    assert WEAK_OPENING.search('def f():\n    """How long a day is."""')
    names = [name for name in tracked() if name.endswith(".py")]
    assert len(names) > 1000
    weak = [name for name in names if WEAK_OPENING.search((ROOT / name).read_text("utf-8"))]
    assert weak == []


@pytest.mark.parametrize(("page", "most"), [("README.md", 110), ("DEVELOPERS.md", 170)])
def test_the_front_pages_are_short(page, most):
    assert len((ROOT / page).read_text("utf-8").splitlines()) <= most


def test_pure_functions_have_doctests_that_run(sources, pytestconfig):
    rooms = [
        name.split("/")[0]
        for name, tree in sources.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and ">>> " in (ast.get_docstring(node) or "")
    ]
    assert set(rooms) <= set(pytestconfig.getini("testpaths"))
    assert rooms.count("transforms") >= 40


def test_the_length_of_a_degree_is_defined_once(sources):
    named = {
        name
        for name, tree in sources.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and node.value in {111_320, 111.32}
    }
    assert named == {"transforms/geo.py"}


METHOD_HEADINGS = ["Question", "Method", "Assumptions and limits", "Where validated"]


def test_pages_of_methods_have_the_same_four_headings_and_are_in_the_index():
    pages = sorted((ROOT / "transforms").glob("*/METHODS.md"))
    index = (ROOT / "transforms" / "METHODS.md").read_text("utf-8")
    assert len(pages) >= 12
    for page in pages:
        headings = re.findall(r"^## (.*)$", page.read_text("utf-8"), re.MULTILINE)
        assert headings == METHOD_HEADINGS, page
        assert f"({page.parent.name}/METHODS.md)" in index


COMPUTATION = tuple(
    f"transforms/{room}/"
    for room in (
        "advice",
        "benchmark",
        "conditions",
        "joins",
        "mixed_model",
        "model",
        "outcome",
        "telemetry",
        "trace",
        "trial",
        "variation",
    )
)


def public_functions(tree: ast.Module) -> list[ast.FunctionDef]:
    """Return the public functions of a module and the public methods of its public classes."""
    bodies = [tree.body, *(n.body for n in tree.body if isinstance(n, ast.ClassDef) and not n.name.startswith("_"))]
    return [n for body in bodies for n in body if isinstance(n, ast.FunctionDef) and not n.name.startswith("_")]


def test_public_functions_of_the_computation_document_arguments_and_errors(sources):
    found = [
        (name, f) for name, tree in sources.items() if name.startswith(COMPUTATION) for f in public_functions(tree)
    ]
    assert len(found) > 500
    bare = []
    for name, f in found:
        doc = ast.get_docstring(f) or ""
        given = [a for a in (*f.args.posonlyargs, *f.args.args, *f.args.kwonlyargs) if a.arg not in {"self", "cls"}]
        raises = any(isinstance(n, ast.Raise) and n.exc is not None for n in ast.walk(f))
        if (len(given) > 1 and "Args:" not in doc) or (raises and "Raises:" not in doc):
            bare.append(f"{name}:{f.lineno} {f.name}")
    assert bare == []
