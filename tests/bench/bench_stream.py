"""Peak memory of a worker while it answers a long stream of runs, line by line."""

from __future__ import annotations

import json
import time
from itertools import repeat

from bench_bodies import TUBE, runs
from bench_server import SERVICE, resident_megabytes, server, stream, tell

BATCH = "/v1/developed-length/batch"
MOST_MEMORY = 150
BLOCK = 1000


def run(count: int) -> None:
    """Print the peak of the worker's resident memory over ``count`` runs."""
    block = b"".join(
        json.dumps({"id": f"p{i}", "tube": TUBE, "run": r}, separators=(",", ":")).encode() + b"\n"
        for i, r in enumerate(runs(BLOCK, seed=3))
    )
    times = max(1, count // BLOCK)
    with server(SERVICE) as place:
        stream(place.port, BATCH, [block], len(block))  # the worker has loaded all it needs
        before = resident_megabytes(place.master)
        start = time.perf_counter()
        answered = stream(place.port, BATCH, repeat(block, times), len(block) * times)
        passed = time.perf_counter() - start
        peak = resident_megabytes(place.master, peak=True)
    if answered != times * BLOCK:
        raise RuntimeError(f"{answered} lines came back of {times * BLOCK}")
    tell(f"stream of {answered:,} runs of six bends: a run, all in", passed / answered * 1e6, "µs")
    tell("memory of the worker before", before, "MB")
    tell("peak memory of the worker", peak, "MB", most=MOST_MEMORY)
