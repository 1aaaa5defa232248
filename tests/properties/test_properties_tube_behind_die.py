"""The straight tube behind the die against ``oracles.bench``: distances of points along the tube.

The oracle knows points and bodies only; points lie 0.5 mm apart, so that what it finds is at most
0.25 mm too far away.
"""

from __future__ import annotations

import math

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from oracles.bench import Vector, box_distance, cylinder_distance

from service.calc.bench_obstacles import bench_bodies
from service.calc.bending_motions import work_of
from service.calc.tube_behind_die import Behind, tube_behind_die
from service.model import Bend, BoxBody, CylinderBody, Die, Run, Surroundings

D, SPACING = 20.0, 0.5
coordinates = st.floats(-400, 400)
points = st.tuples(coordinates, coordinates, coordinates)


def die(pressure_die: float) -> Die:
    return Die("d", "Die", D, 60.0, math.pi, pressure_die_length=pressure_die)


def behind(around: Surroundings, radius: float, last: float, pressure_die: float) -> Behind:
    run = Run((Bend(100.0, 0.0, 1.0, radius),), last)
    work = work_of(run, D, [die(pressure_die)], [None], (0.0, 0.0))
    return tube_behind_die(work, bench_bodies(around))


def agrees(found: Behind, distances: Vector, pressure_die: float) -> None:
    """Whether it is struck, where first, and whether it clamps; near the surface both may be."""
    along = np.arange(len(distances)) * SPACING
    least = distances.min()
    assume(abs(least - D / 2) > SPACING)
    pressed = distances[along <= pressure_die].min()
    assume(abs(pressed - D / 2) > SPACING)
    clamps, strikes = pressed < D / 2, least < D / 2
    (struck,) = found.struck
    assert (struck is not None) == (strikes and not clamps)
    assert bool(found.clamping) == clamps
    if struck is not None:
        # what is told lies in the body, give or take a point
        assert distances[min(round(struck.behind / SPACING), len(along) - 1)] < D / 2 + SPACING


def line(radius: float, last: float) -> Vector:
    length = radius * 1.0 + last
    along = np.arange(0.0, length + SPACING / 2, SPACING)
    return np.stack([-along, np.full_like(along, -radius), np.zeros_like(along)], axis=1)


@settings(deadline=None)
@given(points, points, st.floats(40, 120), st.floats(50, 500), st.floats(5, 150))
def test_boxes(
    a: tuple[float, float, float],
    b: tuple[float, float, float],
    radius: float,
    last: float,
    pressure_die: float,
) -> None:
    (ax, ay, az), (bx, by, bz) = a, b
    least = (min(ax, bx), min(ay, by), min(az, bz))
    greatest = (max(ax, bx), max(ay, by), max(az, bz))
    assume(all(y - x > 1 for x, y in zip(least, greatest, strict=True)))
    box = BoxBody("box", least, greatest)
    found = behind(Surroundings(boxes=(box,)), radius, last, pressure_die)
    agrees(found, box_distance(line(radius, last), least, greatest), pressure_die)


@settings(deadline=None)
@given(points, points, st.floats(2, 200), st.floats(40, 120), st.floats(50, 500), st.floats(5, 150))
def test_cylinders(
    start: tuple[float, float, float],
    end: tuple[float, float, float],
    thick: float,
    radius: float,
    last: float,
    pressure_die: float,
) -> None:
    assume(math.dist(start, end) > 1)
    rod = CylinderBody("rod", start, end, thick)
    found = behind(Surroundings(cylinders=(rod,)), radius, last, pressure_die)
    agrees(found, cylinder_distance(line(radius, last), start, end, thick), pressure_die)
