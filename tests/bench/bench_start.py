"""How long the import takes until the application is ready, and which imports take longest."""

from __future__ import annotations

import subprocess
import sys
from statistics import median

from bench_server import ROOT, environment, tell

MOST_SECONDS = 0.8
READY = (
    "import time; start = time.perf_counter(); from service.app import create_app; "
    "create_app(); print(time.perf_counter() - start)"
)


def run() -> None:
    """Print the time to ready and the slowest imports."""
    python("-c", READY)  # writes byte code
    ready = median(float(python("-c", READY).stdout) for _ in range(7))
    tell("import to ready", ready, "s", most=MOST_SECONDS)
    for milliseconds, module in slowest_imports(8):
        print(f"    {milliseconds:6.1f} ms  {module}")


def python(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run this interpreter."""
    command = [sys.executable, *arguments]
    return subprocess.run(
        command, cwd=ROOT, env=environment(), check=True, capture_output=True, text=True
    )


def slowest_imports(count: int) -> list[tuple[float, str]]:
    """Modules by the time of their own code, milliseconds."""
    lines = python("-X", "importtime", "-c", "import service.app").stderr.splitlines()
    rows = [line.removeprefix("import time:").split("|") for line in lines if "|" in line]
    own = [(int(r[0]) / 1000, r[2].strip()) for r in rows if r[0].strip().isdigit()]
    return sorted(own, reverse=True)[:count]
