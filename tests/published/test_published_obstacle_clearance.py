"""Clearance to solids against a CAD kernel and cases read off a sketch.

Sources: the CAD kernel (Open CASCADE: least distance of an edge and a solid); solid geometry that
any textbook works by hand, derived here.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from model_runs import plane_run, run_of_table
from oracles import require_kernel
from oracles.random_runs import RunTable, random_runs, rows
from scipy.spatial.transform import Rotation

from service.calc.centre_line_distance import parts_from_frames
from service.calc.obstacle_clearance import (
    Bar,
    Box,
    Cylinder,
    Obstacle,
    box_between,
    obstacle_clearance,
    obstacle_distances,
)
from service.calc.run_geometry import Vector, frames

RUNS = random_runs(100, seed=77, most_bends=5, longest_straight=200.0)
EXACT = 1e-6  # mm
STRAIGHT = plane_run(last=400.0)
U_BEND = plane_run((200, 180, 50), last=200)


def _vector(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> Vector:
    return (float(values[0]), float(values[1]), float(values[2]))


def _solids(seed: int, table: RunTable) -> list[Obstacle]:
    """A box, a cylinder and a bar, turned at random, near the run and some across it."""
    source = np.random.default_rng(seed)
    run = run_of_table(table)
    parts = parts_from_frames(frames(run), run)
    places = parts.points(parts.length[:, None] * source.random((len(parts.length), 3)))
    near = places.reshape(-1, 3)[source.integers(0, places.size // 3, 3)]
    near = near + source.normal(size=(3, 3)) * source.choice([5.0, 60.0], (3, 1))
    spin, way = Rotation.random(rng=source).as_matrix(), source.normal(size=(2, 3)) * 50
    half = source.uniform(3, 60, 3)
    axes = (_vector(spin[0]), _vector(spin[1]), _vector(spin[2]))
    return [
        Box(_vector(near[0]), _vector(half), axes),
        Cylinder(_vector(near[1] - way[0]), _vector(near[1] + way[0]), source.uniform(3, 50)),
        Bar(_vector(near[2] - way[1]), _vector(near[2] + way[1]), 0.0),
    ]


@pytest.mark.kernel
@pytest.mark.parametrize("number", range(len(RUNS)))
def test_every_part_to_every_solid_as_the_kernel_measures_it(number: int) -> None:
    require_kernel()
    from oracles import kernel

    table = RUNS[number]
    run = run_of_table(table)
    parts = parts_from_frames(frames(run), run)
    edges = kernel.run_wire(rows(table), table["last_straight"]).edges
    box, cylinder, bar = solids = _solids(number, table)
    assert isinstance(box, Box)
    assert isinstance(cylinder, Cylinder)
    assert isinstance(bar, Bar)
    shapes = (
        kernel.box(np.array(box.centre), np.array(box.axes), box.half_sizes),
        kernel.cylinder(np.array(cylinder.start), np.array(cylinder.end), cylinder.radius),
        kernel.segment(bar.start, bar.end),
    )
    for solid, shape in zip(solids, shapes, strict=True):
        found = obstacle_distances(parts, solid).distance
        for edge, distance in zip(edges, found, strict=True):
            if edge is not None:
                assert distance == pytest.approx(kernel.distance(edge, shape)[0], abs=EXACT)


def test_random_solids_are_met_and_missed() -> None:
    """The comparison covers parts inside, across and outside, not only parts well away."""
    least = []
    for number, table in enumerate(RUNS):
        run = run_of_table(table)
        parts = parts_from_frames(frames(run), run)
        least += [obstacle_distances(parts, s).distance.min() for s in _solids(number, table)[:2]]
    assert sum(d == 0 for d in least) > 20
    assert sum(d > 1 for d in least) > 20


@pytest.mark.parametrize(
    ("obstacle", "distance"),
    [
        # beside the tube: face, edge, corner
        (box_between((100, 30, -10), (200, 60, 10)), 30.0),
        (box_between((100, 30, 40), (200, 60, 90)), 50.0),
        (box_between((403, 4, 12), (500, 60, 90)), 13.0),
        # a box set on edge: half diagonal 20·√2 from its centre 100 mm away
        (
            Box(
                (200, 100, 0),
                (20, 20, 20),
                (
                    (1.0, 0.0, 0.0),
                    (0.0, math.sqrt(0.5), math.sqrt(0.5)),
                    (0.0, -math.sqrt(0.5), math.sqrt(0.5)),
                ),
            ),
            100 - 20 * math.sqrt(2),
        ),
        # a cylinder beside, across, and end on
        (Cylinder((0, 50, 0), (400, 50, 0), 20.0), 30.0),
        (Cylinder((200, 50, -300), (200, 50, 300), 20.0), 30.0),
        (Cylinder((200, 35, 0), (200, 90, 0), 20.0), 35.0),
        # the rim of an upright cylinder: 12 mm up and 5 mm out
        (Cylinder((200, 25, 12), (200, 25, 90), 20.0), 13.0),
        # bars: side by side, and a ball beyond end 2
        (Bar((0, 0, 70), (400, 0, 70), 15.0), 55.0),
        (Bar((460, 80, 0), (460, 80, 0), 25.0), 75.0),
    ],
)
def test_straight_tube_beside_solids(obstacle: Obstacle, distance: float) -> None:
    (near,) = obstacle_clearance(STRAIGHT, 12.0, [obstacle]).approaches
    assert near.distance == pytest.approx(distance, abs=1e-9)
    assert near.clearance == pytest.approx(distance - 6.0, abs=1e-9)
    assert math.dist(near.point, near.obstacle_point) >= distance - 1e-9


@pytest.mark.parametrize(
    ("obstacle", "distance"),
    [
        # the bend is round (200, 50): a post in its centre, and one as far out as the legs allow
        (Cylinder((200, 50, -90), (200, 50, 90), 10.0), 40.0),
        (Cylinder((230, 50, -90), (230, 50, 90), 10.0), 10.0),
        # a wall beyond the bend, and a floor below all of it
        (box_between((300, -500, -500), (310, 500, 500)), 50.0),
        (box_between((-500, -500, -80), (500, 500, -70)), 70.0),
        # a pillar between the legs: its corners (230, 50 ± 8) are √(30² + 8²) from the centre
        (box_between((100, 42, -90), (230, 58, 90)), 50 - math.hypot(30, 8)),
    ],
)
def test_u_bend_round_solids(obstacle: Obstacle, distance: float) -> None:
    (near,) = obstacle_clearance(U_BEND, 12.0, [obstacle]).approaches
    assert near.distance == pytest.approx(distance, abs=1e-9)


@pytest.mark.parametrize(
    "obstacle",
    [
        box_between((50, -10, -10), (60, 10, 10)),
        box_between((-500, -500, -500), (500, 500, 500)),
        box_between((240, 40, -5), (260, 60, 5)),
        # a wall that only the bend passes through, its edges far away
        box_between((225, -500, -500), (226, 500, 500)),
        Cylinder((245, 50, -5), (255, 50, 5), 3.0),
        Cylinder((100, -40, 0), (100, 140, 0), 1.0),
        Bar((100, -40, 3), (100, 140, 3), 4.0),
    ],
)
def test_a_centre_line_that_enters_has_no_distance(obstacle: Obstacle) -> None:
    answer = obstacle_clearance(U_BEND, 12.0, [obstacle])
    assert answer.approaches[0].distance == pytest.approx(0.0, abs=1e-9)
    assert answer.approaches[0].clearance == pytest.approx(-6.0)
