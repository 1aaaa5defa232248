"""Other calculations on the same six bends against mark-layout, in processor time of the worker.

The body is the example of the specification with our run and tube put in. The calls take
turns, and the median of the ratios is told.
"""

from __future__ import annotations

import json
from statistics import median
from typing import Any

from bench_bodies import LAYOUT, RUN, TUBE
from bench_server import (
    ROOT,
    SERVICE,
    Place,
    ask,
    encoded,
    processor_seconds,
    request_bytes,
    server,
    status_of,
    tell,
)

CALLS = 20
# how many times mark-layout each may cost
BOUNDS = {
    "/v1/springback": 5.0,
    "/v1/setup-sheet": 6.0,
    "/v1/bend-review": 40.0,
    "/v1/fit-tolerance": 150.0,
}
SPREAD = {
    "mark": {"sigma": 0.2},
    "crank": {"sigma": 0.1},
    "rotation": {"sigma": 0.1},
    "cut": {"sigma": 0.2},
}
CHANGES: dict[str, dict[str, Any]] = {
    "/v1/fit-tolerance": {
        "spread": SPREAD,
        "capture": {"radial": 1.5, "axial": 2, "angle": 1},
        "samples": 100_000,
    },
}


def run(rounds: int) -> None:
    """Print what each costs against mark-layout; what is not there is passed over."""
    layout = request_bytes("/v1/mark-layout", encoded(LAYOUT))
    with server(SERVICE) as place:
        for path, most in BOUNDS.items():
            request = request_bytes(path, encoded(_body(path)))
            status = status_of(place.port, request)
            if status == 404:
                print(f"  {path}: not there")
            elif status != 200:
                print(f"  {path}: answers {status} to its six bends")
            else:
                calls = 1 if most > 100 else CALLS
                ratios = [
                    _cost(place, request, calls) / _cost(place, layout, CALLS)
                    for _ in range(rounds)
                ]
                tell(f"{path} to mark layout", median(ratios), most=most)


def _body(path: str) -> dict[str, Any]:
    document = json.loads((ROOT / "openapi" / "openapi.json").read_text(encoding="utf-8"))
    content = document["paths"].get(path, {}).get("post", {}).get("requestBody", {"content": {}})
    example = content["content"].get("application/json", {}).get("example", {})
    example.pop("bends", None)  # single bends, instead of a run
    return {**example, "run": RUN, "tube": TUBE, **CHANGES.get(path, {})}


def _cost(place: Place, request: bytes, calls: int) -> float:
    before = processor_seconds(place.master)
    for _ in range(calls):
        ask(place.port, request)
    after = processor_seconds(place.master)
    if before is None or after is None:
        raise SystemExit("the processor time of a worker is read from /proc; there is none here")
    return (after - before) / calls
