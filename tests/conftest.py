"""Fixtures: one demo season as the user runs it, and one small season for the rest. Each is made once a session."""

import json
import os
from pathlib import Path

# The tests run in two processes. With more threads in each, they would spend half of the time waiting for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("POLARS_MAX_THREADS", "1")

import pytest

from tests.support.program import Demo, taretrace
from tests.validation.seasons import Season, run_season
from transforms.config.settings_catalogue import Catalogue, load_catalogue
from transforms.config.workspace import Workspace

DEMO_DAYS = "16"
"""Days of the demo season of the tests: as few as show every planted fault; a slow test runs the default season."""


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """The demo season with fewer days, run by the program itself."""
    folder = tmp_path_factory.mktemp("demo") / "season"
    ran = taretrace("demo", folder, "--days", DEMO_DAYS, "--json")
    assert ran.code == 0, ran.err
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


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Group tests that share an expensive fixture, before xdist reads the groups: each group runs in one process.

    The demo season, the small season and the small workspace of `tests/flows` are made once each; the other tests are
    grouped by file, because fixtures of modules would be made once in each process.
    """
    for item in items:
        names = getattr(item, "fixturenames", ())
        shared = next((name for name in ("demo", "season", "whole") if name in names), item.path.stem)
        item.add_marker(pytest.mark.xdist_group(shared))
