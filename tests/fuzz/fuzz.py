"""Throw random requests at the service and count what comes back; a command, not a test.

Usage:
    .ci/run fuzz [N] [--seed S] [--seconds T] [--address URL]

Sends N requests, spread over all operations of the specification: examples with numbers varied,
bodies made from the schema alone, bodies spoilt or set at a limit, and broken bytes, headers,
methods and queries. By default the application is called in process, as gunicorn would call it;
with --address the service that runs there is asked over HTTP (start it with
SERVICE_RATE_LIMIT=off, or the limit answers).

Faults are: a status of 500 or more, an answer that the specification does not allow, a body
outside its schema that is computed, and a body that is computed differently the second time. Ends
with 1 when there is a fault, when an operation never answered 200, or when the time ran out.
"""

from __future__ import annotations

import argparse
import http.client
import json
import logging
import re
import sys
import time
import traceback
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from itertools import cycle, islice
from random import Random
from urllib.parse import quote, urlsplit

import jsonschema_rs
from specification import (
    Operation,
    component,
    operations,
    response_faults,
    strict_json,
    validator,
)
from specification.bodies import WORDS, Json, as_json, drawn
from werkzeug.datastructures import Headers
from werkzeug.test import Client

from service.app import create_app

JSON = "application/json"
LINES = "application/x-ndjson"
Answer = tuple[int, Headers, bytes]
# as many requests as we like, and no log line for each
UNLIMITED = {"SERVICE_RATE_LIMIT": "off", "SERVICE_REQUEST_LOG": "no"}
COLUMNS = ("200", "304", "400", "405", "406", "413", "415", "422", "other", "5xx")


@dataclass(frozen=True)
class Request:
    """One request, and whether its body follows the schema (None where that was not judged)."""

    method: str
    target: str
    headers: dict[str, str] = field(default_factory=dict)
    raw: bytes = b""
    valid: bool | None = None


Send = Callable[[Request], Answer]


@dataclass
class Tally:
    """What came back from one operation."""

    statuses: Counter[str] = field(default_factory=Counter)
    faults: int = 0
    slowest: float = 0.0

    def count(self, status: int, seconds: float) -> None:
        """Note one answer."""
        name = "5xx" if status >= 500 else str(status)
        self.statuses[name if name in COLUMNS else "other"] += 1
        self.slowest = max(self.slowest, seconds)


# --- requests ----------------------------------------------------------------------------------


def made(operation: Operation, random: Random) -> Request:
    """A random request to the operation."""
    if operation.body is None:
        return _reading(operation, random)
    body = drawn(operation, random)
    if random.random() < 0.2 and LINES in operation.document["requestBody"]["content"]:
        return _lines(operation, body, random)
    raw = as_json(body)
    if random.random() < 0.85:
        # judged as it is read back: 1e999 and numbers past the 16th digit are what they become
        valid = _body_validator(operation.id).is_valid(json.loads(raw))
        return Request("POST", operation.path, {"Content-Type": JSON}, raw, valid)
    return random.choice((_broken_bytes, _odd_headers, _odd_target))(operation, raw, random)


def _lines(operation: Operation, body: Json, random: Random) -> Request:
    """The items of the body as newline-delimited JSON, now and then with something broken."""
    items = body.get("items") if isinstance(body, dict) else body
    lines = [as_json(item) for item in items] if isinstance(items, list) else [as_json(items)]
    if random.random() < 0.3:
        lines.insert(0, random.choice((b"", b"{", b"\xff", b"[" * 3000, b"NaN", b'{"a":1,"a":2}')))
    query = random.choice(("", "", "?units=inch", "?marks=true", "?marks=1", "?tube=15"))
    return Request("POST", operation.path + query, {"Content-Type": LINES}, b"\n".join(lines))


@cache
def _body_validator(name: str) -> jsonschema_rs.Draft202012Validator:
    operation = next(o for o in operations() if o.id == name)
    assert operation.body is not None
    return validator(operation.body["schema"])


