"""The command `serve`."""

import signal
import threading
from typing import Annotated

import typer

from flows.cli.options import HERE, Folder
from flows.runtime.prefect_server import Engine
from flows.runtime.progress import Reporter
from transforms.config.workspace import Workspace


def serve(
    folder: Folder = HERE,
    pool: Annotated[
        str | None,
        typer.Option(help="Run the flows on the workers of this Prefect work pool (default: in this process)."),
    ] = None,
) -> None:
    """Run the schedule of season.toml, ingest new files as they arrive, and run missed jobs once.

    Stop it with Ctrl-C; jobs missed while it is stopped run once at the next start. It uses the Prefect server that
    PREFECT_API_URL names, or starts its own inside the workspace.
    """
    workspace, reporter, stop = Workspace(folder), Reporter(), threading.Event()
    _ = workspace.season
    with Engine(workspace.home, services=True) as engine:
        with reporter.stage("Starting the flow engine"):
            from flows.scheduling.service import serve as run_service

            engine.ready()
        for stop_signal in (signal.SIGINT, signal.SIGTERM):
            signal.signal(stop_signal, lambda *_: stop.set())
        reporter.say(f"Serving {workspace.root.resolve()}; stop with Ctrl-C. Runs are logged in {workspace.log}/")
        try:
            run_service(workspace, pool, reporter.say, stop)
        finally:
            stop.set()
    reporter.say("Stopped. Start it again to run missed jobs once.")


def register_serve(app: typer.Typer) -> None:
    """Add this command to the program."""
    app.command()(serve)
