"""One call of mark-layout against a bare Flask echo of the same JSON under the same gunicorn.

The same closed-loop clients, one connection a request, drive one and then the other, round after
round, so that a busy machine slows both; the ratio of each round is taken and the median told.
"""

from __future__ import annotations

import multiprocessing
from statistics import median

from bench_bodies import LAYOUT
from bench_server import (
    ECHO,
    SERVICE,
    Measured,
    encoded,
    measure,
    request_bytes,
    resident_megabytes,
    server,
    tell,
    tell_least,
)

LEAST_RATIO, MOST_MEMORY = 0.60, 90


def run(rounds: int, seconds: float, clients: int) -> None:
    """Print the rates of both, the ratios, and the memory of the worker."""
    raw = encoded(LAYOUT)
    mine, bare = request_bytes("/v1/mark-layout", raw), request_bytes("/echo", raw)
    context = multiprocessing.get_context("spawn")
    with server(SERVICE) as service, server(ECHO) as echo, context.Pool(clients) as pool:

        def both(duration: float) -> tuple[Measured, Measured]:
            return (
                measure(pool, service, mine, duration, clients),
                measure(pool, echo, bare, duration, clients),
            )

        both(0.5)  # warms both
        report([both(seconds) for _ in range(rounds)])
        memory = resident_megabytes(service.master)
    tell("memory of the worker after that load", memory, "MB", most=MOST_MEMORY)


def report(pairs: list[tuple[Measured, Measured]]) -> None:
    """Print each round, then the medians."""
    for mine, bare in pairs:
        ratio = mine.rate / bare.rate
        print(f"    mark layout {mine.rate:6.0f}/s   echo {bare.rate:6.0f}/s   ratio {ratio:.3f}")
    rates = median(mine.rate / bare.rate for mine, bare in pairs)
    tell_least("request rate, mark layout of six bends to bare echo", rates, LEAST_RATIO)
    costs = [(mine.cost, bare.cost) for mine, bare in pairs if mine.cost and bare.cost]
    if costs:
        mine, bare = (median(column) * 1e6 for column in zip(*costs, strict=True))
        tell("processor time of one mark layout", mine, "µs")
        tell("processor time of one echo", bare, "µs")
        tell_least("the same as a ratio; what else runs here touches it less", bare / mine, 0.60)
