"""Clients that send too much, too little or nothing: refused, and nobody else suffers."""

from __future__ import annotations

import contextlib
import gzip
import http.client
import json
import socket
import struct
import threading
import time
import zlib
from collections.abc import Iterator

import pytest
from fault_rig import (
    BODY,
    PATH,
    Service,
    answers,
    ask,
    load,
    resident_megabytes,
    service,
    wait_until,
)

HUGE = 100_000_000
STREAM = "/v1/developed-length/batch"
HEAD = f"POST {PATH} HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
GROWTH = 100  # megabytes a worker may grow by, whatever is sent


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with service(tmp_path_factory.mktemp("clients")) as made:
        for _ in range(20):  # both workers have worked before their memory is measured
            assert ask(made.port, "POST", PATH, BODY).status == 200
        yield made


@pytest.fixture(autouse=True)
def sound_afterwards(running: Service) -> Iterator[None]:
    """No worker died, none grew, and the next request is answered at once."""
    workers, size = running.workers(), resident_megabytes(running.workers())
    yield
    assert running.workers() == workers
    assert resident_megabytes(workers) < size + GROWTH
    began = time.monotonic()
    assert ask(running.port, "POST", PATH, BODY).status == 200
    assert time.monotonic() - began < 2
    assert "Traceback" not in running.log()


def connect(running: Service) -> socket.socket:
    return socket.create_connection(("127.0.0.1", running.port), timeout=20)


def status_of(connection: socket.socket) -> int:
    """The status that comes while we may still be sending; 0 where the connection just ends.

    A connection with bytes left that nobody reads ends with a reset, which may overtake the answer.
    """
    received = b""
    with contextlib.suppress(ConnectionResetError):
        while b"\r\n" not in received:
            part = connection.recv(4096)
            if not part:
                return 0
            received += part
        return int(received.split(b" ", 2)[1])
    return 0


def send_all_it_takes(connection: socket.socket, total: int, chunked: bool) -> int:
    """Send zeros until they are all sent or nobody takes them any more; how many went."""
    block = b"0" * 1_000_000
    framed = b"%x\r\n%b\r\n" % (len(block), block) if chunked else block
    sent = 0
    try:
        while sent < total:
            connection.sendall(framed)
            sent += len(block)
    except OSError:
        pass
    return sent


@pytest.mark.parametrize("path", [PATH, STREAM])
def test_a_body_announced_as_100_mb_is_refused_before_it_is_read(
    running: Service, path: str
) -> None:
    with connect(running) as sending:
        head = HEAD.replace(PATH, path)
        sending.sendall(f"{head}Content-Length: {HUGE}\r\n\r\n".encode())
        assert status_of(sending) == 413


def test_a_body_of_100_mb_that_is_sent_all_the_same_is_refused(running: Service) -> None:
    with connect(running) as sending:
        sending.sendall(f"{HEAD}Content-Length: {HUGE}\r\n\r\n".encode())
        send_all_it_takes(sending, HUGE, chunked=False)
        # the answer is there, or the connection was reset because nobody reads what still comes
        assert status_of(sending) in {413, 0}


def test_a_chunked_body_of_100_mb_is_refused(running: Service) -> None:
    with connect(running) as sending:
        sending.sendall(f"{HEAD}Transfer-Encoding: chunked\r\n\r\n".encode())
        send_all_it_takes(sending, HUGE, chunked=True)
        assert status_of(sending) in {413, 0}


def test_eight_bodies_of_100_mb_at_once_leave_room_for_others(running: Service) -> None:
    def push() -> None:
        with connect(running) as sending:
            sending.sendall(f"{HEAD}Transfer-Encoding: chunked\r\n\r\n".encode())
            send_all_it_takes(sending, HUGE, chunked=True)

    pushing = [threading.Thread(target=push) for _ in range(8)]
    for thread in pushing:
        thread.start()
    with load(running.port, 2) as clients:
        for thread in pushing:
            thread.join(timeout=60)
    assert not any(thread.is_alive() for thread in pushing)
    assert clients.failed() == []


def test_a_stream_without_end_of_line_is_cut(running: Service) -> None:
    with connect(running) as sending:
        head = HEAD.replace(PATH, STREAM).replace("application/json", "application/x-ndjson")
        sending.sendall(f"{head}Transfer-Encoding: chunked\r\n\r\n".encode())
        sent = send_all_it_takes(sending, HUGE, chunked=True)
    assert sent <= HUGE  # what counts is that no worker grew, see above


