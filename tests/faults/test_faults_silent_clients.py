"""Clients that say nothing or half, pause or do not read, straight to the service: all are let go.

What they cannot do behind the proxy is in ``test_faults_proxy.py``.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest
from fault_rig import BODY, PATH, Service, ask, service, wait_until

THREADS = 8  # two workers with four each
STREAM = "/v1/developed-length/batch"
ITEM = {"tube": BODY["tube"], "run": BODY["run"]}
LINE = json.dumps(ITEM).encode() + b"\n"
RAW = json.dumps(BODY).encode()
GET = b"GET /health/live HTTP/1.1\r\nHost: localhost\r\n"
SHORT = {"SERVICE_CLIENT_TIMEOUT": "1"}


def post(path: str, kind: str, length: int, more: str = "") -> bytes:
    """The head of a request."""
    return (
        f"POST {path} HTTP/1.1\r\nHost: localhost\r\nContent-Type: {kind}\r\n"
        f"{more}Content-Length: {length}\r\n\r\n"
    ).encode()


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """As it is deployed."""
    with service(tmp_path_factory.mktemp("silent")) as made:
        yield made
        assert "Traceback" not in made.log()


@pytest.fixture(scope="module")
def hasty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """One that waits a second only."""
    with service(tmp_path_factory.mktemp("hasty"), settings=SHORT) as made:
        yield made
        assert "Traceback" not in made.log()


def connect(running: Service) -> socket.socket:
    return socket.create_connection(("127.0.0.1", running.port), timeout=20)


@contextmanager
def clients(running: Service, count: int, said: bytes) -> Iterator[list[socket.socket]]:
    """So many connections on which this was sent, and nothing more."""
    with ExitStack() as stack:
        made = [stack.enter_context(connect(running)) for _ in range(count)]
        for each in made:
            each.sendall(said)
        yield made


def longest_wait(port: int, times: int = 20) -> float:
    """Ask each worker; the longest time until an answer, seconds."""
    waits = []
    for _ in range(times):
        began = time.monotonic()
        assert ask(port, "GET", "/health/live", timeout=10).status == 200
        waits.append(time.monotonic() - began)
    return max(waits)


def rest_of(connection: socket.socket) -> bytes:
    """All that still comes until the connection ends."""
    received = b""
    with contextlib.suppress(ConnectionResetError):
        while part := connection.recv(65536):
            received += part
    return received


def test_who_says_nothing_holds_nobody_up(running: Service) -> None:
    with clients(running, 50, b""):
        time.sleep(0.2)
        assert longest_wait(running.port) < 1


def test_who_has_sent_half_a_body_is_let_go_after_a_while(hasty: Service) -> None:
    with clients(hasty, THREADS, post(PATH, "application/json", 900) + b"{") as held:
        time.sleep(0.2)
        # a second until it is refused, five more in which gunicorn waits for the rest of the body
        assert longest_wait(hasty.port) < 9
        for each in held:
            assert rest_of(each).startswith((b"HTTP/1.1 400", b"HTTP/1.1 408"))


@pytest.mark.parametrize("said", [b"", GET[:20], GET])
def test_who_never_ends_the_head_is_closed_in_time(hasty: Service, said: bytes) -> None:
    began = time.monotonic()
    with connect(hasty) as silent:
        silent.sendall(said)
        assert rest_of(silent) == b""
    assert 0.5 < time.monotonic() - began < 5


def test_a_head_in_pieces_is_a_head(running: Service) -> None:
    whole = post(PATH, "application/json", len(RAW)) + RAW
    with connect(running) as sending:
        for _ in range(2):  # the second on the connection kept alive
            for place in range(0, len(whole), 37):
                sending.sendall(whole[place : place + 37])
                time.sleep(0.01)
            answered = http.client.HTTPResponse(sending)
            answered.begin()
            assert answered.status == 200
            assert b"cut_length" in answered.read()


def test_requests_sent_ahead_are_answered_in_order(running: Service) -> None:
    one = post(PATH, "application/json", len(RAW)) + RAW
    with connect(running) as sending:
        sending.sendall(one * 3 + GET + b"Connection: close\r\n\r\n")
        received = rest_of(sending)
    assert received.count(b"HTTP/1.1 200") == 4
    assert received.count(b"cut_length") >= 3
    assert received.rfind(b"cut_length") < received.rfind(b"HTTP/1.1 200")


def test_a_stream_that_is_slow_but_moves_stays(hasty: Service) -> None:
    count = 12
    with connect(hasty) as sending:
        close = "Connection: close\r\n"
        sending.sendall(post(STREAM, "application/x-ndjson", count * len(LINE), close))
        for _ in range(count):  # 3.6 s, with pauses shorter than the second
            time.sleep(0.3)
            sending.sendall(LINE)
        received = rest_of(sending)
    assert received.startswith(b"HTTP/1.1 200")
    assert received.count(b'"cut_length"') == count


def test_a_stream_that_stands_still_ends(hasty: Service) -> None:
    with connect(hasty) as sending:
        sending.sendall(post(STREAM, "application/x-ndjson", 10**9) + LINE * 2000)
        began = time.monotonic()
        assert rest_of(sending).startswith(b"HTTP/1.1 200")
        assert time.monotonic() - began < 6


def batch(count: int) -> bytes:
    raw = json.dumps({"marks": True, "tube": ITEM["tube"], "items": [{"run": ITEM["run"]}] * count})
    return post(STREAM, "application/json", len(raw), "Connection: close\r\n") + raw.encode()


def test_an_answer_that_is_read_slowly_is_sent_to_its_end(hasty: Service) -> None:
    with socket.socket() as reading:
        reading.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65536)
        reading.settimeout(20)
        reading.connect(("127.0.0.1", hasty.port))
        reading.sendall(batch(20_000))
        received, began = 0, time.monotonic()
        while part := reading.recv(200_000):
            received += len(part)
            time.sleep(0.01 if received > 2_000_000 else 0.05)
        assert received > 5_000_000
        assert time.monotonic() - began > 1.5


def test_who_does_not_read_is_let_go(hasty: Service) -> None:
    with ExitStack() as stack:
        for _ in range(THREADS):
            deaf = stack.enter_context(socket.socket())
            deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            deaf.connect(("127.0.0.1", hasty.port))
            deaf.sendall(batch(20_000))
        wait_until(lambda: longest_wait(hasty.port, 4) < 1, 20, "the threads are still held")


def test_a_worker_stops_in_time_although_clients_are_silent(tmp_path: Path) -> None:
    with service(tmp_path) as running, clients(running, 20, b""):
        time.sleep(0.2)
        began = time.monotonic()
        running.process.terminate()
        assert running.process.wait(timeout=20) == 0
        assert time.monotonic() - began < 6


# --- what callers on this machine cannot say ----------------------------------------------------


@pytest.mark.parametrize("name", ["SCRIPT_NAME", "PATH_INFO", "Script-Name"])
def test_no_header_moves_the_application(running: Service, name: str) -> None:
    assert ask(running.port, "GET", "/health/live", headers={name: "/foo"}).status == 200


@pytest.mark.parametrize("name", ["X-Forwarded-Proto", "X-Forwarded-Ssl", "X-Forwarded-Protocol"])
def test_no_caller_says_that_the_transport_was_secure(running: Service, name: str) -> None:
    for value in ("https", "on", "ssl"):
        answered = ask(running.port, "GET", "/health/live", headers={name: value})
        assert answered.status == 200
        assert "Strict-Transport-Security" not in answered.headers


def test_a_trusted_proxy_says_that_the_transport_was_secure(tmp_path: Path) -> None:
    with service(tmp_path, settings={"SERVICE_TRUSTED_PROXIES": "1"}) as running:
        secure = ask(running.port, "GET", "/health/live", headers={"X-Forwarded-Proto": "https"})
        assert "Strict-Transport-Security" in secure.headers
        plain = ask(running.port, "GET", "/health/live", headers={"X-Forwarded-Proto": "http"})
        assert "Strict-Transport-Security" not in plain.headers
