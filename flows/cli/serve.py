"""The commands `serve` and `notify`."""

import signal
import threading
from typing import Annotated

import typer

from flows.cli.options import HERE, Folder, Json
from flows.cli.output import complain, finish
from flows.runtime.prefect_server import Engine
from flows.runtime.progress import Reporter
from reports.language.translate import mark, say
from transforms.config.workspace import Workspace


def serve(
    folder: Folder = HERE,
    pool: Annotated[
        str | None,
        typer.Option(help="Run the flows on the workers of this Prefect work pool (default: in this process)."),
    ] = None,
    ui: Annotated[bool, typer.Option("--ui", help="Show the runs on web pages of this machine (Prefect UI).")] = False,
) -> None:
    """Run the schedule of season.toml, ingest new files as they arrive, and run missed jobs once.

    Stop it with Ctrl-C; jobs missed while it is stopped run once at the next start. It uses the Prefect server that
    PREFECT_API_URL names, or starts its own inside the workspace.
    """
    workspace, reporter, stop = Workspace(folder), Reporter(), threading.Event()
    _ = workspace.season
    with Engine(workspace.home, services=True, ui=ui) as engine:
        with reporter.stage(mark("Starting the flow engine")):
            from flows.scheduling.service import serve as run_service

            engine.ready()
        for stop_signal in (signal.SIGINT, signal.SIGTERM):
            signal.signal(stop_signal, lambda *_: stop.set())
        reporter.line(
            say(
                "Serving {folder}; stop with Ctrl-C. Runs are logged in {log}/",
                folder=workspace.root.resolve(),
                log=workspace.log,
            )
        )
        if ui:
            reporter.line(say("Runs, their stages and their logs: {address}", address=engine.ui_address))
        try:
            run_service(workspace, pool, reporter.line, stop)
        finally:
            stop.set()
    reporter.line(say("Stopped. Start it again to run missed jobs once."))


def notify(
    folder: Folder = HERE,
    is_test: Annotated[bool, typer.Option("--test", help="Send a test message to every address.")] = False,
    as_json: Json = False,
) -> None:
    """List the addresses of [notify] to, without their passwords; with --test, send them a message.

    Exits with code 2 if an address did not accept the message.
    """
    from flows.scheduling.messages import address_shown, send_message
    from reports.message import sample_message
    from transforms.errors import WorkspaceError

    season = Workspace(folder).season
    if not season.notify.to:
        raise WorkspaceError(
            "there is no address", where=f"{folder / 'season.toml'} [notify]", remedy='add to = ["mailtos://..."]'
        )
    shown = [address_shown(place, address) for place, address in enumerate(season.notify.to, 1)]
    failures = send_message(sample_message(season), season.notify.to) if is_test else []
    sent = len(shown) - len(failures) if is_test else 0
    tested = say("Sent a test message to {sent} of {all}.", sent=sent, all=len(shown))
    ending = tested if is_test else say("Test them with --test.")
    finish(as_json, {"addresses": shown, "sent": sent, "failures": failures}, [*shown, ending])
    for failure in failures:
        complain(failure)
    if failures:
        raise typer.Exit(2)


def register_serve(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.command()(serve)
    app.command()(notify)
