"""What the fault tests share: the service as it is deployed, a bounded load, and what came back.

Everything listens on loopback, runs for seconds, and is ended by whoever started it.
"""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
CONFIG = ROOT / "docker" / "gunicorn.conf.py"
DEMO_SHOP = ROOT / "shared" / "shop" / "demo.json"
BODY: dict[str, Any] = {
    "tube": {"outside_diameter": 15, "wall_thickness": 1.5, "material": "e235-n"},
    "run": {
        "bends": [{"straight": 120, "angle": 90, "radius": 45}],
        "last_straight": 140,
    },
}
PATH = "/v1/mark-layout"
ESTABLISHED = "01"  # state of a connection in /proc/net/tcp


def example(path: str) -> dict[str, Any]:
    """The example body of an operation, from the committed specification."""
    document = json.loads((ROOT / "openapi" / "openapi.json").read_text(encoding="utf-8"))
    content = document["paths"][path]["post"]["requestBody"]["content"]
    body: dict[str, Any] = content["application/json"]["example"]
    return body


def free_port() -> int:
    """A port of loopback that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def wait_until(holds: Callable[[], bool], seconds: float, what: str) -> None:
    """Wait until something holds; fails after ``seconds``."""
    end = time.monotonic() + seconds
    while not holds():
        if time.monotonic() > end:
            pytest.fail(f"after {seconds} s: {what}")
        time.sleep(0.02)


def answers(port: int, path: str = "/health/live") -> bool:
    """Whether somebody answers 200 at ``port``."""
    try:
        return ask(port, "GET", path).status == 200
    except (OSError, http.client.HTTPException):
        return False


@dataclass(frozen=True)
class Reply:
    """An answer that has been read to its end."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    def json(self) -> Any:
        """The body decoded."""
        return json.loads(self.body)


def ask(
    port: int,
    method: str,
    path: str,
    body: Any = None,
    headers: Mapping[str, str] | None = None,
    timeout: float = 20,
) -> Reply:
    """One request on a connection of its own; raises what the connection raises."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=timeout)
    try:
        return _exchange(connection, method, path, body, headers)
    finally:
        connection.close()


def _exchange(
    connection: http.client.HTTPConnection,
    method: str,
    path: str,
    body: Any,
    headers: Mapping[str, str] | None = None,
) -> Reply:
    raw = None if body is None else json.dumps(body).encode()
    sent = {"Content-Type": "application/json", **(headers or {})}
    connection.request(method, path, raw, sent)
    response = connection.getresponse()
    content = response.read()
    return Reply(response.status, dict(response.getheaders()), content)


@dataclass(frozen=True)
class Service:
    """A running gunicorn."""

    process: subprocess.Popen[bytes]
    port: int
    folder: Path
    count: int

    def workers(self) -> list[int]:
        """Process ids of the workers."""
        master = self.process.pid
        children = Path(f"/proc/{master}/task/{master}/children").read_text()
        return [int(child) for child in children.split()]

    def log(self) -> str:
        """What gunicorn has written so far."""
        return (self.folder / "err").read_text(errors="replace")

    def reload(self) -> None:
        """Ask for a reload (SIGHUP) and wait until all workers are new ones."""
        before = set(self.workers())
        self.process.send_signal(signal.SIGHUP)

        def renewed() -> bool:
            now = set(self.workers())
            return not now & before and len(now) == self.count

        wait_until(renewed, 40, "old workers are still there")


@contextmanager
def service(
    folder: Path,
    *,
    settings: Mapping[str, str] | None = None,
    port: int | None = None,
    host: str = "127.0.0.1",
    before: Sequence[str] = (),
    stdout: IO[bytes] | None = None,
    stderr: IO[bytes] | None = None,
) -> Iterator[Service]:
    """The service with the configuration of ``docker/``, two workers, until the block ends.

    Arguments:
        before: a command that runs the one that follows it, taskset for instance
        stdout, stderr: where logs go; files in ``folder`` when left out
    """
    port = port or free_port()
    chosen = environment(folder, settings or {})
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "out").open("wb") as out, (folder / "err").open("wb") as err:
        process = subprocess.Popen(
            [*before, *command(host, port)],
            cwd=folder,
            env=chosen,
            stdout=stdout or out,
            stderr=stderr or err,
        )
        made = Service(process, port, folder, int(chosen["SERVICE_WORKERS"]))
        try:
            wait_until(lambda: answers(port) or process.poll() is not None, 30, "no answer")
            assert process.poll() is None, made.log()
            wait_until(lambda: len(made.workers()) == made.count, 10, "a worker is missing")
            yield made
        finally:
            end(process)


def command(host: str, port: int) -> list[str]:
    """The command line that serves."""
    gunicorn = [sys.executable, "-m", "gunicorn", "--config", str(CONFIG)]
    return [*gunicorn, "--bind", f"{host}:{port}"]


def environment(folder: Path, settings: Mapping[str, str]) -> dict[str, str]:
    """The environment of a service: two workers, no limit, no request log, no home."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("SERVICE_", "GUNICORN"))}
    kept.pop("PROMETHEUS_MULTIPROC_DIR", None)
    return {
        **kept,
        "PYTHONPATH": str(ROOT),
        "HOME": str(folder / "nowhere"),
        "TMPDIR": str(folder),
        "SERVICE_WORKERS": "2",
        "SERVICE_RATE_LIMIT": "off",
        "SERVICE_REQUEST_LOG": "no",
        **settings,
    }


