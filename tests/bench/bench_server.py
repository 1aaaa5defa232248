"""Gunicorn for the benchmarks, its clients, and what its worker has used."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.pool import Pool
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
SERVICE, ECHO = "service.app:create_app()", "echo:app"
JSON, LINES = "application/json", "application/x-ndjson"
ANSWERED = b"HTTP/1.1 200"


def environment() -> dict[str, str]:
    """As a server has it: byte code kept, so that only the first start pays for compiling.

    The rate limit counts each request as ever, but lets all of them pass.
    """
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    kept["SERVICE_RATE_LIMIT"] = "1000000000/minute"
    return {**kept, "PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "tests" / "bench")])}


def free_port() -> int:
    """A port of loopback that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@dataclass(frozen=True)
class Place:
    """Where a gunicorn listens, and the process id of its master."""

    port: int
    master: int


@contextmanager
def server(application: str) -> Iterator[Place]:
    """Gunicorn with one worker; gives where it is once it answers."""
    port = free_port()
    command = [sys.executable, "-m", "gunicorn", "--workers", "1", "--log-level", "warning"]
    process = subprocess.Popen(
        [*command, "--bind", f"127.0.0.1:{port}", "--timeout", "600", application],
        cwd=ROOT,
        env=environment(),
        stdout=subprocess.DEVNULL,  # where the request log goes
    )
    try:
        _wait(port, process)
        yield Place(port, process.pid)
    finally:
        process.terminate()
        process.wait(timeout=20)


def _wait(port: int, process: subprocess.Popen[bytes]) -> None:
    for _ in range(400):
        if process.poll() is not None:
            raise RuntimeError("gunicorn did not start")
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.05)
    raise RuntimeError("gunicorn did not listen within 20 s")


# --- clients -------------------------------------------------------------------------------------


def request_bytes(path: str, raw: bytes, kind: str = JSON) -> bytes:
    """A whole request; the connection is closed after the answer."""
    return _head(path, len(raw), kind) + raw


def _head(path: str, length: int, kind: str) -> bytes:
    return (
        f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: {kind}\r\n"
        f"Accept: {kind}\r\nContent-Length: {length}\r\nConnection: close\r\n\r\n"
    ).encode()


def ask(port: int, request: bytes) -> bytes:
    """Send one request and read the whole answer."""
    with socket.create_connection(("127.0.0.1", port), timeout=120) as connection:
        connection.sendall(request)
        answer = b"".join(iter(lambda: connection.recv(1 << 20), b""))
    if not answer.startswith(ANSWERED):
        raise RuntimeError(f"unexpected answer: {answer[:300]!r}")
    return answer


def status_of(port: int, request: bytes) -> int:
    """Status of one request."""
    with socket.create_connection(("127.0.0.1", port), timeout=120) as connection:
        connection.sendall(request)
        first = connection.recv(1 << 16)
        while connection.recv(1 << 20):
            pass
    return int(first[9:12])


def stream(port: int, path: str, blocks: Iterable[bytes], length: int) -> int:
    """Send blocks and read at the same time; gives the number of lines that came back."""
    with socket.create_connection(("127.0.0.1", port), timeout=120) as connection:

        def send() -> None:
            connection.sendall(_head(path, length, LINES))
            for block in blocks:
                connection.sendall(block)

        sender = threading.Thread(target=send, daemon=True)
        sender.start()
        first = connection.recv(1 << 16)
        if not first.startswith(ANSWERED):
            raise RuntimeError(f"unexpected answer: {first[:300]!r}")
        lines = first.count(b'{"index"')
        tail = first[-8:]
        while part := connection.recv(1 << 20):
            lines += (tail + part).count(b'{"index"') - tail.count(b'{"index"')
            tail = part[-8:]
        sender.join()
    return lines


def drive(port: int, request: bytes, seconds: float) -> int:
    """Ask again and again, each time when the answer is there; gives how many were answered."""
    answered = 0
    end = time.perf_counter() + seconds
    while time.perf_counter() < end:
        ask(port, request)
        answered += 1
    return answered


@dataclass(frozen=True)
class Measured:
    """What the clients got and what it cost the worker."""

    rate: float  # requests per second
    cost: float | None  # seconds of processor time a request; None where there is no /proc


def measure(pool: Pool, place: Place, request: bytes, seconds: float, clients: int) -> Measured:
    """Drive a server with ``clients`` clients for ``seconds``."""
    before = processor_seconds(place.master)
    arguments = [(place.port, request, seconds)] * clients
    answered = sum(pool.starmap(drive, arguments, chunksize=1))
    after = processor_seconds(place.master)
    cost = None if before is None or after is None else (after - before) / answered
    return Measured(answered / seconds, cost)


def encoded(body: Any) -> bytes:
    """A body as bytes."""
    return json.dumps(body, separators=(",", ":")).encode()


# --- what a worker has used ----------------------------------------------------------------------


def workers(master: int) -> list[Path]:
    """The worker processes of a gunicorn below /proc; empty where there is no /proc."""
    children = Path(f"/proc/{master}/task/{master}/children")
    return (
        [Path("/proc") / child for child in children.read_text().split()]
        if children.exists()
        else []
    )


def processor_seconds(master: int) -> float | None:
    """Processor time that the workers have used so far."""
    used = [_scheduled(worker) for worker in workers(master)]
    return sum(used) if used else None


def _scheduled(worker: Path) -> float:
    """Nanoseconds on a processor where the kernel tells them, else ticks of a hundredth."""
    finer = worker / "schedstat"
    if finer.exists():
        return int(finer.read_text().split()[0]) / 1e9
    told = (worker / "stat").read_text().rpartition(")")[2].split()
    return (int(told[11]) + int(told[12])) / os.sysconf("SC_CLK_TCK")


def resident_megabytes(master: int, *, peak: bool = False) -> float | None:
    """Largest resident set of a worker, now or ever; None where there is no /proc."""
    name = "VmHWM" if peak else "VmRSS"
    return max((_status(worker, name) for worker in workers(master)), default=None)


def _status(worker: Path, name: str) -> float:
    lines = (worker / "status").read_text().splitlines()
    line = next(line for line in lines if line.startswith(name))
    return int(line.split()[1]) / 1024


# --- what is printed -----------------------------------------------------------------------------


def tell(name: str, value: float | None, unit: str = "", *, most: float | None = None) -> None:
    """Print a number with its bound beside it."""
    _tell(
        name, value, unit, "at most", most, value is not None and most is not None and value > most
    )


def tell_least(name: str, value: float | None, least: float, unit: str = "") -> None:
    """Print a number that should be large, with its bound beside it."""
    _tell(name, value, unit, "at least", least, value is not None and value < least)


def _tell(
    name: str, value: float | None, unit: str, word: str, bound: float | None, missed: bool
) -> None:
    shown = "not known here" if value is None else f"{value:.3g} {unit}".rstrip()
    beside = "" if bound is None else f"   ({word} {bound:g}{'; MISSED' if missed else ''})"
    print(f"  {name:<64} {shown:>14}{beside}", flush=True)
