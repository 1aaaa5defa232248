"""What the machine does to the service: a full disk, a clock that jumps, a Redis that goes away."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from fault_rig import (
    BODY,
    PATH,
    ROOT,
    Service,
    answers,
    ask,
    end,
    example,
    free_port,
    load,
    service,
    wait_until,
)

from service.web.rate_storage import MOST_CALLERS, PlainMemory

FULL = Path("/dev/full")
LOST = "service_log_lines_lost_total"

needs_full = pytest.mark.skipif(not FULL.exists(), reason="needs /dev/full, a device of Linux")
needs_redis = pytest.mark.skipif(
    shutil.which("redis-server") is None, reason="needs Debian's package redis-server"
)


def metric(port: int, name: str) -> float:
    lines = ask(port, "GET", "/metrics").body.decode().splitlines()
    return float(next(line.split()[-1] for line in lines if line.startswith(name)))


# --- a full disk --------------------------------------------------------------------------------


@needs_full
def test_a_full_disk_loses_log_lines_and_no_request(tmp_path: Path) -> None:
    with FULL.open("wb") as full:
        settings = {"SERVICE_REQUEST_LOG": "yes"}
        with service(tmp_path, settings=settings, stdout=full, stderr=full) as running:
            with load(running.port, 4) as clients:
                time.sleep(0.5)
                running.reload()  # which writes to stderr
            assert clients.failed() == []
            assert metric(running.port, LOST) >= len(clients.outcomes)


def test_a_log_that_nobody_reads_any_more_loses_no_request(tmp_path: Path) -> None:
    reading, writing = os.pipe()
    with os.fdopen(writing, "wb") as pipe:
        with service(tmp_path, settings={"SERVICE_REQUEST_LOG": "yes"}, stdout=pipe) as running:
            assert json.loads(os.read(reading, 65536).splitlines()[0])["event"] == "request"
            os.close(reading)
            for _ in range(20):
                assert ask(running.port, "POST", PATH, BODY).status == 200
            assert metric(running.port, LOST) >= 20


# --- a clock that jumps -------------------------------------------------------------------------


# Python runs a module of this name at start. The monotonic clock is left alone, as on a real
# machine, where nobody can set it.
SITECUSTOMIZE = """
import time
from pathlib import Path

_true, _offset = time.time, Path(__file__).with_name("offset")
time.time = lambda: _true() + float(_offset.read_text(encoding="ascii"))
"""


class Clock:
    """The wall clock that a service sees: the true one and an offset, read at each look."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "clock"
        self.folder.mkdir()
        (self.folder / "sitecustomize.py").write_text(SITECUSTOMIZE, encoding="utf-8")
        self.jump(0)
        self.settings = {"PYTHONPATH": os.pathsep.join([str(self.folder), str(ROOT)])}

    def jump(self, offset: int) -> None:
        """Set the clock, seconds beside the true time."""
        made = self.folder / "offset.new"
        made.write_text(str(offset), encoding="ascii")
        made.replace(self.folder / "offset")


@pytest.mark.parametrize("offset", [30 * 86400, -30 * 86400])
def test_a_clock_that_jumps_stretches_no_window_and_ends_no_worker(
    tmp_path: Path, offset: int
) -> None:
    clock = Clock(tmp_path)
    settings = {**clock.settings, "SERVICE_WORKERS": "1", "SERVICE_RATE_LIMIT": "5/2second"}
    with service(tmp_path, settings=settings) as running:
        port, workers = running.port, running.workers()
        before = ask(port, "GET", "/health/live").headers["Date"]
        tag = ask(port, "GET", "/v1/materials").headers["ETag"]
        _use_up(port)
        clock.jump(offset)
        refused = ask(port, "POST", PATH, BODY)
        assert refused.status == 429
        assert 0 <= int(refused.headers["Retry-After"]) <= 2
        time.sleep(2.1)
        assert ask(port, "POST", PATH, BODY).status == 200
        unchanged = ask(port, "GET", "/v1/materials", headers={"If-None-Match": tag})
        assert unchanged.status == 304
        assert ask(port, "GET", "/health/live").headers["Date"][:16] != before[:16]
        time.sleep(1.5)  # the master looks for silent workers every second
        assert running.workers() == workers
        assert answers(port, "/health/ready")


def _use_up(port: int) -> None:
    """Ask until the limit refuses."""
    for _ in range(50):
        if ask(port, "POST", PATH, BODY).status == 429:
            return
    pytest.fail("the limit never refused")


