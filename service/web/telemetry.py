"""What the service tells of itself: Prometheus metrics and one JSON line a request.

With several workers ``PROMETHEUS_MULTIPROC_DIR`` names a folder in which each keeps its counts; it
must be set before this module is imported (``docker/gunicorn.conf.py`` does). No body is logged.
"""

from __future__ import annotations

import fcntl
import itertools
import os
import re
import secrets
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import orjson
from prometheus_client import (
    CONTENT_TYPE_LATEST,
    REGISTRY,
    CollectorRegistry,
    Counter,
    Histogram,
    generate_latest,
)
from prometheus_client.mmap_dict import MmapedDict
from prometheus_client.multiprocess import MultiProcessCollector

from service.model import Finding

METRICS_TYPE = CONTENT_TYPE_LATEST
BUCKETS = (0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)
REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")
TRACEPARENT = re.compile(r"00-(?!0{32})[0-9a-f]{32}-(?!0{16})[0-9a-f]{16}-[0-9a-f]{2}")

_requests = Counter("service_requests", "Requests answered", ("route", "method", "status"))
_latency = Histogram("service_request_seconds", "Time to the answer", ("route",), buckets=BUCKETS)
_findings = Counter("service_findings", "Findings reported", ("code", "severity"))
_refusals = Counter("service_refusals", "Requests refused", ("code",))
_solver = Histogram("service_solver_seconds", "Time in the solver", ("solver",))
_lost = Counter("service_log_lines_lost", "Log lines that could not be written")
_uncounted = Counter("service_rate_limit_failures", "Requests the rate limit could not count")


_STARTED = secrets.token_hex(6)
_count = itertools.count(1)


@cache
def _count_of(route: str, method: str, status: int) -> Counter:
    return _requests.labels(route, method, str(status))


@cache
def _latency_of(route: str) -> Histogram:
    return _latency.labels(route)


def count_request(route: str, method: str, status: int, seconds: float) -> None:
    """Count one answer; ``route`` is the rule, never the path, so that the labels stay few."""
    _count_of(route, method, status).inc()
    _latency_of(route).observe(seconds)


def count_findings(findings: Iterable[Finding]) -> None:
    """Count findings by code and severity."""
    for finding in findings:
        _findings.labels(finding.code, finding.severity).inc()


def count_refusal(code: str) -> None:
    """Count one refusal by its code."""
    _refusals.labels(code).inc()


def count_solver(solver: str, seconds: float) -> None:
    """Count the time that a solver took."""
    _solver.labels(solver).observe(seconds)


def count_limit_lost() -> None:
    """Count one request that passed because its limit could not be counted."""
    _uncounted.inc()


def metrics() -> bytes:
    """All metrics of all workers in Prometheus' text format."""
    if "PROMETHEUS_MULTIPROC_DIR" not in os.environ:
        return generate_latest(REGISTRY)
    registry = CollectorRegistry()
    MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
    with _folder_locked(fcntl.LOCK_SH):
        return generate_latest(registry)


def fold(worker: int) -> None:
    """Add the counts of a worker that ended to those of all that have, and delete its files.

    Without that every worker ever started leaves its files, and each look at the metrics reads
    them all.
    """
    with _folder_locked(fcntl.LOCK_EX) as folder:
        for file in folder.glob(f"*_{worker}.db"):
            ended = folder / f"{file.name.partition('_')[0]}_ended.db"
            _add(MmapedDict.read_all_values_from_file(str(file)), ended)  # type: ignore[no-untyped-call]
            file.unlink()


def _add(counts: Iterable[tuple[str, float, float, int]], ended: Path) -> None:
    kept = MmapedDict(str(ended))  # type: ignore[no-untyped-call]
    for name, value, _, _ in counts:
        kept.write_value(name, kept.read_value(name)[0] + value, 0.0)  # type: ignore[no-untyped-call]
    kept.close()  # type: ignore[no-untyped-call]


@contextmanager
def _folder_locked(how: int) -> Iterator[Path]:
    """The folder of the counts, in which nobody else folds meanwhile."""
    folder = Path(os.environ["PROMETHEUS_MULTIPROC_DIR"])
    with (folder / "lock").open("a") as lock:
        fcntl.flock(lock, how)
        yield folder


def request_id(sent: str | None) -> str:
    """The caller's own id where it is a plain word, else a new one."""
    if sent and REQUEST_ID.fullmatch(sent):
        return sent
    # unique by start, worker and count; a random id a request would cost a system call each
    return f"{_STARTED}-{os.getpid():x}-{next(_count):x}"


def trace_of(traceparent: str | None) -> str | None:
    """A valid W3C traceparent as it came; None for anything else (it is then not passed on)."""
    return traceparent if traceparent and TRACEPARENT.fullmatch(traceparent) else None


def log_line(members: dict[str, object]) -> None:
    """Write one JSON line to standard output; a full disk loses the line, not the request."""
    line = orjson.dumps({"time": time.time(), **members}, option=orjson.OPT_APPEND_NEWLINE)
    try:
        os.write(1, line)
    except OSError:
        _lost.inc()
