"""Checks of installation, Prefect, cluster and recipients; `operations.health` checks the workspace itself."""

import os
import platform
import sqlite3
import sys
import urllib.request
from collections.abc import Iterator
from dataclasses import asdict
from importlib.metadata import PackageNotFoundError, requires, version

from packaging.requirements import Requirement

from flows.cli.columns import plain
from flows.cli.console_table import ConsoleTable
from transforms.config.workspace import Workspace
from transforms.operations.finding import Finding


def findings_table(title: str, found: list[Finding]) -> ConsoleTable:
    """Return the table of the findings of all checks."""
    return ConsoleTable(
        title,
        (
            plain("Check", "check"),
            plain("State", "state"),
            plain("Finding", "says"),
            plain("Remedy", "remedy"),
        ),
        [asdict(f) for f in found],
    )


def installation() -> Iterator[Finding]:
    """Check that every required library is installed in a compatible version."""
    try:
        required = requires("taretrace") or []
    except PackageNotFoundError:
        found = f"taretrace runs from a source folder, Python {platform.python_version()}"
        yield Finding(
            "installation", "note", found, "install it with 'pip install .' so that its libraries can be checked"
        )
        return
    wrong = []
    for text in required:
        requirement = Requirement(text)
        if requirement.marker is not None and not requirement.marker.evaluate({"extra": ""}):
            continue
        try:
            if not requirement.specifier.contains(version(requirement.name), prereleases=True):
                wrong.append(f"{requirement.name} {version(requirement.name)} is not {requirement.specifier}")
        except PackageNotFoundError:
            wrong.append(f"{requirement.name} is missing")
    own = f"taretrace {version('taretrace')}, Python {platform.python_version()}"
    if wrong or sys.version_info < (3, 11):
        yield Finding(
            "installation",
            "wrong",
            f"{own}: {'; '.join(wrong) or 'Python is older than 3.11'}",
            "run 'pip install -r requirements.txt'",
        )
    else:
        yield Finding("installation", "fine", f"{own}, all libraries have compatible versions")


def prefect(workspace: Workspace) -> Iterator[Finding]:
    """Check that Prefect's home is intact, or that the configured server answers."""
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
                "start it, or unset PREFECT_API_URL to let taretrace start its own",
            )
        return
    database = workspace.home / "prefect.db"
    if not database.exists():
        yield Finding("Prefect", "note", "its home does not exist yet", "the first run creates it")
        return
    try:
        with sqlite3.connect(f"file:{database}?mode=ro", uri=True, timeout=5) as con:
            (answer,) = con.execute("pragma quick_check").fetchone()
        is_intact = answer == "ok"
    except sqlite3.Error:
        is_intact = False
    if is_intact:
        yield Finding(
            "Prefect", "fine", f"its home in the workspace is intact ({database.stat().st_size / 1e6:.0f} MB)"
        )
    else:
        yield Finding(
            "Prefect",
            "wrong",
            f"{database} is damaged",
            f"rm -r {workspace.home}: the next run creates it again; only the history of runs is lost",
        )


def cluster(workspace: Workspace) -> Iterator[Finding]:
    """Check that the configured cluster answers and that its workers run this version."""
    place = workspace.season.place
    if place.engine != "dask":
        return
    try:
        from distributed import Client

        with Client(place.address, timeout="5s", set_as_default=False) as client:
            versions = client.run(version, "taretrace")
    except (ImportError, OSError, ValueError) as problem:
        yield Finding(
            "cluster",
            "wrong",
            f"{place.address} does not answer ({type(problem).__name__})",
            "start 'dask scheduler' there and install requirements-cluster.txt here",
        )
        return
    different = {v for v in versions.values() if v != version("taretrace")}
    if not versions or different:
        yield Finding(
            "cluster",
            "wrong",
            f"{len(versions)} workers, with version {', '.join(different) or 'none'}",
            f"start workers that have taretrace {version('taretrace')} installed",
        )
    else:
        yield Finding("cluster", "fine", f"{len(versions)} workers of this version at {place.address}")


def recipients(workspace: Workspace) -> Iterator[Finding]:
    """Check that every address of `[notify] to` is known and complete; nothing is sent and no address is shown."""
    to = workspace.season.notify.to
    if not to:
        return
    from flows.scheduling.messages import address_shown, is_address

    wrong = [address_shown(place, address) for place, address in enumerate(to, 1) if not is_address(address)]
    if wrong:
        yield Finding(
            "notify", "wrong", f"{', '.join(wrong)} is incomplete or of an unknown service", "correct it in season.toml"
        )
    else:
        yield Finding("notify", "fine", f"{len(to)} addresses are complete; 'taretrace notify --test' sends a message")
