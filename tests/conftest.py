"""Fixtures: one demo season as the user runs it, and one small season for the rest. Each is made once a session."""

import json
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import pytest
from proofs.seasons import Season, run_season

from transforms.catalogue import Catalogue, load_catalogue
from transforms.workspace import Workspace

PROGRAM = [sys.executable, "-c", "from flows.cli import main; main()"]


@dataclass(frozen=True)
class Ran:
    """A finished call of the program."""

    code: int
    out: str
    err: str
    seconds: float


def taretrace(*words: str | Path) -> Ran:
    """Call the program as a user does, in a process of its own."""
    started = time.perf_counter()
    done = subprocess.run([*PROGRAM, *map(str, words)], capture_output=True, text=True, check=False)
    return Ran(done.returncode, done.stdout, done.stderr, time.perf_counter() - started)


@dataclass(frozen=True)
class Demo:
    """The demo season after `taretrace demo`."""

    workspace: Workspace
    ran: Ran
    told: dict[str, object]


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """The default demo season, run by the program itself."""
    folder = tmp_path_factory.mktemp("demo") / "season"
    ran = taretrace("demo", folder, "--json")
    assert ran.code == 0, ran.err
    return Demo(Workspace(folder), ran, json.loads(ran.out))


@pytest.fixture(scope="session")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    """A small season through the plain stages; tests must not change it."""
    return run_season(tmp_path_factory.mktemp("small") / "season", seed=5, machines=5, days=8)


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    """The built-in settings."""
    return load_catalogue()
