"""The bodies that the benchmarks send: runs of six bends, invented, in whole tenths of a mm."""

from __future__ import annotations

import random
from typing import Any

TUBE = {"outside_diameter": 15, "wall_thickness": 1.5, "material": "e235-n"}
SPRINGBACK = [{"constant": 0.8, "proportional": 0.014}]
RUN: dict[str, Any] = {
    "bends": [
        {"straight": 120, "angle": 90, "radius": 45},
        {"straight": 85, "rotation": 90, "angle": 45, "radius": 45},
        {"straight": 60, "rotation": -90, "angle": 30, "radius": 45},
        {"straight": 140, "rotation": 180, "angle": 90, "radius": 45},
        {"straight": 75, "rotation": 0, "angle": 120, "radius": 45},
        {"straight": 95, "rotation": 35, "angle": 60, "radius": 45},
    ],
    "last_straight": 140,
}
LAYOUT = {"units": "metric", "tube": TUBE, "run": RUN, "springback": SPRINGBACK}


def six_bends(source: random.Random) -> dict[str, Any]:
    """A run of six bends; straights and angles differ from run to run."""

    def bend(number: int) -> dict[str, float]:
        return {
            "straight": round(source.uniform(40, 400), 1),
            "rotation": float(source.choice((0, 90, -90, 180, 35))) if number else 0.0,
            "angle": round(source.uniform(10, 135), 1),
            "radius": 45,
        }

    return {
        "bends": [bend(n) for n in range(6)],
        "last_straight": round(source.uniform(40, 400), 1),
    }


def runs(count: int, seed: int = 1) -> list[dict[str, Any]]:
    """``count`` runs of six bends; the same seed gives the same runs."""
    source = random.Random(seed)
    return [six_bends(source) for _ in range(count)]


def batch(items: list[dict[str, Any]]) -> dict[str, Any]:
    """The body of a batch of runs."""
    return {"tube": TUBE, "items": [{"id": f"p{i}", "run": run} for i, run in enumerate(items)]}
