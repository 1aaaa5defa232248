"""Run geometry: inverse, reversal, mirror image, scaling, rigid motion, bounding box, offset."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from numpy.typing import NDArray
from oracles import polyline
from scipy.spatial.transform import Rotation

from service.calc import run_geometry as geometry
from service.errors import GeometryError
from service.model import Bend, Run

Vector = geometry.Vector

# A leg of 1 mm and a bend of 3° keep direction and axis known to 1e-9, so that what is tested is
# the formula and not how a vertex is rounded.
bends = st.builds(
    Bend,
    straight=st.floats(1, 800),
    rotation=st.one_of(
        st.floats(-math.pi + 1e-6, math.pi), st.sampled_from([0.0, math.pi / 2, math.pi])
    ),
    angle=st.one_of(st.floats(0.05, 2.9), st.sampled_from([math.pi / 2, math.pi / 4])),
    radius=st.floats(12, 200),
)
turns_of_any_size = st.builds(
    Bend,
    straight=st.one_of(st.just(0.0), st.floats(0, 800)),
    rotation=st.floats(-math.pi + 1e-6, math.pi),
    angle=st.one_of(st.floats(0.001, 6.1), st.just(math.pi)),
    radius=st.floats(12, 200),
)


@st.composite
def runs(draw: st.DrawFn, rows: st.SearchStrategy[Bend] = bends, least: int = 1) -> Run:
    drawn = draw(st.lists(rows, min_size=least, max_size=8))
    first = [Bend(b.straight, 0.0, b.angle, b.radius) for b in drawn[:1]]
    return Run((*first, *drawn[1:]), draw(st.floats(1, 800)))


@st.composite
def motions(draw: st.DrawFn) -> tuple[Rotation, NDArray[np.float64]]:
    parts = draw(st.lists(st.floats(-1, 1), min_size=4, max_size=4))
    assume(np.linalg.norm(parts) > 0.1)
    shift = draw(st.lists(st.floats(-2000, 2000), min_size=3, max_size=3))
    return Rotation.from_quat(parts), np.array(shift)


def as_vectors(points: NDArray[np.float64]) -> list[Vector]:
    return [(float(x), float(y), float(z)) for x, y, z in points]


def radii(run: Run) -> list[float]:
    return [bend.radius for bend in run.bends]


def assert_same_run(a: Run, b: Run, tolerance: float = 1e-7) -> None:
    assert len(a.bends) == len(b.bends)
    for one, other in zip(a.bends, b.bends, strict=True):
        assert one.straight == pytest.approx(other.straight, abs=tolerance)
        assert one.angle == pytest.approx(other.angle, abs=tolerance)
        assert one.radius == pytest.approx(other.radius, abs=tolerance)
        # +180° and −180° are one rotation: compare what is left of the difference
        assert math.remainder(one.rotation - other.rotation, 2 * math.pi) == pytest.approx(
            0, abs=tolerance
        )
    assert a.last_straight == pytest.approx(b.last_straight, abs=tolerance)


# --- bend table and vertices ---------------------------------------------------------------------


@given(runs())
def test_bend_table_to_vertices_and_back_is_the_identity(run: Run) -> None:
    points = as_vectors(geometry.vertices(run))
    assert_same_run(geometry.run_from_vertices(points, radii(run)), run)


@given(runs(), motions())
def test_bend_table_does_not_change_with_a_rigid_motion(
    run: Run, motion: tuple[Rotation, NDArray[np.float64]]
) -> None:
    turn, shift = motion
    moved = as_vectors(turn.apply(geometry.vertices(run)) + shift)
    assert_same_run(geometry.run_from_vertices(moved, radii(run)), run)


@given(runs())
def test_mirrored_vertices_flip_every_rotation(run: Run) -> None:
    reflected = as_vectors(geometry.vertices(run) * [1, 1, -1])
    back = geometry.run_from_vertices(reflected, radii(run))
    assert_same_run(back, geometry.mirror(run))
    for one, other in zip(run.bends, back.bends, strict=True):
        if 1e-6 < abs(one.rotation) < math.pi - 1e-6:
            assert (one.rotation > 0) != (other.rotation > 0)


@given(runs())
def test_vertices_taken_backwards_are_the_reversed_run(run: Run) -> None:
    backwards = as_vectors(geometry.vertices(run)[::-1])
    back = geometry.run_from_vertices(backwards, radii(run)[::-1])
    assert_same_run(back, geometry.reverse(run))


@given(runs(), st.floats(0.1, 20))
def test_points_scale_with_the_run(run: Run, k: float) -> None:
    rows = tuple(Bend(b.straight * k, b.rotation, b.angle, b.radius * k) for b in run.bends)
    one = geometry.vertices(run)
    big = geometry.vertices(Run(rows, run.last_straight * k))
    np.testing.assert_allclose(big, k * one, rtol=1e-11, atol=1e-9 * max(k, 1))


@given(runs())
def test_developed_length_is_that_of_the_vertex_path_less_the_gains(run: Run) -> None:
    legs = np.linalg.norm(np.diff(geometry.vertices(run), axis=0), axis=1).sum()
    gains = math.fsum(geometry.gain(b.radius, b.angle) for b in run.bends)
    assert geometry.developed_length(run) == pytest.approx(legs - gains, rel=1e-10)


# --- reversal and mirror image -------------------------------------------------------------------


@given(runs(turns_of_any_size, least=0))
def test_reversing_twice_is_the_identity(run: Run) -> None:
    assert geometry.reverse(geometry.reverse(run)) == run


@given(runs(turns_of_any_size, least=0))
def test_mirroring_twice_is_the_identity(run: Run) -> None:
    assert geometry.mirror(geometry.mirror(run)) == run


@given(runs(turns_of_any_size, least=0))
def test_reversal_turns_the_order_round_and_keeps_every_sign(run: Run) -> None:
    back = geometry.reverse(run)
    assert [b.rotation for b in back.bends[1:]] == [b.rotation for b in run.bends[1:]][::-1]
    assert [b.angle for b in back.bends] == [b.angle for b in run.bends][::-1]
    assert [b.straight for b in back.bends] + [back.last_straight] == [
        run.last_straight,
        *(b.straight for b in reversed(run.bends)),
    ]


@given(runs(turns_of_any_size))
def test_distances_within_the_tube_are_the_same_from_either_end_and_in_the_mirror(
    run: Run,
) -> None:
    """The tube as a body: all distances between its tangent points, not one sign in it."""
    there = geometry.run_geometry(run)
    back = geometry.run_geometry(run, reversed_run=True)
    image = geometry.run_geometry(run, mirrored=True)
    points = tube_points(there)
    np.testing.assert_allclose(apart(tube_points(back)[::-1]), apart(points), atol=1e-7)
    np.testing.assert_allclose(apart(tube_points(image)), apart(points), atol=1e-7)
    assert back.developed_length == pytest.approx(there.developed_length, rel=1e-12)


def tube_points(found: geometry.RunGeometry) -> NDArray[np.float64]:
    middle = [point for bend in found.bends for point in (bend.start, bend.end)]
    return np.array([found.end_1.point, *middle, found.end_2.point])


def apart(points: NDArray[np.float64]) -> NDArray[np.float64]:
    found: NDArray[np.float64] = np.linalg.norm(points[:, None] - points[None], axis=2)
    return found


@given(runs(turns_of_any_size))
def test_mirror_image_lies_across_the_plane_of_the_first_bend(run: Run) -> None:
    one = geometry.run_geometry(run)
    image = geometry.run_geometry(run, mirrored=True)
    np.testing.assert_allclose(tube_points(image), tube_points(one) * [1, 1, -1], atol=1e-7)


@given(runs(turns_of_any_size))
def test_rotations_stay_above_minus_180_and_up_to_180(run: Run) -> None:
    half = Run((run.bends[0], *run.bends[1:], Bend(1, -math.pi, 1, 12)), 1)
    for reversed_run in (False, True):
        for mirrored in (False, True):
            found = geometry.run_geometry(half, reversed_run=reversed_run, mirrored=mirrored)
            assert all(-math.pi < b.rotation <= math.pi for b in found.run.bends)


# --- points --------------------------------------------------------------------------------------


@given(runs(turns_of_any_size, least=0))
def test_points_agree_with_an_independent_integration(run: Run) -> None:
    found = geometry.run_geometry(run)
    table = [
        (b.straight, math.degrees(b.rotation), math.degrees(b.angle), b.radius) for b in run.bends
    ]
    line = polyline.integrate(table, run.last_straight)
    for bend, place in zip(found.bends, line.bends, strict=True):
        np.testing.assert_allclose(bend.start, place.start, atol=1e-7)
        np.testing.assert_allclose(bend.end, place.end, atol=1e-7)
    np.testing.assert_allclose(found.end_2.point, line.end_point, atol=1e-7)
    np.testing.assert_allclose(found.end_2.direction, line.end_direction, atol=1e-9)
    assert found.developed_length == pytest.approx(line.developed_length, rel=1e-9)


@given(runs(turns_of_any_size))
def test_arc_centre_and_axis_belong_to_the_tangent_points(run: Run) -> None:
    found = geometry.run_geometry(run)
    for bend, row in zip(found.bends, run.bends, strict=True):
        spokes = np.array([bend.start, bend.end]) - np.array(bend.arc_centre)
        np.testing.assert_allclose(np.linalg.norm(spokes, axis=1), row.radius, rtol=1e-9)
        np.testing.assert_allclose(spokes @ np.array(bend.axis), 0, atol=1e-7)
        turned = Rotation.from_rotvec(row.angle * np.array(bend.axis)).apply(spokes[0])
        np.testing.assert_allclose(turned, spokes[1], atol=1e-6)


@given(runs(), motions(), st.booleans(), st.booleans())
def test_frame_of_the_drawing_gives_the_vertices_back(
    run: Run, motion: tuple[Rotation, NDArray[np.float64]], reversed_run: bool, mirrored: bool
) -> None:
    turn, shift = motion
    drawn = as_vectors(turn.apply(geometry.vertices(run)) + shift)
    made = geometry.run_from_vertices(drawn, radii(run))
    found = geometry.run_geometry(
        made, drawn=drawn, frame="drawing", reversed_run=reversed_run, mirrored=mirrored
    )
    points = np.array([point for point in found.vertices if point is not None])
    order = -1 if reversed_run else 1
    # the first three vertices lie in the plane of the first bend, which the mirror keeps
    kept = 3 if mirrored else len(drawn)
    np.testing.assert_allclose(points[:kept], np.array(drawn)[::order][:kept], atol=1e-6)
    np.testing.assert_allclose(apart(points), apart(np.array(drawn)[::order]), atol=1e-6)


@given(st.lists(st.floats(-5000, 5000), min_size=6, max_size=6))
def test_straight_tube_in_the_frame_of_the_drawing(numbers: list[float]) -> None:
    drawn: list[Vector] = [(*numbers[:3],), (*numbers[3:],)]  # type: ignore[list-item]
    assume(math.dist(*drawn) > 1)
    made = geometry.run_from_vertices(drawn, [])
    found = geometry.run_geometry(made, drawn=drawn, frame="drawing", outside_diameter=10)
    assert found.end_1.point == pytest.approx(drawn[0], abs=1e-9)
    assert found.end_2.point == pytest.approx(drawn[1], abs=1e-7)
    # box of a cylinder: ends ± r·sin of the angle between its axis and that direction
    travel = np.array(found.end_1.direction)
    reach = 5 * np.linalg.norm(np.cross(travel, np.eye(3)), axis=1)
    np.testing.assert_allclose(found.bounding_box.least, np.min(drawn, axis=0) - reach, atol=1e-6)
    np.testing.assert_allclose(
        found.bounding_box.greatest, np.max(drawn, axis=0) + reach, atol=1e-6
    )


# --- bounding box --------------------------------------------------------------------------------

RING = np.linspace(0, 2 * math.pi, 73)


def skin(run: Run, outside_diameter: float) -> NDArray[np.float64]:
    """Points of the tube's surface: rings square to an independently integrated centre line."""
    rings: list[NDArray[np.float64]] = []
    attitude, point = Rotation.identity(), np.zeros(3)
    circle = outside_diameter / 2 * np.stack([0 * RING, np.cos(RING), np.sin(RING)], axis=1)
    for bend in run.bends:
        rings += [point + attitude.apply(circle)]
        point = point + attitude.apply([bend.straight, 0, 0])
        attitude = attitude * Rotation.from_rotvec([bend.rotation, 0, 0])
        for turned in np.linspace(0, bend.angle, 60):
            spin = attitude * Rotation.from_rotvec([0, 0, turned])
            chord = bend.radius * np.array([math.sin(turned), 1 - math.cos(turned), 0])
            rings.append(point + attitude.apply(chord) + spin.apply(circle))
        point = point + attitude.apply(chord)
        attitude = attitude * Rotation.from_rotvec([0, 0, bend.angle])
    tip = point + attitude.apply([run.last_straight, 0, 0])
    return np.vstack([*rings, point + attitude.apply(circle), tip + attitude.apply(circle)])


