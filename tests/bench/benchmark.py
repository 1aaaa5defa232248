"""Ratios, growth, memory and start-up in one run, each with its bound; a command, not a test.

Usage:
    .ci/run bench [SECTION ...] [--rounds N] [--seconds T] [--clients C] [--stream-runs N]

Sections, all of them when none is named:
    single      mark layout against a bare Flask echo of the same JSON, memory of the worker
    batch       a run of a batch against a single call; 1,000, 10,000 and 100,000 runs
    endpoints   other calculations on six bends against mark layout
    kernel      the same runs in a CAD kernel, where it is installed
    stream      peak memory over a stream of runs (200,000; a million with --stream-runs 1000000)
    start       import to ready

Each section starts gunicorn for itself, with one worker. The machine should have little else to
do; a ratio within one round suffers least from what else runs. Nothing fails where a bound is
missed: it says MISSED.
"""

from __future__ import annotations

import argparse
import os
import platform
from collections.abc import Callable

import bench_batch
import bench_endpoints
import bench_kernel
import bench_single
import bench_start
import bench_stream

Section = Callable[[argparse.Namespace], None]
SECTIONS: dict[str, Section] = {
    "single": lambda o: bench_single.run(o.rounds, o.seconds, o.clients),
    "batch": lambda o: bench_batch.run(o.rounds),
    "endpoints": lambda o: bench_endpoints.run(o.rounds),
    "kernel": lambda o: bench_kernel.run(o.rounds),
    "stream": lambda o: bench_stream.run(o.stream_runs),
    "start": lambda _: bench_start.run(),
}


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("sections", nargs="*", metavar="SECTION", help=", ".join(SECTIONS))
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--seconds", type=float, default=2.0, help="of load, each time (single)")
    parser.add_argument("--clients", type=int, default=2, help="at the same time (single)")
    parser.add_argument("--stream-runs", type=int, default=200_000)
    options = parser.parse_args()
    unknown = set(options.sections) - set(SECTIONS)
    if unknown:
        parser.error(
            f"there is no section {', '.join(sorted(unknown))}; known: {', '.join(SECTIONS)}"
        )
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    print(f"Python {platform.python_version()}, {os.cpu_count()} cores, load before {load:.1f}")
    for name in options.sections or SECTIONS:
        print(name)
        SECTIONS[name](options)


if __name__ == "__main__":
    main()
