"""Batches of runs of six bends: a run of a batch against a single call, and growth.

Time is what passes for a client from its first byte to the last of the answer; bodies are made
beforehand. Singles and batches take turns; the median is told.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from statistics import median

from bench_bodies import TUBE, batch, runs
from bench_server import (
    LINES,
    SERVICE,
    Place,
    ask,
    encoded,
    processor_seconds,
    request_bytes,
    server,
    stream,
    tell,
    tell_least,
)

SINGLE, BATCH = "/v1/developed-length", "/v1/developed-length/batch"
SINGLES = 300
LEAST_GAIN, MOST_GROWTH = 25.0, 10.5


def run(rounds: int) -> None:
    """Print what a run costs in a batch, and how cost grows."""
    with server(SERVICE) as place:
        _against_single(place, rounds)
        _growth(place, rounds)


def _timed(place: Place, work: Callable[[], object]) -> tuple[float, float]:
    """Seconds that pass, and seconds of the worker's processor."""
    before, start = processor_seconds(place.master), time.perf_counter()
    work()
    passed, after = time.perf_counter() - start, processor_seconds(place.master)
    return passed, (after or 0.0) - (before or 0.0)


def _against_single(place: Place, rounds: int) -> None:
    chosen = runs(10_000)
    whole = request_bytes(BATCH, encoded(batch(chosen)))
    single = [request_bytes(SINGLE, encoded({"tube": TUBE, "run": r})) for r in chosen[:SINGLES]]
    ask(place.port, whole)
    pairs = []
    for _ in range(rounds):
        one = _timed(place, lambda: [ask(place.port, request) for request in single])
        many = _timed(place, lambda: ask(place.port, whole))
        pairs.append((one, many))
    for place_in, name in ((0, "all in"), (1, "of the worker's processor")):
        call = median(pair[0][place_in] for pair in pairs) / SINGLES
        each = median(pair[1][place_in] for pair in pairs) / len(chosen)
        tell(f"one single call of developed-length, {name}", call * 1e6, "µs")
        tell(f"one run in a batch of 10,000, {name}", each * 1e6, "µs")
        gain = call / each if each else None
        tell_least(f"single call to run of a batch, {name}", gain, LEAST_GAIN)


def _growth(place: Place, rounds: int) -> None:
    """1,000, 10,000 and 100,000 runs; the last as lines, and as five bodies of 20,000."""
    chosen = runs(20_000)
    lines = b"".join(
        json.dumps({"id": f"p{i}", "tube": TUBE, "run": r}, separators=(",", ":")).encode() + b"\n"
        for i, r in enumerate(chosen)
    )
    tenth = lines[: _after_lines(lines, 10_000)]
    bodies = {n: request_bytes(BATCH, encoded(batch(chosen[:n]))) for n in (1000, 10_000, 20_000)}

    def bodies_of(size: int, times: int) -> Callable[[], object]:
        return lambda: [ask(place.port, bodies[size]) for _ in range(times)]

    def lines_of(block: bytes, times: int, count: int) -> Callable[[], object]:
        def send() -> None:
            answered = stream(place.port, BATCH, [block] * times, len(block) * times)
            if answered != count:
                raise RuntimeError(f"{answered} lines came back of {count}")

        return send

    works = {
        "1,000 in a body": bodies_of(1000, 1),
        "10,000 in a body": bodies_of(10_000, 1),
        "100,000 in five bodies of 20,000": bodies_of(20_000, 5),
        "10,000 as lines": lines_of(tenth, 1, 10_000),
        "100,000 as lines": lines_of(lines, 5, 100_000),
    }
    taken = [{name: _timed(place, work) for name, work in works.items()} for _ in range(rounds)]
    for name in works:
        tell(f"{name}: time, all in", median(one[name][0] for one in taken) * 1000, "ms")
    for last, first, most in (
        ("10,000 in a body", "1,000 in a body", None),
        ("100,000 in five bodies of 20,000", "10,000 in a body", MOST_GROWTH),
        ("100,000 as lines", "10,000 as lines", MOST_GROWTH),
    ):
        passed = median(one[last][0] / one[first][0] for one in taken)
        tell(f"growth, {last} to {first}", passed, most=most)
        if all(one[first][1] for one in taken):
            used = median(one[last][1] / one[first][1] for one in taken)
            tell("  the same in processor time of the worker", used, most=most)


def _after_lines(lines: bytes, count: int) -> int:
    """Where line ``count`` ends."""
    end = 0
    for _ in range(count):
        end = lines.index(b"\n", end) + 1
    return end


__all__ = ["BATCH", "LINES", "run"]
