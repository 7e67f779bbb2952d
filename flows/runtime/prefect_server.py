"""Temporary Prefect server for one command, used if the environment does not name a server."""

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Self

from flows.runtime.prefect_env import settle_prefect

START_TIMEOUT_S = 120.0
STOP_TIMEOUT_S = 5.0


UI_PORT = 4200
"""Port of the server with its pages, so that bookmarks last; another one if it is taken."""


def _find_free_port(preferred: int = 0) -> int:
    for port in (preferred, 0):
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return int(probe.getsockname()[1])
    raise RuntimeError("no port of this machine is free")


def _send_pending_logs() -> None:
    """Wait until the server has the log of the runs, which Prefect sends in batches in the background."""
    if "prefect.logging.handlers" in sys.modules:
        from prefect.logging.handlers import APILogWorker  # noqa: PLC0415

        APILogWorker.drain_all(timeout=STOP_TIMEOUT_S, at_exit=False)


class Engine:
    """Prefect, ready to run flows.

    Entering starts a temporary server in the background without waiting; `ready` waits until it answers. If
    `PREFECT_API_URL` is set, that server is used and none is started.

    Args:
        home: home folder of Prefect, inside the workspace.
        services: True if the server also schedules runs.
        ui: True if the server shows its pages.
    """

    def __init__(self, home: Path, *, services: bool = False, ui: bool = False) -> None:
        self.home, self.services, self.ui = home.resolve(), services, ui
        self.server: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        settle_prefect(self.home)
        self.home.mkdir(parents=True, exist_ok=True)  # Prefect creates it, but not its parent folder
        if "PREFECT_API_URL" not in os.environ:
            port = _find_free_port(UI_PORT if self.ui else 0)
            os.environ["PREFECT_UI_STATIC_DIRECTORY"] = str(self.home / "ui")  # the program's folder may be read-only
            # The server ends with this process, even if this process is killed.
            prefix = ["setpriv", "--pdeathsig", "TERM"] if shutil.which("setpriv") else []
            arguments = ["-m", "prefect", "server", "start", "--host", "127.0.0.1", "--port", str(port)]
            left_out = [*([] if self.ui else ["--no-ui"]), *([] if self.services else ["--no-services"])]
            silent = subprocess.DEVNULL
            self.server = subprocess.Popen(  # noqa: S603
                [*prefix, sys.executable, *arguments, *left_out],
                stdin=silent,
                stdout=silent,
                stderr=silent,
                start_new_session=True,
            )
            os.environ["PREFECT_API_URL"] = f"http://127.0.0.1:{port}/api"
        return self

    @property
    def ui_address(self) -> str:
        """Address of the server's pages."""
        return os.environ["PREFECT_API_URL"].removesuffix("/").removesuffix("/api")

    def ready(self) -> None:
        """Wait until the server answers.

        Raises:
            RuntimeError: the server ended or did not answer in time.
        """
        deadline = time.monotonic() + START_TIMEOUT_S
        while self.server is not None:
            try:
                with urllib.request.urlopen(f"{os.environ['PREFECT_API_URL']}/health", timeout=5):  # noqa: S310
                    return
            except OSError:
                if self.server.poll() is not None or time.monotonic() > deadline:
                    raise RuntimeError(
                        "the Prefect server did not start: try again, or set PREFECT_API_URL to a running server"
                    ) from None
                time.sleep(0.05)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.server is None:
            return
        _send_pending_logs()
        del os.environ["PREFECT_API_URL"]
        self.server.terminate()
        try:
            self.server.wait(STOP_TIMEOUT_S)
        except subprocess.TimeoutExpired:
            self.server.kill()
            self.server.wait()