@pytest.mark.parametrize("coding", ["gzip", "deflate", "gzip, gzip", "x-gzip"])
def test_a_compressed_bomb_is_refused_unopened(running: Service, coding: str) -> None:
    packed = gzip.compress(b" " * HUGE, 9)
    if coding == "deflate":
        packed = zlib.compress(b" " * HUGE, 9)
    assert len(packed) < HUGE / 900
    connection = http.client.HTTPConnection("127.0.0.1", running.port, timeout=20)
    headers = {"Content-Type": "application/json", "Content-Encoding": coding}
    connection.request("POST", PATH, packed, headers)
    response = connection.getresponse()
    told = json.loads(response.read())
    connection.close()
    assert response.status == 415
    assert "encod" in told["detail"]


def test_a_transfer_that_is_compressed_is_refused(running: Service) -> None:
    packed = gzip.compress(b" " * HUGE, 9)
    with connect(running) as sending:
        sending.sendall(f"{HEAD}Transfer-Encoding: gzip, chunked\r\n\r\n".encode())
        with contextlib.suppress(OSError):
            sending.sendall(b"%x\r\n%b\r\n0\r\n\r\n" % (len(packed), packed))
        assert status_of(sending) in {400, 415, 501}


@pytest.mark.parametrize(
    ("name", "value"),
    [("X-Long", "x" * 20_000), ("Cookie", "y=" + "z" * 70_000)],
)
def test_headers_past_their_limit_are_refused(running: Service, name: str, value: str) -> None:
    with connect(running) as sending:
        sending.sendall(
            f"GET /health/live HTTP/1.1\r\nHost: localhost\r\n{name}: {value}\r\n\r\n".encode()
        )
        assert status_of(sending) in {400, 431}


def test_more_headers_than_allowed_are_refused(running: Service) -> None:
    lines = "".join(f"X-{number}: 1\r\n" for number in range(5000))
    with connect(running) as sending:
        sending.sendall(f"GET /health/live HTTP/1.1\r\nHost: localhost\r\n{lines}\r\n".encode())
        assert status_of(sending) in {400, 431}


def test_a_half_closed_client_still_gets_its_answer(running: Service) -> None:
    raw = json.dumps(BODY).encode()
    with connect(running) as sending:
        sending.sendall(f"{HEAD}Content-Length: {len(raw)}\r\n\r\n".encode() + raw)
        sending.shutdown(socket.SHUT_WR)
        assert status_of(sending) == 200


def test_a_body_that_ends_too_soon_is_no_body(running: Service) -> None:
    raw = json.dumps(BODY).encode()
    with connect(running) as sending:
        sending.sendall(f"{HEAD}Content-Length: {len(raw)}\r\n\r\n".encode() + raw[:-5])
        sending.shutdown(socket.SHUT_WR)
        assert status_of(sending) in {400, 0}


def test_clients_that_vanish_leave_nothing_behind(running: Service) -> None:
    raw = json.dumps(BODY).encode()
    for cut in range(100):
        sending = connect(running)
        whole = f"{HEAD}Content-Length: {len(raw)}\r\n\r\n".encode() + raw
        sending.sendall(whole[: 1 + cut * len(whole) // 100])
        # a reset, not an orderly end
        sending.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        sending.close()
    wait_until(lambda: answers(running.port), 5, "no answer")


@pytest.mark.parametrize(
    "raw",
    [
        b"\x00" * 100_000,
        b"GET / HTTP/9.9\r\n\r\n",
        b"GET /\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + b"\xaa" * 500,
        b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: -1\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 1\r\nTransfer-Encoding: chunked\r\n\r\n0",
        b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n00",
        b"POST / HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\nZZZ\r\n",
    ],
    ids=["zeros", "version", "no_version", "tls", "negative", "both", "twice", "bad_chunk"],
)
def test_what_is_no_request_is_refused(running: Service, raw: bytes) -> None:
    with connect(running) as sending:
        with contextlib.suppress(OSError):  # refused and reset before it is all sent
            sending.sendall(raw)
            sending.shutdown(socket.SHUT_WR)
        assert status_of(sending) in {0, 400, 404, 405, 414, 431, 501, 505}
