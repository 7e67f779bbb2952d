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

from flows.cli.columns import Column, plain
from flows.cli.console_table import ConsoleTable
from reports.language.reason_messages.health import STATES
from reports.language.reason_text import format_reason
from reports.language.translate import say, translated, use_language
from transforms.config.workspace import Workspace
from transforms.contracts.reason import reason
from transforms.errors import WorkspaceError
from transforms.operations.finding import Finding, error_remedy, error_what

MIN_PYTHON = (3, 11)


def finding_row(found: Finding) -> dict[str, str]:
    """Return a finding with its message and its remedy as sentences."""
    remedy = format_reason(found.remedy) if found.remedy is not None else ""
    return {**asdict(found), "says": format_reason(found.says), "remedy": remedy}


def findings_table(title: str, found: list[Finding]) -> ConsoleTable:
    """Return the table of the findings of all checks."""
    return ConsoleTable(
        title,
        (
            Column(say("Check"), lambda row: translated(row["check"])),
            Column(say("State"), lambda row: say(STATES[row["state"]])),
            plain(say("Finding"), "says"),
            plain(say("Remedy"), "remedy"),
        ),
        [finding_row(f) for f in found],
    )


def installation() -> Iterator[Finding]:
    """Check that every required library is installed in a compatible version."""
    try:
        required = requires("taretrace") or []
    except PackageNotFoundError:
        found = reason("runs_from_sources", python=platform.python_version())
        yield Finding("installation", "note", found, reason("install_to_check"))
        return
    wrong = []
    for text in required:
        requirement = Requirement(text)
        if requirement.marker is not None and not requirement.marker.evaluate({"extra": ""}):
            continue
        try:
            if not requirement.specifier.contains(version(requirement.name), prereleases=True):
                versions = {"version": version(requirement.name), "required": str(requirement.specifier)}
                wrong.append(reason("library_version", library=requirement.name, **versions))
        except PackageNotFoundError:
            wrong.append(reason("library_missing", library=requirement.name))
    own = {"version": version("taretrace"), "python": platform.python_version()}
    if sys.version_info < MIN_PYTHON:
        wrong.append(reason("python_too_old", required=".".join(map(str, MIN_PYTHON))))
    if wrong:
        fault = reason("libraries_wrong", libraries=wrong, **own)
        yield Finding("installation", "wrong", fault, reason("install_libraries"))
    else:
        yield Finding("installation", "fine", reason("libraries_right", **own))


def prefect(workspace: Workspace) -> Iterator[Finding]:
    """Check that Prefect's home is intact, or that the configured server answers."""
    api = os.environ.get("PREFECT_API_URL")
    if api:
        try:
            with urllib.request.urlopen(f"{api}/health", timeout=5):  # noqa: S310
                yield Finding("Prefect", "fine", reason("server_answers", address=api))
        except (OSError, ValueError):
            yield Finding("Prefect", "wrong", reason("server_silent", address=api), reason("start_server"))
        return
    database = workspace.home / "prefect.db"
    if not database.exists():
        yield Finding("Prefect", "note", reason("home_missing"), reason("first_run_creates"))
        return
    try:
        with sqlite3.connect(f"file:{database}?mode=ro", uri=True, timeout=5) as con:
            (answer,) = con.execute("pragma quick_check").fetchone()
        is_intact = answer == "ok"
    except sqlite3.Error:
        is_intact = False
    if is_intact:
        yield Finding("Prefect", "fine", reason("home_intact", size_mb=database.stat().st_size / 1e6))
    else:
        remedy = reason("delete_home", folder=str(workspace.home))
        yield Finding("Prefect", "wrong", reason("home_damaged", database=str(database)), remedy)


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
        fault = reason("cluster_silent", address=place.address, detail=type(problem).__name__)
        yield Finding("cluster", "wrong", fault, reason("start_cluster"))
        return
    own = version("taretrace")
    different = sorted({v for v in versions.values() if v != own})
    if not versions or different:
        differ = reason("workers_differ", n=len(versions), versions=different)
        remedy = reason("start_workers", version=own)
        yield Finding("cluster", "wrong", differ if versions else reason("no_workers"), remedy)
    else:
        yield Finding("cluster", "fine", reason("workers_right", n=len(versions), address=place.address))


def recipients(workspace: Workspace) -> Iterator[Finding]:
    """Check that every address of `[notify] to` is known and complete; nothing is sent and no address is shown."""
    to = workspace.season.notify.to
    if not to:
        return
    from flows.scheduling.messages import address_reason, is_address

    wrong = [address_reason(place, address) for place, address in enumerate(to, 1) if not is_address(address)]
    if wrong:
        fault = reason("addresses_wrong", addresses=wrong)
        yield Finding("notify", "wrong", fault, reason("correct_season"))
    else:
        yield Finding("notify", "fine", reason("addresses_complete", n=len(to)))


def language(workspace: Workspace) -> Iterator[Finding]:
    """Check that the texts of the season's locale can be read."""
    season = workspace.season
    try:
        with use_language(season.locale, season.texts):
            yield Finding("language", "fine", reason("language_read", locale=season.locale))
    except WorkspaceError as problem:
        remedy = reason("fix_at", where=problem.where, remedy=error_remedy(problem))
        yield Finding("language", "wrong", error_what(problem), remedy)