def _reading(operation: Operation, random: Random) -> Request:
    parts = []
    for parameter in operation.document.get("parameters", []):
        if random.random() < 0.7:
            words = [*parameter["schema"].get("enum", ()), *random.sample(WORDS[:12], 1)]
            words += [parameter["example"]] if "example" in parameter else []
            parts.append(f"{parameter['name']}={quote(str(random.choice(words)))}")
    if random.random() < 0.1:
        parts.append(random.choice(("unknown=1", "a", "%ff", "=&&=", "units=metric")))
    headers = _some_headers(random) if random.random() < 0.3 else {}
    method = "HEAD" if random.random() < 0.05 else operation.method.upper()
    target = operation.path + ("?" + "&".join(parts) if parts else "")
    return Request(method, target, headers)


def _some_headers(random: Random) -> dict[str, str]:
    choices = {
        "Accept": ("*/*", "text/html", JSON, "application/json;q=0", "nonsense", "a/b;;q=x", ""),
        "If-None-Match": ("*", '"0"', 'W/"0"', "0", ","),
        "Content-Type": (JSON, "text/plain", "application/json; charset=latin-1", "", ";;"),
        "Content-Encoding": ("gzip", "identity", "", "br, gzip"),
    }
    names = random.sample(list(choices), random.choice((1, 1, 2)))
    return {name: random.choice(choices[name]) for name in names}


def _broken_bytes(operation: Operation, raw: bytes, random: Random) -> Request:
    broken = bytearray(raw)
    for _ in range(random.choice((1, 1, 3))):
        place = random.randrange(len(broken) + 1)
        what = random.random()
        if what < 0.3:
            del broken[place:]
        elif what < 0.6:
            piece = (b"\x00", b"\xff", b"NaN", b'"', b"[" * 2000, b"9" * 5000, b"\\ud800", b"e999")
            broken[place:place] = random.choice(piece)
        elif place < len(broken):
            broken[place] = random.randrange(256)
    return Request("POST", operation.path, {"Content-Type": JSON}, bytes(broken))


def _odd_headers(operation: Operation, raw: bytes, random: Random) -> Request:
    return Request("POST", operation.path, {"Content-Type": JSON} | _some_headers(random), raw)


def _odd_target(operation: Operation, raw: bytes, random: Random) -> Request:
    method = random.choice(("GET", "PUT", "PATCH", "DELETE", "TRACE", "POST", "POST"))
    tail = random.choice(("", "/", "?units=inch", "?%00", "//", "%2e", "?a=1&a=2"))
    return Request(method, operation.path + tail, {"Content-Type": JSON}, raw)


# --- answers -----------------------------------------------------------------------------------


def faults(operation: Operation, request: Request, answer: Answer, send: Send) -> Iterator[str]:
    """What is wrong with an answer."""
    status, headers, content = answer
    if status >= 500:
        yield f"status {status} {causes.last}"
        return
    if request.method == "HEAD":
        return
    if request.target.partition("?")[0] != operation.path or status in {404, 405}:
        yield from _refusal_faults(status, content)
        return
    yield from response_faults(operation, status, headers, content)
    if headers.get("Content-Type") == LINES:
        yield from (
            f"line: {error.message[:300]}"
            for line in content.splitlines()
            for error in component("BatchEntry").iter_errors(strict_json(line))
        )
    if request.valid is False and status < 300 and not _takes_bad_items(operation):
        yield "computed, though the body is outside its schema"
    if request.valid and status not in {200, 422}:
        yield f"status {status} for a body that follows its schema"
    if request.valid and zlib.crc32(request.raw) % 20 == 0 and send(request)[2] != content:
        yield "another answer the second time"


def _refusal_faults(status: int, content: bytes) -> Iterator[str]:
    if status not in {404, 405}:
        yield f"status {status} for a path or method that there is not"
    elif not component("Problem").is_valid(strict_json(content)):
        yield f"status {status} without a problem document"


def _takes_bad_items(operation: Operation) -> bool:
    """A batch answers 200 with the bad items refused one by one."""
    return operation.path.endswith("/batch")


class Causes(logging.Handler):
    """Keeps what the service logs of a fault, to be told beside the request that met it."""

    def __init__(self) -> None:
        super().__init__()
        self.last = ""

    def emit(self, record: logging.LogRecord) -> None:
        """Keep kind, words and place of the exception."""
        if record.exc_info and record.exc_info[1]:
            where = traceback.extract_tb(record.exc_info[2])[-1]
            place = f"{where.filename.rpartition('/')[2]}:{where.lineno}"
            self.last = f"{type(record.exc_info[1]).__name__} {record.exc_info[1]} at {place}"