def end(process: subprocess.Popen[bytes]) -> None:
    """Ask a process to end, and end it when it does not."""
    if process.poll() is None:
        process.terminate()
    try:
        process.wait(timeout=20)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(timeout=5)


@dataclass(frozen=True)
class Outcome:
    """One request of a load: when it began and ended (monotonic, s), and its status or error."""

    began: float
    ended: float
    status: int
    error: str = ""

    @property
    def good(self) -> bool:
        """Whether it was answered as it should be."""
        return self.status == 200


@dataclass
class Load:
    """Clients that ask again and again until they are told to stop."""

    port: int
    path: str = PATH
    body: Any = field(default_factory=lambda: BODY)
    keep_alive: bool = False
    outcomes: list[Outcome] = field(default_factory=list)
    _over: threading.Event = field(default_factory=threading.Event)

    def failed(self) -> list[Outcome]:
        """The requests that were not answered 200."""
        return [outcome for outcome in self.outcomes if not outcome.good]

    def seconds(self) -> list[float]:
        """How long each good answer took, shortest first."""
        return sorted(o.ended - o.began for o in self.outcomes if o.good)

    def percentile(self, share: float) -> float:
        """The time within which this share of the good answers came, seconds."""
        times = self.seconds()
        return times[min(len(times) - 1, int(share * len(times)))]

    def run(self, clients: int) -> list[threading.Thread]:
        """Start the clients."""
        threads = [threading.Thread(target=self._client, daemon=True) for _ in range(clients)]
        for thread in threads:
            thread.start()
        return threads

    def stop(self, threads: list[threading.Thread]) -> None:
        """Let each client finish its request."""
        self._over.set()
        for thread in threads:
            thread.join(timeout=30)
            assert not thread.is_alive(), "a request was never answered"

    def _client(self) -> None:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        headers = {} if self.keep_alive else {"Connection": "close"}
        while not self._over.is_set():
            began = time.monotonic()
            try:
                status = _exchange(connection, "POST", self.path, self.body, headers).status
                outcome = Outcome(began, time.monotonic(), status)
            except (OSError, http.client.HTTPException) as error:
                connection.close()
                outcome = Outcome(began, time.monotonic(), 0, repr(error))
            self.outcomes.append(outcome)
        connection.close()


@contextmanager
def load(port: int, clients: int, **chosen: Any) -> Iterator[Load]:
    """Clients that ask while the block runs."""
    made = Load(port, **chosen)
    threads = made.run(clients)
    try:
        yield made
    finally:
        made.stop(threads)


def connections(worker: int) -> int:
    """How many clients a process holds a connection with."""
    held = set()
    for entry in Path(f"/proc/{worker}/fd").iterdir():
        target = os.readlink(entry)
        if target.startswith("socket:["):
            held.add(target[8:-1])
    rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    return sum(1 for row in rows if row[3] == ESTABLISHED and row[9] in held)


def resident_megabytes(processes: Sequence[int]) -> float:
    """Largest resident set that any of the processes has ever had."""
    sizes = []
    for process in processes:
        lines = Path(f"/proc/{process}/status").read_text().splitlines()
        line = next(line for line in lines if line.startswith("VmHWM"))
        sizes.append(int(line.split()[1]) / 1024)
    return max(sizes)


@contextmanager
def proxy(folder: Path, instances: Sequence[int]) -> Iterator[int]:
    """Nginx with ``docker/nginx.conf`` on a free port, before the instances at these ports."""
    folder.mkdir(parents=True, exist_ok=True)
    port = free_port()
    config = folder / "nginx.conf"
    config.write_text(_on_loopback(port, instances, folder), encoding="utf-8")
    command = ["nginx", "-c", str(config), "-p", str(folder), "-g", "daemon off;"]
    with (folder / "proxy.err").open("wb") as log:
        process = subprocess.Popen([*command, "-e", "stderr"], stderr=log)
        try:
            wait_until(lambda: answers(port), 10, "the proxy does not answer")
            yield port
        finally:
            end(process)


def _on_loopback(port: int, instances: Sequence[int], folder: Path) -> str:
    """The configuration as it is shipped, but for addresses and folder."""
    text = (ROOT / "docker" / "nginx.conf").read_text(encoding="utf-8")
    replica = "server service:8000 max_fails=2 fail_timeout=10s;"
    replicas = [replica.replace("service:8000", f"127.0.0.1:{at}") for at in instances]
    for shipped, here in (
        (replica, "\n".join(replicas)),
        ("listen 8080;", f"listen 127.0.0.1:{port};"),
        ("/tmp/", f"{folder}/"),
    ):
        assert shipped in text
        text = text.replace(shipped, here)
    # started by root, it would else write as somebody who may not enter the folder
    return f"user root;\n{text}" if os.geteuid() == 0 else text