@given(runs(turns_of_any_size), st.floats(0, 23.9))
def test_box_holds_the_tube_and_touches_it(run: Run, outside_diameter: float) -> None:
    low, high = geometry.bounding_box(run, outside_diameter)
    points = skin(run, outside_diameter)
    assert (points.min(axis=0) >= np.array(low) - 1e-6).all()
    assert (points.max(axis=0) <= np.array(high) + 1e-6).all()
    # samples lie at most half a step from the furthest point: the sagitta of either circle
    step = max(bend.angle for bend in run.bends) / 59 / 2
    largest = max(bend.radius for bend in run.bends) + outside_diameter / 2
    slack = largest * (1 - math.cos(step)) + outside_diameter / 2 * (1 - math.cos(RING[1] / 2))
    assert (points.min(axis=0) <= np.array(low) + slack + 1e-6).all()
    assert (points.max(axis=0) >= np.array(high) - slack - 1e-6).all()


@given(runs(turns_of_any_size, least=0), st.floats(0, 11), st.floats(0, 11))
def test_box_grows_with_the_tube_and_never_by_more_than_the_wall(
    run: Run, one: float, other: float
) -> None:
    thin, thick = sorted((one, other))
    (low, high), (lower, higher) = (geometry.bounding_box(run, d) for d in (thin, thick))
    for a, b in zip((*high, *(-x for x in low)), (*higher, *(-x for x in lower)), strict=True):
        assert -1e-9 <= b - a <= (thick - thin) / 2 + 1e-9