causes = Causes()


def in_process() -> Send:
    """The application, called as a WSGI server calls it."""
    client = Client(create_app(UNLIMITED))

    def send(request: Request) -> Answer:
        response = client.open(
            request.target, method=request.method, headers=request.headers, data=request.raw
        )
        return response.status_code, response.headers, response.get_data()

    return send


def over_http(address: str) -> Send:
    """A service that runs already."""
    place = urlsplit(address).netloc

    def send(request: Request) -> Answer:
        connection = http.client.HTTPConnection(place, timeout=60)
        try:
            connection.request(request.method, request.target, request.raw, request.headers)
            response = connection.getresponse()
            return response.status, Headers(response.getheaders()), response.read()
        finally:
            connection.close()

    return send


# --- the run -----------------------------------------------------------------------------------


def run(count: int, seed: int, seconds: float, send: Send) -> tuple[dict[str, Tally], list[str]]:
    """Send ``count`` requests at most, for ``seconds`` at most; tallies and the faults found."""
    tallies = {operation.id: Tally() for operation in operations()}
    found: list[str] = []
    end = time.monotonic() + seconds
    for number, operation in enumerate(islice(cycle(_weighted()), count)):
        if time.monotonic() > end:
            found.append(f"stopped after {number} of {count} requests: {seconds:g} s are over")
            break
        request = made(operation, Random(f"{seed} {number}"))
        start = time.perf_counter()
        answer = send(request)
        tallies[operation.id].count(answer[0], time.perf_counter() - start)
        for fault in faults(operation, request, answer, send):
            tallies[operation.id].faults += 1
            found.append(_told(number, operation, request, fault))
    return tallies, found


def _weighted() -> Iterator[Operation]:
    """Each calculation five times as often as each look-up."""
    for operation in operations():
        yield from [operation] * (1 if operation.body is None else 5)


def _told(number: int, operation: Operation, request: Request, fault: str) -> str:
    shown = request.raw[:400].decode(errors="backslashreplace")
    return (
        f"#{number} {operation.id}: {fault}\n"
        f"    {request.method} {request.target} {request.headers}\n    {shown}"
    )


def _few_of_each(found: list[str]) -> Iterator[str]:
    """The first two faults of each kind, told apart by their words without the numbers."""
    seen: Counter[str] = Counter()
    for fault in found:
        kind = re.sub(r"-?\d+(\.\d+)?(e[-+]?\d+)?", "…", fault.partition("\n")[0])
        seen[kind] += 1
        if seen[kind] <= 2:
            yield fault
    yield from (f"{count} in all:{kind}" for kind, count in seen.items() if count > 2)


def table(tallies: dict[str, Tally]) -> str:
    """One line an operation: how often each status came, faults, slowest answer."""
    width = max(map(len, tallies))
    head = f"{'operation':{width}} {'all':>6} " + " ".join(f"{c:>5}" for c in COLUMNS)
    lines = [f"{head} {'faults':>6} {'slowest':>8}"]
    for name, tally in tallies.items():
        counts = " ".join(f"{tally.statuses[column]:>5}" for column in COLUMNS)
        total, slowest = tally.statuses.total(), f"{tally.slowest * 1000:.0f} ms"
        lines.append(f"{name:{width}} {total:>6} {counts} {tally.faults:>6} {slowest:>8}")
    return "\n".join(lines)


def main() -> int:
    """Run the command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("count", type=int, nargs="?", default=2000, help="requests to send")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=900.0, help="stop after this long")
    parser.add_argument("--address", help="of a running service; in process when left out")
    options = parser.parse_args()
    log = logging.getLogger("service")
    log.addHandler(causes)
    log.propagate = False
    start = time.monotonic()
    send = over_http(options.address) if options.address else in_process()
    tallies, found = run(options.count, options.seed, options.seconds, send)
    print(table(tallies))
    never = [name for name, tally in tallies.items() if not tally.statuses["200"]]
    found += [f"{name} never answered 200" for name in never]
    print(*_few_of_each(found), sep="\n")
    total = sum(tally.statuses.total() for tally in tallies.values())
    print(
        f"{total} requests in {time.monotonic() - start:.0f} s, seed {options.seed}: "
        f"{len(found)} faults"
    )
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