@pytest.mark.parametrize("jump", [86400.0, -86400.0])
def test_windows_in_memory_do_not_follow_the_wall_clock(
    monkeypatch: pytest.MonkeyPatch, jump: float
) -> None:
    counts, wall = PlainMemory(), time.time
    assert counts.incr("a", 60) == 1
    monkeypatch.setattr(time, "time", lambda: wall() + jump)
    assert counts.incr("a", 60) == 2
    assert counts.get("a") == 2
    assert 0 < counts.get_expiry("a") - time.time() <= 60


def test_windows_in_memory_end(monkeypatch: pytest.MonkeyPatch) -> None:
    counts, steady = PlainMemory(), time.monotonic
    counts.incr("a", 60)
    monkeypatch.setattr(time, "monotonic", lambda: steady() + 61)
    assert counts.get("a") == 0
    assert counts.incr("a", 60) == 1


def test_counts_in_memory_stay_bounded() -> None:
    counts = PlainMemory()
    for number in range(MOST_CALLERS + 10):
        counts.incr(str(number), 60)
    assert counts.reset() <= MOST_CALLERS


# --- a limit shared through Redis ---------------------------------------------------------------


@contextmanager
def redis(port: int, folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A Redis that keeps nothing on disk."""
    command = ["redis-server", "--bind", "127.0.0.1", "--port", str(port), "--save", ""]
    process = subprocess.Popen([*command, "--dir", str(folder)], stdout=subprocess.DEVNULL)
    try:
        wait_until(lambda: _listens(port), 10, "no Redis")
        yield process
    finally:
        end(process)


def _listens(port: int) -> bool:
    done = subprocess.run(
        ["redis-cli", "-p", str(port), "ping"], capture_output=True, check=False, timeout=5
    )
    return done.stdout.strip() == b"PONG"


@needs_redis
def test_replicas_share_a_limit_and_go_on_without_redis(tmp_path: Path) -> None:
    port = free_port()
    settings = {
        "SERVICE_RATE_LIMIT": "20/hour",
        "SERVICE_RATE_LIMIT_STORAGE": f"redis://127.0.0.1:{port}",
    }
    with (
        redis(port, tmp_path) as store,
        service(tmp_path / "a", settings=settings) as one,
        service(tmp_path / "b", settings=settings) as other,
    ):
        statuses = [ask(place.port, "POST", PATH, BODY).status for place in [one, other] * 15]
        # the first answers of each worker load what is needed, which counts as more requests
        assert statuses[:6] == [200] * 6
        assert statuses[20:] == [429] * 10
        end(store)
        began = time.monotonic()
        assert [ask(place.port, "POST", PATH, BODY).status for place in [one, other]] == [200, 200]
        assert time.monotonic() - began < 3
        _went_uncounted(one)


@needs_redis
def test_a_redis_that_hangs_costs_few_requests_a_wait(tmp_path: Path) -> None:
    port = free_port()
    settings = {
        "SERVICE_WORKERS": "1",
        "SERVICE_RATE_LIMIT": "100000/hour",
        "SERVICE_RATE_LIMIT_STORAGE": f"redis://127.0.0.1:{port}",
    }
    heavy = {**example("/v1/fit-tolerance"), "samples": 20_000}  # is charged for its computing
    with redis(port, tmp_path) as store, service(tmp_path / "a", settings=settings) as place:
        assert ask(place.port, "POST", "/v1/fit-tolerance", heavy).status == 200
        store.send_signal(signal.SIGSTOP)
        waits, uncounted = [], 0
        for _ in range(10):
            began = time.monotonic()
            answered = ask(place.port, "POST", "/v1/fit-tolerance", heavy)
            waits.append(time.monotonic() - began)
            assert answered.status == 200
            uncounted += "RateLimit" not in answered.headers
        store.send_signal(signal.SIGCONT)
        assert uncounted == 10
        # the one that found it out, and at the most two that tried again, of 0.25 s each
        assert len([wait for wait in waits if wait > 0.2]) <= 3
        until = time.monotonic() + 10
        while "RateLimit" not in ask(place.port, "POST", PATH, BODY).headers:
            uncounted += 1
            assert time.monotonic() < until, "no request is counted again"
            time.sleep(0.1)
        # each of them once, although its computing was not charged either
        assert metric(place.port, "service_rate_limit_failures_total") == uncounted


def _went_uncounted(place: Service) -> None:
    assert metric(place.port, "service_rate_limit_failures_total") >= 1
