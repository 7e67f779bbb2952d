"""Servers of other people's making, each a process of its own on loopback: object storage, a Dask cluster, Prefect."""

import contextlib
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

KEYS = {"AWS_ACCESS_KEY_ID": "test", "AWS_SECRET_ACCESS_KEY": "test", "AWS_DEFAULT_REGION": "us-east-1"}
PATIENCE_S = 180.0


def free_port() -> int:
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return int(asked.getsockname()[1])


def until(happens: Callable[[], bool], what: str) -> None:
    """Wait for something a server does."""
    end = time.monotonic() + PATIENCE_S
    while not happens():
        if time.monotonic() > end:
            raise TimeoutError(f"{what} did not come in {PATIENCE_S:.0f} s")
        time.sleep(0.05)


def answers(url: str) -> bool:
    try:
        with urllib.request.urlopen(url, timeout=5):
            return True
    except urllib.error.HTTPError:
        return True
    except OSError:
        return False


@contextlib.contextmanager
def running(
    *words: str, env: dict[str, str] | None = None, log: Path | None = None
) -> Iterator[subprocess.Popen[bytes]]:
    """A process that is ended at the end, with what it was doing written to a log."""
    with contextlib.ExitStack() as stack:
        out = stack.enter_context(log.open("wb")) if log else subprocess.DEVNULL
        process = subprocess.Popen(words, env={**os.environ, **(env or {})}, stdout=out, stderr=subprocess.STDOUT)
        try:
            yield process
        finally:
            process.terminate()
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


@contextlib.contextmanager
def object_storage(bucket: str) -> Iterator[dict[str, str]]:
    """An S3 server with one empty bucket; yields the environment that leads to it."""
    port = free_port()
    env = {**KEYS, "AWS_ENDPOINT_URL_S3": f"http://127.0.0.1:{port}"}
    with running(sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)):
        until(lambda: answers(env["AWS_ENDPOINT_URL_S3"]), "the object storage")
        # Without a body, with any signature: the server checks none.
        asked = urllib.request.Request(f"{env['AWS_ENDPOINT_URL_S3']}/{bucket}", method="PUT")
        urllib.request.urlopen(asked, timeout=5).close()
        yield env


class Cluster:
    """A Dask scheduler, and workers of one thread that come and go."""

    def __init__(self, stack: contextlib.ExitStack, env: dict[str, str], logs: Path) -> None:
        self.stack, self.logs = stack, logs
        self.env = {**env, "POLARS_MAX_THREADS": "1", "OMP_NUM_THREADS": "1"}
        self.address = f"tcp://127.0.0.1:{free_port()}"
        host, port = self.address.removeprefix("tcp://").split(":")
        self._start("scheduler", "--host", host, "--port", port, "--no-dashboard", name="scheduler")
        self.workers: list[subprocess.Popen[bytes]] = []

    def _start(self, *words: str, name: str) -> subprocess.Popen[bytes]:
        dask = [sys.executable, "-m", "dask", *words]
        return self.stack.enter_context(running(*dask, env=self.env, log=self.logs / f"{name}.log"))

    def add_worker(self) -> subprocess.Popen[bytes]:
        name = f"worker-{len(self.workers)}"
        words = ("worker", self.address, "--nthreads", "1", "--preload", "flows.stages", "--no-nanny", "--no-dashboard")
        worker = self._start(*words, "--name", name, name=name)
        self.workers.append(worker)
        until(lambda: "Registered to" in (self.logs / f"{name}.log").read_text(), name)
        return worker


@contextlib.contextmanager
def cluster(workers: int, env: dict[str, str], logs: Path) -> Iterator[Cluster]:
    """A scheduler with workers, separate processes."""
    with contextlib.ExitStack() as stack:
        made = Cluster(stack, env, logs)
        for _ in range(workers):
            made.add_worker()
        yield made


@contextlib.contextmanager
def prefect_server(home: Path, env: dict[str, str] | None = None) -> Iterator[str]:
    """A Prefect server with its services; yields its API's address."""
    from flows.runtime.prefect_env import QUIET  # noqa: PLC0415

    port = free_port()
    own = {**QUIET, "PREFECT_HOME": str(home), **(env or {})}
    words = (sys.executable, "-m", "prefect", "server", "start", "--host", "127.0.0.1", "--port", str(port), "--no-ui")
    home.mkdir(parents=True, exist_ok=True)
    with running(*words, env=own, log=home / "server.log"):
        until(lambda: answers(f"http://127.0.0.1:{port}/api/health"), "the Prefect server")
        yield f"http://127.0.0.1:{port}/api"


def postgres_programs() -> Path | None:
    """Return the folder of PostgreSQL's programs; install Debian's package if that is allowed."""
    here = next(iter(sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), reverse=True)), None)
    if here is None and os.geteuid() == 0 and shutil.which("apt-get"):
        for words in (["update", "-qq"], ["install", "-y", "-qq", "--no-install-recommends", "postgresql"]):
            subprocess.run(["apt-get", *words], capture_output=True, check=False)
        here = next(iter(sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), reverse=True)), None)
    return here.parent if here is not None else None


@contextlib.contextmanager
def postgres(programs: Path) -> Iterator[str]:
    """A temporary PostgreSQL server with one database; yields its address as Prefect wants it."""
    # Not in pytest's own folder: another user must reach it.
    folder = Path(tempfile.mkdtemp(prefix="taretrace-pg-"))
    port, data, socket_folder = free_port(), folder / "data", folder / "socket"
    socket_folder.mkdir()
    as_other = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    if as_other:
        for path in (folder, socket_folder):
            shutil.chown(path, "postgres")
    made = [*as_other, str(programs / "initdb"), "-D", str(data), "-U", "season", "--auth=trust", "-E", "UTF8"]
    subprocess.run(made, check=True, capture_output=True, cwd="/")
    words = [*as_other, str(programs / "postgres"), "-D", str(data), "-p", str(port), "-k", str(socket_folder)]
    with running(*words, "-c", "listen_addresses=127.0.0.1", log=folder / "server.log"):
        base = [str(programs / "psql"), "-h", "127.0.0.1", "-p", str(port), "-U", "season", "-d", "postgres", "-qc"]
        until(
            lambda: subprocess.run([*base, "select 1"], capture_output=True, check=False).returncode == 0, "PostgreSQL"
        )
        subprocess.run([*base, "create database flows"], check=True, capture_output=True)
        yield f"postgresql+asyncpg://season@127.0.0.1:{port}/flows"
    shutil.rmtree(folder)
