"""Fixtures: one demo season as the user runs it, and one small season for the rest. Each is made once a session."""

import ast
import gc
import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

# The tests run in two processes. With more threads in each, they would spend half of the time waiting for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("POLARS_MAX_THREADS", "1")

import pytest

from tests.support.program import Demo, taretrace
from tests.validation.seasons import Season, run_season
from transforms.config.settings_catalogue import Catalogue, load_catalogue
from transforms.config.workspace import Workspace
from transforms.storage import warehouse
from transforms.storage.warehouse_layout import create_warehouse

DEMO_DAYS = "13"
"""Days of the demo season of the tests: as few as show every planted fault; slow tests need the default season."""


ROOT = Path(__file__).parent.parent
GROUPS = ("demo", "season", "whole", "sources")
"""Fixtures that are made once: the tests of each run in one process."""


@pytest.fixture(scope="session", autouse=True)
def _copied_warehouses(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Create the first warehouse of the session, and all others as its copies: a hundred statements take longer."""
    empty = tmp_path_factory.mktemp("empty") / "warehouse.duckdb"
    create_warehouse(empty)

    def copy(path: Path) -> None:
        if path.with_name(f"{path.name}.wal").exists():
            create_warehouse(path)
        shutil.copyfile(empty, path)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(warehouse, "create_warehouse", copy)
        yield


@pytest.fixture(scope="session")
def sources() -> dict[str, ast.Module]:
    """Return the syntax tree of every module of the three rooms, by its path."""
    files = [path for room in ("flows", "reports", "transforms") for path in sorted((ROOT / room).rglob("*.py"))]
    return {path.relative_to(ROOT).as_posix(): ast.parse(path.read_text("utf-8")) for path in files}


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """The demo season with fewer days, run by the program itself."""
    folder = tmp_path_factory.mktemp("demo") / "season"
    ran = taretrace("demo", folder, "--days", DEMO_DAYS, "--json")
    assert ran.code == 0, ran.err
    return Demo(Workspace(folder), ran, json.loads(ran.out))


@pytest.fixture(scope="session")
def default_demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """The demo season with all of its days, for slow tests of its estimates."""
    folder = tmp_path_factory.mktemp("default") / "season"
    ran = taretrace("demo", folder, "--json")
    assert (ran.code, ran.err) == (0, "")
    return Demo(Workspace(folder), ran, json.loads(ran.out))


@pytest.fixture(scope="session")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    """A small season through the plain stages; tests must not change it."""
    return run_season(tmp_path_factory.mktemp("small") / "season", seed=5, machines=5, days=8)


@pytest.fixture(scope="session")
def prefect_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One home of Prefect for all tests that need one: making one takes longer than most of them."""
    return tmp_path_factory.mktemp("prefect")


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    """The built-in settings."""
    return load_catalogue()


def pytest_ignore_collect(collection_path: Path) -> bool | None:
    """Skip scripts and helpers of the tests, which hold no doctests and may work when they are imported."""
    is_script = collection_path.suffix == ".py" and not collection_path.name.startswith(("test_", "conftest"))
    return True if is_script else None


def pytest_collection_finish() -> None:
    """Search for garbage less often: after thousands of tests, a search passes millions of objects that are in use."""
    gc.set_threshold(20_000, 20, 50)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Group tests that share an expensive fixture, before xdist reads the groups: each group runs in one process.

    The demo season, the small season, the small workspace of `tests/flows` and the syntax trees are made once each; the
    other tests are grouped by file, because fixtures of modules would be made once in each process.
    """
    for item in items:
        names = getattr(item, "fixturenames", ())
        shared = next((name for name in GROUPS if name in names), item.path.stem)
        item.add_marker(pytest.mark.xdist_group(shared))