@given(runs(), st.floats(1, 20))
def test_box_in_the_frame_of_the_drawing_is_that_of_the_moved_tube(
    run: Run, outside_diameter: float
) -> None:
    """Turned by a quarter about z and then about x, a box only changes the names of its axes."""
    low, high = geometry.bounding_box(run, outside_diameter)
    drawn = [(z, x, y) for x, y, z in as_vectors(geometry.vertices(run))]
    made = geometry.run_from_vertices(drawn, radii(run))
    box = geometry.run_geometry(
        made, drawn=drawn, frame="drawing", outside_diameter=outside_diameter
    ).bounding_box
    assert box.least == pytest.approx((low[2], low[0], low[1]), abs=1e-6)
    assert box.greatest == pytest.approx((high[2], high[0], high[1]), abs=1e-6)


# --- offset --------------------------------------------------------------------------------------


@given(st.floats(-500, 500), st.floats(-500, 500), st.floats(0.02, math.pi / 2), st.floats(10, 200))
def test_offset_is_made_or_refused_as_its_least_offset_says(
    rise: float, roll: float, angle: float, radius: float
) -> None:
    true_offset, least = math.hypot(rise, roll), 4 * radius * math.sin(angle / 2) ** 2
    assume(abs(true_offset - least) > 1e-6)
    if true_offset < least:
        with pytest.raises(GeometryError):
            geometry.offset(rise, roll, angle, radius)
        return
    found = geometry.offset(rise, roll, angle, radius)
    assert found.least_offset == pytest.approx(least, rel=1e-9, abs=1e-12)
    points = geometry.vertices(found.run)
    first, second = points[1], points[2]
    assert np.linalg.norm(second - first) == pytest.approx(found.travel, rel=1e-9)
    assert second[0] - first[0] == pytest.approx(found.advance, rel=1e-9, abs=1e-9)
    assert second[1] - first[1] == pytest.approx(true_offset, rel=1e-9)
    assert found.travel**2 == pytest.approx(found.advance**2 + true_offset**2, rel=1e-9)


@given(st.floats(50, 500), st.floats(0.02, math.pi / 2), st.floats(1, 20), st.floats(0.1, 10))
def test_offset_scales(rise: float, angle: float, radius: float, k: float) -> None:
    one = geometry.offset(rise, 0, angle, radius)
    big = geometry.offset(k * rise, 0, angle, k * radius)
    for name in ("travel", "advance", "straight", "shrink", "extra_tube", "least_offset"):
        assert getattr(big, name) == pytest.approx(k * getattr(one, name), rel=1e-9, abs=1e-9)


@given(st.floats(50, 500), st.floats(1, 20))
def test_a_smaller_angle_takes_less_extra_tube_and_more_advance(rise: float, radius: float) -> None:
    angles = np.linspace(0.05, math.pi / 2, 12)
    found = [geometry.offset(rise, 0, float(angle), radius) for angle in angles]
    for flat, steep in pairwise(found):
        assert flat.advance > steep.advance
        assert flat.extra_tube < steep.extra_tube
