"""Processes for slow proofs: one a core, one thread each, and our own `tests` found first."""

import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

ROOT = Path(__file__).parents[2]
OUR_TESTS = f"""
import os, sys, types
os.environ["OMP_NUM_THREADS"] = "1"
sys.path.insert(0, {str(ROOT)!r})
sys.modules["tests"] = types.ModuleType("tests")
sys.modules["tests"].__path__ = [{str(ROOT / "tests")!r}]
"""
"""Run first in each process: an installed library brings a package of the name `tests` as well."""


def processes() -> ProcessPoolExecutor:
    """Return two fresh processes."""
    spawn = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(2, mp_context=spawn, initializer=exec, initargs=(OUR_TESTS,))
