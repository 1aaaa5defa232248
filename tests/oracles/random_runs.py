"""Seeded random runs in the JSON shape of the interface, mm and degrees."""

from __future__ import annotations

import random
from typing import TypedDict

# Centre-line radii as a shop would have them on the shelf; invented.
RADII = (12.0, 20.0, 31.5, 45.0, 60.0, 76.0, 114.3)
# Exact right angles and half turns are where a formula with a tangent or a sign breaks.
ANGLES = (30.0, 45.0, 90.0, 135.0, 180.0)
ROTATIONS = (0.0, 90.0, -90.0, 180.0)

Row = tuple[float, float, float, float]


class BendRow(TypedDict):
    straight: float
    rotation: float
    angle: float
    radius: float


class RunTable(TypedDict):
    bends: list[BendRow]
    last_straight: float


def rows(run: RunTable) -> list[Row]:
    """Return the bends as plain tuples (straight, rotation, angle, radius), as the oracles take."""
    return [(b["straight"], b["rotation"], b["angle"], b["radius"]) for b in run["bends"]]


def random_runs(
    count: int, seed: int, *, most_bends: int = 8, longest_straight: float = 400.0
) -> list[RunTable]:
    """Return ``count`` runs of 1 to ``most_bends`` bends; the same seed gives the same runs."""
    source = random.Random(seed)
    return [_run(source, source.randint(1, most_bends), longest_straight) for _ in range(count)]


def run_of(bends: int, seed: int, *, longest_straight: float = 400.0) -> RunTable:
    """Return one run with exactly ``bends`` bends."""
    return _run(random.Random(seed), bends, longest_straight)


def _run(source: random.Random, bends: int, longest: float) -> RunTable:
    return {
        "bends": [_bend(source, longest, first=number == 0) for number in range(bends)],
        "last_straight": _straight(source, longest),
    }


def _bend(source: random.Random, longest: float, *, first: bool) -> BendRow:
    return {
        "straight": _straight(source, longest),
        "rotation": 0.0 if first else _rotation(source),
        "angle": source.choice(ANGLES) if source.random() < 0.4 else source.uniform(3.0, 180.0),
        "radius": source.choice(RADII),
    }


def _straight(source: random.Random, longest: float) -> float:
    return 0.0 if source.random() < 0.2 else source.uniform(0.5, longest)


def _rotation(source: random.Random) -> float:
    # uniform() draws from [-180, 180]; the minus sign moves the end that may be hit to +180
    if source.random() < 0.4:
        return source.choice(ROTATIONS)
    return -source.uniform(-180.0, 179.999)
