"""Temporary Prefect server for one command, used if the environment does not name a server."""

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from types import TracebackType
from typing import Self

from flows.runtime.prefect_env import settle_prefect

START_TIMEOUT_S = 120.0
STOP_TIMEOUT_S = 5.0


def _find_free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Engine:
    """Prefect, ready to run flows.

    Entering starts a temporary server in the background without waiting; `ready` waits until it answers. If
    `PREFECT_API_URL` is set, that server is used and none is started.

    Args:
        home: home folder of Prefect, inside the workspace.
        services: True if the server also schedules runs.
    """

    def __init__(self, home: Path, *, services: bool = False) -> None:
        self.home, self.services = home.resolve(), services
        self.server: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        settle_prefect(self.home)
        self.home.mkdir(parents=True, exist_ok=True)  # Prefect creates it, but not its parent folder
        if "PREFECT_API_URL" not in os.environ:
            port = _find_free_port()
            # The server ends with this process, even if this process is killed.
            prefix = ["setpriv", "--pdeathsig", "TERM"] if shutil.which("setpriv") else []
            arguments = ["-m", "prefect", "server", "start", "--host", "127.0.0.1", "--port", str(port), "--no-ui"]
            silent = subprocess.DEVNULL
            self.server = subprocess.Popen(  # noqa: S603
                [*prefix, sys.executable, *arguments, *([] if self.services else ["--no-services"])],
                stdin=silent,
                stdout=silent,
                stderr=silent,
                start_new_session=True,
            )
            os.environ["PREFECT_API_URL"] = f"http://127.0.0.1:{port}/api"
        return self

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
        del os.environ["PREFECT_API_URL"]
        self.server.terminate()
        try:
            self.server.wait(STOP_TIMEOUT_S)
        except subprocess.TimeoutExpired:
            self.server.kill()
            self.server.wait()
