"""Laws that distances to solids must keep: motion, growth, sampling; and what is refused."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from model_runs import plane_run
from scipy.spatial.transform import Rotation

from service.calc.centre_line_distance import Numbers, Parts, pair_distances, segments
from service.calc.obstacle_clearance import (
    Bar,
    Box,
    Cylinder,
    Obstacle,
    box_between,
    obstacle_clearance,
    obstacle_distances,
)
from service.calc.run_geometry import Vector
from service.errors import GeometryError, OutOfRangeError

EXACT = 1e-6  # mm
COORDINATE = st.floats(-200, 200)
VECTORS = st.tuples(COORDINATE, COORDINATE, COORDINATE)
TURNS = st.tuples(*[st.floats(-3.2, 3.2)] * 3).map(np.array)
SIZES = st.floats(0.5, 150)


@st.composite
def parts(draw: st.DrawFn) -> Parts:
    u, v, _ = Rotation.from_rotvec(draw(TURNS)).as_matrix()
    origin, one = np.array([draw(VECTORS)]), np.array([1.0])
    if draw(st.booleans()):
        return Parts(origin, u[None], 0 * v[None], 0 * one, one * draw(st.floats(0.01, 500)))
    radius = draw(st.floats(5, 200))
    return Parts(origin, u[None], v[None], one * radius, one * radius * draw(st.floats(0.01, 6.2)))


@st.composite
def solids(draw: st.DrawFn) -> Obstacle:
    start, end = draw(VECTORS), draw(VECTORS)
    kind = draw(st.sampled_from(["box", "cylinder", "bar"]))
    if kind == "bar":
        return Bar(start, end, draw(st.one_of(st.just(0.0), SIZES)))
    if kind == "cylinder":
        return Cylinder(start, (end[0], end[1], start[2] + draw(SIZES)), draw(SIZES))
    x, y, z = Rotation.from_rotvec(draw(TURNS)).as_matrix()
    return Box(start, (draw(SIZES), draw(SIZES), draw(SIZES)), (_row(x), _row(y), _row(z)))


def _row(values: Numbers) -> Vector:
    return (float(values[0]), float(values[1]), float(values[2]))


def _distance(part: Parts, solid: Obstacle) -> float:
    return float(obstacle_distances(part, solid).distance[0])


def _grown(solid: Obstacle, by: float) -> Obstacle:
    if isinstance(solid, Box):
        x, y, z = solid.half_sizes
        return replace(solid, half_sizes=(x + by, y + by, z + by))
    return replace(solid, radius=solid.radius + by)


@given(parts(), solids(), TURNS, VECTORS)
def test_distance_does_not_change_when_both_move(
    part: Parts, solid: Obstacle, turn: Numbers, shift: Vector
) -> None:
    spin = Rotation.from_rotvec(turn).as_matrix()

    def moved(point: Vector) -> Vector:
        return _row(spin @ np.array(point) + shift)

    there = replace(part, origin=part.origin @ spin.T + shift, u=part.u @ spin.T, v=part.v @ spin.T)
    other: Obstacle
    if isinstance(solid, Box):
        x, y, z = (_row(spin @ np.array(axis)) for axis in solid.axes)
        other = replace(solid, centre=moved(solid.centre), axes=(x, y, z))
    else:
        other = replace(solid, start=moved(solid.start), end=moved(solid.end))
    assert _distance(there, other) == pytest.approx(_distance(part, solid), abs=EXACT)


@given(parts(), solids(), st.floats(0, 50))
def test_a_larger_solid_is_nearer_by_no_more_than_it_grew(
    part: Parts, solid: Obstacle, by: float
) -> None:
    before, after = _distance(part, solid), _distance(part, _grown(solid, by))
    # a corner of a box moves by √3 of what its faces move by
    assert before - np.sqrt(3) * by - EXACT <= after <= before + EXACT


@given(parts(), solids())
def test_places_returned_are_at_that_distance_and_none_sampled_is_nearer(
    part: Parts, solid: Obstacle
) -> None:
    found = obstacle_distances(part, solid)
    assert 0 <= found.x[0] <= part.length[0]
    at = part.points(found.x[:, None])[0, 0]
    assert np.linalg.norm(at - found.points[0]) == pytest.approx(found.distance[0], abs=EXACT)
    points = part.points(np.linspace(0, part.length[0], 25)[None])[0]
    sampled = obstacle_distances(segments(points, points), solid).distance.min()
    assert found.distance[0] <= sampled + EXACT


@given(parts(), VECTORS, VECTORS, SIZES)
def test_a_bar_is_a_line_with_thickness(
    part: Parts, start: Vector, end: Vector, radius: float
) -> None:
    line = segments(np.array([start]), np.array([end]))
    apart = float(pair_distances(part, line).distance[0])
    assert _distance(part, Bar(start, end)) == pytest.approx(apart, abs=1e-9)
    assert _distance(part, Bar(start, end, radius)) == pytest.approx(
        max(apart - radius, 0.0), abs=1e-9
    )


@given(parts(), VECTORS, VECTORS, st.floats(0.5, 50))
def test_a_cylinder_lies_between_its_axis_and_the_bar_round_it(
    part: Parts, start: Vector, end: Vector, radius: float
) -> None:
    assume(math.dist(start, end) > 1e-3)
    cylinder = _distance(part, Cylinder(start, end, radius))
    assert _distance(part, Bar(start, end, radius)) - EXACT <= cylinder
    assert cylinder <= _distance(part, Bar(start, end)) + EXACT


def test_skewed_axes_and_sizes_of_nothing_are_refused() -> None:
    with pytest.raises(GeometryError) as skewed:
        Box((0, 0, 0), (1, 1, 1), ((1, 0, 0), (0.1, 1, 0), (0, 0, 1)))
    assert skewed.value.code == "obstacle_axes_not_square"
    for make in (
        lambda: box_between((0, 0, 0), (10, 0, 10)),
        lambda: Cylinder((0, 0, 0), (0, 0, 10), 0.0),
        lambda: Cylinder((1, 2, 3), (1, 2, 3), 5.0),
        lambda: Bar((0, 0, 0), (1, 0, 0), -1.0),
    ):
        with pytest.raises(OutOfRangeError) as refused:
            make()
        assert refused.value.code == "obstacle_size_not_positive"


def test_obstacles_come_nearest_first() -> None:
    run = plane_run((200, 90, 50), last=200)
    wall, post = box_between((300, -99, -99), (310, 400, 99)), Bar((100, 30, 0), (100, 30, 90), 5)
    far = box_between((0, 900, 0), (10, 910, 10))
    answer = obstacle_clearance(run, 10.0, [far, wall, post])
    assert [a.obstacle for a in answer.approaches] == [2, 1, 0]
    assert [a.clearance for a in answer.approaches[:2]] == pytest.approx([20.0, 45.0])
