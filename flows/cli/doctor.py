"""Whether the installation, Prefect and a cluster are in order; the workspace itself is looked at by `health`."""

import os
import platform
import sqlite3
import sys
import urllib.request
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, requires, version

from packaging.requirements import Requirement

from transforms.config.workspace import Workspace
from transforms.operations.finding import Finding


def installation() -> Iterator[Finding]:
    """Whether every library is there in a version that fits."""
    try:
        needed = requires("taretrace") or []
    except PackageNotFoundError:
        found = f"taretrace runs from a source folder, Python {platform.python_version()}"
        yield Finding("installation", "note", found, "install it with 'pip install .' to have its libraries checked")
        return
    wrong = []
    for text in needed:
        need = Requirement(text)
        if need.marker is not None and not need.marker.evaluate({"extra": ""}):
            continue
        try:
            if not need.specifier.contains(version(need.name), prereleases=True):
                wrong.append(f"{need.name} {version(need.name)} is not {need.specifier}")
        except PackageNotFoundError:
            wrong.append(f"{need.name} is missing")
    own = f"taretrace {version('taretrace')}, Python {platform.python_version()}"
    if wrong or sys.version_info < (3, 11):
        yield Finding(
            "installation",
            "wrong",
            f"{own}: {'; '.join(wrong) or 'Python is older than 3.11'}",
            "install again with 'pip install -r requirements.txt'",
        )
    else:
        yield Finding("installation", "fine", f"{own}, every library in a version that fits")


def prefect(workspace: Workspace) -> Iterator[Finding]:
    """Whether Prefect's home is whole, or the server that is named answers."""
    api = os.environ.get("PREFECT_API_URL")
    if api:
        try:
            with urllib.request.urlopen(f"{api}/health", timeout=5):  # noqa: S310
                yield Finding("Prefect", "fine", f"the server at {api} answers")
        except (OSError, ValueError):
            yield Finding(
                "Prefect",
                "wrong",
                f"no server answers at PREFECT_API_URL = {api}",
                "start it, or unset PREFECT_API_URL to use one of taretrace's own",
            )
        return
    base = workspace.home / "prefect.db"
    if not base.exists():
        yield Finding("Prefect", "note", "its home is not made yet", "the first run makes it")
        return
    try:
        with sqlite3.connect(f"file:{base}?mode=ro", uri=True, timeout=5) as con:
            (said,) = con.execute("pragma quick_check").fetchone()
        whole = said == "ok"
    except sqlite3.Error:
        whole = False
    if whole:
        yield Finding("Prefect", "fine", f"its home in the workspace is whole ({base.stat().st_size / 1e6:.0f} MB)")
    else:
        yield Finding(
            "Prefect",
            "wrong",
            f"{base} is damaged",
            f"rm -r {workspace.home}: the next run makes it anew; only the history of runs is lost",
        )


def cluster(workspace: Workspace) -> Iterator[Finding]:
    """Whether a cluster that is named answers, has workers, and they run this version."""
    place = workspace.season.place
    if place.engine != "dask":
        return
    try:
        from distributed import Client

        with Client(place.address, timeout="5s", set_as_default=False) as client:  # type: ignore[no-untyped-call]
            there = client.run(version, "taretrace")
    except (ImportError, OSError, ValueError) as problem:
        yield Finding(
            "cluster",
            "wrong",
            f"{place.address} does not answer ({type(problem).__name__})",
            "start 'dask scheduler' there, and install requirements-cluster.txt here",
        )
        return
    other = {v for v in there.values() if v != version("taretrace")}
    if not there or other:
        yield Finding(
            "cluster",
            "wrong",
            f"{len(there)} workers, of version {', '.join(other) or 'none'}",
            f"start workers with taretrace {version('taretrace')} installed",
        )
    else:
        yield Finding("cluster", "fine", f"{len(there)} workers of this version at {place.address}")
