"""A Prefect server for as long as a command runs, where the environment names none."""

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

STARTS_WITHIN_S = 120.0
STOPS_WITHIN_S = 5.0


def _free_port() -> int:
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return int(asked.getsockname()[1])


class Engine:
    """Prefect, ready to run flows.

    Entering starts a server of our own in the background and goes on at once; `ready` waits until it answers. Where
    `PREFECT_API_URL` is set there is a server already and nothing is started.

    Args:
        home: Prefect's home, inside the workspace.
        services: whether the server schedules runs itself.
    """

    def __init__(self, home: Path, *, services: bool = False) -> None:
        self.home, self.services = home.resolve(), services
        self.server: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        settle_prefect(self.home)
        self.home.mkdir(parents=True, exist_ok=True)  # Prefect makes it, but not the folder it is in
        if "PREFECT_API_URL" not in os.environ:
            port = _free_port()
            # The server ends with us, even where we are killed.
            tied = ["setpriv", "--pdeathsig", "TERM"] if shutil.which("setpriv") else []
            own = ["-m", "prefect", "server", "start", "--host", "127.0.0.1", "--port", str(port), "--no-ui"]
            silent = subprocess.DEVNULL
            self.server = subprocess.Popen(  # noqa: S603
                [*tied, sys.executable, *own, *([] if self.services else ["--no-services"])],
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
            RuntimeError: it ended, or did not answer in time.
        """
        until = time.monotonic() + STARTS_WITHIN_S
        while self.server is not None:
            try:
                with urllib.request.urlopen(f"{os.environ['PREFECT_API_URL']}/health", timeout=5):  # noqa: S310
                    return
            except OSError:
                if self.server.poll() is not None or time.monotonic() > until:
                    raise RuntimeError("the flow engine's own server did not start") from None
                time.sleep(0.05)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.server is None:
            return
        del os.environ["PREFECT_API_URL"]
        self.server.terminate()
        try:
            self.server.wait(STOPS_WITHIN_S)
        except subprocess.TimeoutExpired:
            self.server.kill()
            self.server.wait()
