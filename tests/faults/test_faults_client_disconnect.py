"""A client that dies in the middle of a stream: the worker is free at once, nothing stays behind.

The real service under gunicorn with one worker and, where it has threads, one thread: were it still
busy with the dead client, the next caller would wait.
"""

from __future__ import annotations

import json
import os
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from service.demo import wait_for

PROC = Path("/proc/self/fd")
pytestmark = pytest.mark.skipif(not PROC.exists(), reason="what a worker holds is read from /proc")

BATCH, SINGLE = "/v1/developed-length/batch", "/v1/developed-length"
TUBE = {"outside_diameter": 12, "wall_thickness": 1}
RUN = {"bends": [{"straight": 50, "angle": 90, "radius": 36}] * 6, "last_straight": 70}
ONE = json.dumps({"tube": TUBE, "run": RUN}).encode()
LINES = (ONE + b"\n") * 1000
KINDS = {
    "sync": ["--worker-class", "sync"],
    "gthread": ["--worker-class", "gthread", "--threads", "1"],
}


@dataclass(frozen=True)
class Service:
    """Where it listens, and its one worker."""

    port: int
    worker: Path

    def open_files(self) -> int:
        return len(list((self.worker / "fd").iterdir()))

    def threads(self) -> int:
        return len(list((self.worker / "task").iterdir()))

    def resident_megabytes(self) -> float:
        lines = (self.worker / "status").read_text().splitlines()
        return int(next(x for x in lines if x.startswith("VmRSS")).split()[1]) / 1024


@pytest.fixture(scope="module", params=KINDS)
def service(request: pytest.FixtureRequest) -> Iterator[Service]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "gunicorn", "--workers", "1", "--log-level", "critical"]
    command += [*KINDS[request.param], "--bind", f"127.0.0.1:{port}", "service.app:create_app()"]
    environment = {**os.environ, "SERVICE_RATE_LIMIT": "off", "SERVICE_REQUEST_LOG": "no"}
    master = subprocess.Popen(command, env=environment)
    try:
        wait_for(port, master)
        answer(port)
        children = Path(f"/proc/{master.pid}/task/{master.pid}/children").read_text().split()
        assert len(children) == 1
        yield Service(port, Path("/proc") / children[0])
    finally:
        master.terminate()
        master.wait(timeout=20)


def answer(port: int) -> float:
    """Ask for one cut length on a connection of its own; seconds until the answer is there."""
    start = time.perf_counter()
    with socket.create_connection(("127.0.0.1", port), timeout=10) as connection:
        connection.sendall(head(SINGLE, "application/json", f"Content-Length: {len(ONE)}") + ONE)
        assert connection.recv(1 << 16).startswith(b"HTTP/1.1 200")
    return time.perf_counter() - start


def head(path: str, kind: str, length: str) -> bytes:
    return (
        f"POST {path} HTTP/1.1\r\nHost: localhost\r\nContent-Type: {kind}\r\n{length}\r\n"
        "Connection: close\r\n\r\n"
    ).encode()


def chunk(data: bytes) -> bytes:
    return f"{len(data):x}\r\n".encode() + data + b"\r\n"


def open_stream(service: Service, *, chunked: bool) -> socket.socket:
    """Start a stream that means to go on for ever, and read the first of what comes back."""
    connection = socket.create_connection(("127.0.0.1", service.port), timeout=10)
    length = "Transfer-Encoding: chunked" if chunked else "Content-Length: 1000000000000"
    connection.sendall(head(BATCH, "application/x-ndjson", length))
    connection.sendall(chunk(LINES) if chunked else LINES)
    # more than the server reads ahead, so that it has begun to answer
    connection.sendall(chunk(LINES) if chunked else LINES)
    assert connection.recv(1 << 16).startswith(b"HTTP/1.1 200")
    return connection


def kill(connection: socket.socket, *, rudely: bool) -> None:
    """Close it; rudely as a process that is killed with data unread: with a reset."""
    if rudely:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    connection.close()


@pytest.mark.parametrize("rudely", [False, True], ids=["closed", "reset"])
@pytest.mark.parametrize("chunked", [False, True], ids=["length", "chunked"])
def test_the_worker_is_free_within_a_second_while_it_waited_for_more(
    service: Service, chunked: bool, rudely: bool
) -> None:
    connection = open_stream(service, chunked=chunked)
    kill(connection, rudely=rudely)
    assert answer(service.port) < 1


FLOOD = """
import socket, sys
connection = socket.create_connection(("127.0.0.1", int(sys.argv[1])))
head, lines = sys.stdin.buffer.read().split(b"||")
connection.sendall(head)
while True:
    connection.sendall(lines)
"""


def test_the_worker_is_free_within_a_second_of_the_death_of_a_client_that_never_reads(
    service: Service,
) -> None:
    # nobody takes what comes back, so that the worker soon waits for room to send
    client = subprocess.Popen(
        [sys.executable, "-c", FLOOD, str(service.port)], stdin=subprocess.PIPE
    )
    assert client.stdin is not None
    with client.stdin as pipe:
        pipe.write(head(BATCH, "application/x-ndjson", "Content-Length: 1000000000000"))
        pipe.write(b"||" + LINES)
    time.sleep(2)
    client.kill()
    client.wait()
    assert answer(service.port) < 1


def test_nothing_stays_behind(service: Service) -> None:
    def die(times: int) -> None:
        for number in range(times):
            connection = open_stream(service, chunked=number % 2 == 0)
            kill(connection, rudely=number % 3 == 0)
            assert answer(service.port) < 1

    die(10)
    time.sleep(0.5)  # the last answer's connection is closed by then
    files, threads = service.open_files(), service.threads()
    memory = service.resident_megabytes()
    die(60)
    deadline = time.monotonic() + 1
    while service.open_files() > files and time.monotonic() < deadline:
        time.sleep(0.02)
    assert service.open_files() <= files
    assert service.threads() <= threads
    # two streams of 500 lines are held at a time, well below a MB; 60 of them kept would be 20 MB
    assert service.resident_megabytes() < memory + 10
