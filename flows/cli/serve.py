"""The verb `serve`."""

import signal
import threading
from pathlib import Path
from typing import Annotated

import typer

from flows.runtime.prefect_server import Engine
from flows.runtime.progress import Reporter
from transforms.config.workspace import Workspace

HERE = Path()


def serve(
    folder: Annotated[Path, typer.Argument(help="The workspace folder.", show_default=True)] = HERE,
    pool: Annotated[
        str | None,
        typer.Option(help="Have the workers of this Prefect work pool run the flows; this process where not given."),
    ] = None,
) -> None:
    """Keep the season going: run what season.toml schedules, take in files as they come, catch up once.

    Ctrl-C ends it; what was missed meanwhile is run once when it is started again. Where PREFECT_API_URL names a
    Prefect server that one is used, else a server of its own runs inside the workspace for as long as this does.
    """
    workspace, reporter, stop = Workspace(folder), Reporter(), threading.Event()
    _ = workspace.season
    with Engine(workspace.home, services=True) as engine:
        with reporter.stage("Starting the flow engine"):
            from flows.scheduling.service import serve as keep_going

            engine.ready()
        for ends in (signal.SIGINT, signal.SIGTERM):
            signal.signal(ends, lambda *_: stop.set())
        reporter.say(f"Serving {workspace.root.resolve()}; Ctrl-C ends it. What runs stands in {workspace.log}/")
        try:
            keep_going(workspace, pool, reporter.say, stop)
        finally:
            stop.set()
    reporter.say("Ended. Start it again, and what was missed is run once.")


def register_serve(app: typer.Typer) -> None:
    """Add the verb to the program."""
    app.command()(serve)
