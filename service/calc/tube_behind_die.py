"""The straight tube behind the die, held against what stands round the bender.

As a bend is begun, all tube that is not bent yet lies straight behind the die, in the way in which
it is fed. From then on it is only drawn in, so that what it clears then it clears until the next.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from service.calc.bench_obstacles import BenchBodies
from service.calc.bending_motions import Work
from service.calc.centre_line_distance import Numbers, Parts
from service.calc.obstacle_clearance import Cylinder, obstacle_distances
from service.calc.swept_clearance import TOUCH


class StruckBehind(NamedTuple):
    """The body that the straight tube behind lies in, and how far behind the tangent point, mm."""

    body: int
    behind: float


class Behind(NamedTuple):
    """The straight tube behind the die at each bend, in the order of the work.

    Arguments:
        struck: what it lies in; None where it is clear
        clamping: bodies left out because the tube meets them along the pressure die
    """

    struck: tuple[StruckBehind | None, ...]
    clamping: frozenset[int]


class _Line(NamedTuple):
    """Tube behind the die: y of its centre line (x towards the front, z = 0), and lengths, mm."""

    y: float
    length: float
    pressed: float


def tube_behind_die(work: Work, bench: BenchBodies) -> Behind:
    """What the straight tube behind the die overlaps as each bend is begun, nearest to the die.

    A body that carries the tube touches it, so only an overlap counts. A body that the tube meets
    along the pressure die already is part of what clamps it, and left out; bench top and floor
    never are.

    Arguments:
        work: the work from one end; its pressure dies, 2·D where none is stated
        bench: bodies of which those that stand count

    Source: derived here.
    """
    rim, clamping = work.outside_diameter / 2, set()
    struck: list[StruckBehind | None] = []
    rows = zip(work.radius.tolist(), work.behind.tolist(), work.pressed.tolist(), strict=True)
    for radius, length, pressed in rows:
        line, found = _Line(-radius, length, min(pressed, length)), []
        for body in _near(line, bench, rim):
            at = _meets(bench, body, line, line.length, rim)
            if _clamps(line, bench, body, rim):
                clamping.add(body)
            elif at is not None:
                found.append(StruckBehind(body, at))
        struck.append(min(found, key=lambda one: one.behind, default=None))
    return Behind(tuple(struck), frozenset(clamping))


def _near(line: _Line, bench: BenchBodies, rim: float) -> list[int]:
    """Bodies that stand so near that the box round them overlaps the tube."""
    near = _box_distances(bench.least, bench.greatest, line.y, line.length) < rim - TOUCH
    found: list[int] = np.nonzero(near & ~bench.turn)[0].tolist()
    return found


def _clamps(line: _Line, bench: BenchBodies, body: int, rim: float) -> bool:
    if bench.bodies[body].kind != "body":
        return False
    return _meets(bench, body, line, line.pressed, rim) is not None


def _meets(bench: BenchBodies, body: int, line: _Line, length: float, rim: float) -> float | None:
    """How far behind the die this much tube first meets a body; None where it clears it, mm."""
    if bench.solids.is_round[body]:
        return _meets_cylinder(bench, body, line, length, rim)
    least, greatest = bench.least[body], bench.greatest[body]
    if _box_distances(least[None], greatest[None], line.y, length)[0] >= rim - TOUCH:
        return None
    return min(max(-float(greatest[0]), 0.0), length)


def _box_distances(least: Numbers, greatest: Numbers, y: float, length: float) -> Numbers:
    """Distances of the centre line to boxes along the axes, (k,), mm."""
    low, high = np.array([-length, y, 0.0]), np.array([0.0, y, 0.0])
    apart = np.maximum(np.maximum(least - high, low - greatest), 0.0)
    distance: Numbers = np.sqrt((apart * apart).sum(axis=1))
    return distance


def _meets_cylinder(
    bench: BenchBodies, body: int, line: _Line, length: float, rim: float
) -> float | None:
    (ax, ay, az), (bx, by, bz) = bench.solids.a[body].tolist(), bench.solids.b[body].tolist()
    rod = Cylinder((ax, ay, az), (bx, by, bz), float(bench.solids.radius[body]))
    back, across = np.array([[-1.0, 0.0, 0.0]]), np.zeros((1, 3))
    origin = np.array([[0.0, line.y, 0.0]])
    found = obstacle_distances(Parts(origin, back, across, np.zeros(1), np.array([length])), rod)
    return float(found.x[0]) if found.distance[0] < rim - TOUCH else None
