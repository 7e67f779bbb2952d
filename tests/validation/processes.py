"""Processes for slow proofs: two, one thread each, which find the modules of the tests."""

import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

ROOT = Path(__file__).parents[2]
SETUP = f"""
import os, sys
os.environ["OMP_NUM_THREADS"] = "1"
sys.path.insert(0, {str(ROOT)!r})
"""
"""Run first in each process: an installed library brings a package of the name `tests` as well."""


def processes() -> ProcessPoolExecutor:
    """Return two fresh processes."""
    spawn = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(2, mp_context=spawn, initializer=exec, initargs=(SETUP,))
