"""A batch of runs over HTTP against the same runs built and measured in a CAD kernel."""

from __future__ import annotations

import importlib.util
import math
import time
from statistics import median

import orjson
from bench_bodies import batch, runs
from bench_server import SERVICE, ask, encoded, request_bytes, server, tell

COUNT = 1000


def run(rounds: int) -> None:
    """Print the ratio where the kernel is installed."""
    if importlib.util.find_spec("OCP") is None:
        print("  the CAD kernel is not installed (extra 'kernel'): passed over")
        return
    from oracles import kernel

    chosen = runs(COUNT, seed=2)
    rows = [
        ([(b["straight"], b["rotation"], b["angle"], b["radius"]) for b in r["bends"]], r)
        for r in chosen
    ]

    def measured() -> list[float]:
        return [sum(kernel.edge_lengths(kernel.run_wire(b, r["last_straight"]))) for b, r in rows]

    whole = request_bytes("/v1/developed-length/batch", encoded(batch(chosen)))
    with server(SERVICE) as place:
        pairs = []
        for _ in range(rounds):
            start = time.perf_counter()
            lengths = measured()
            between = time.perf_counter()
            answer = ask(place.port, whole)
            pairs.append((between - start, time.perf_counter() - between))
    _require_equal(lengths, answer)
    slow, quick = (median(column) / COUNT for column in zip(*pairs, strict=True))
    tell("kernel: one run of six bends built and measured", slow * 1e6, "µs")
    tell("service: one run in a batch of 1,000, all in", quick * 1e6, "µs")
    tell("kernel to service", slow / quick)


def _require_equal(lengths: list[float], answer: bytes) -> None:
    """Fail where the two do not tell the same lengths: then their times say nothing."""
    body = orjson.loads(answer.partition(b"\r\n\r\n")[2])
    for length, item in zip(lengths, body["result"]["items"], strict=True):
        if not math.isclose(length, item["result"]["developed_length"], rel_tol=1e-9):
            raise RuntimeError(f"kernel {length}, service {item}")
