"""Distances and clearances against a CAD kernel, certified subdivision and hand-worked cases.

Sources: the CAD kernel (Open CASCADE: least distance of two edges); ``oracles.nearest``, a search
that cannot miss because it only drops what chords prove to be further away; and cases of solid
geometry that any textbook works by hand, derived here: skew edges of a cube, circles in one plane,
on one axis, and linked.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from model_runs import plane_run, run_of_table
from numpy.typing import NDArray
from oracles import require_kernel
from oracles.nearest import curves_of_run, least_distance, samples_of_run
from oracles.random_runs import RunTable, random_runs, rows
from scipy.spatial.transform import Rotation

from service.calc.centre_line_distance import (
    PairDistances,
    Parts,
    pair_distances,
    parts_from_frames,
    segments,
)
from service.calc.clearance import Approach, self_clearance
from service.calc.run_geometry import frames
from service.model import Run

Vector = NDArray[np.float64]
Pairs = list[tuple[int, int]]

RUNS = random_runs(110, seed=41)
# short straights make the same bends meet and cross far more often
TIGHT_RUNS = random_runs(60, seed=42, longest_straight=80.0)
EXACT = 1e-6  # mm
X, Y, Z = np.eye(3)


def _distances(table: RunTable) -> tuple[Pairs, PairDistances]:
    """All pairs of parts that do not follow one another."""
    run = run_of_table(table)
    parts = parts_from_frames(frames(run), run)
    there = [i for i, length in enumerate(parts.length) if length > 0]
    pairs = [(i, j) for i in there for j in there if j > i + 1]
    a, b = (np.array(of, dtype=np.intp) for of in zip(*pairs, strict=True)) if pairs else ([], [])
    index = [np.asarray(of, dtype=np.intp) for of in (a, b)]
    return pairs, pair_distances(parts.take(index[0]), parts.take(index[1]))


def _arc(centre: Vector, u: Vector, v: Vector, radius: float, degrees: float = 359.0) -> Parts:
    one = np.array([radius])
    return Parts(centre[None] * 1.0, u[None] * 1.0, v[None] * 1.0, one, one * math.radians(degrees))


def _distance(a: Parts, b: Parts) -> float:
    there, back = pair_distances(a, b).distance[0], pair_distances(b, a).distance[0]
    assert there == pytest.approx(back, abs=EXACT)
    return float(there)


# --- pairs of parts ----------------------------------------------------------------------------


@pytest.mark.kernel
@pytest.mark.parametrize("table", RUNS, ids=range(len(RUNS)))
def test_every_pair_of_a_random_run_as_the_kernel_measures_it(table: RunTable) -> None:
    require_kernel()
    from oracles import kernel

    edges = kernel.run_wire(rows(table), table["last_straight"]).edges
    pairs, found = _distances(table)
    for (i, j), distance in zip(pairs, found.distance, strict=True):
        assert distance == pytest.approx(kernel.distance(edges[i], edges[j])[0], abs=EXACT)


def test_random_runs_cross_and_touch() -> None:
    """The comparison with the kernel covers pairs that meet, not only pairs well apart."""
    least = [float(found.distance.min()) for pairs, found in map(_distances, RUNS) if pairs]
    assert sum(d < EXACT for d in least) > 5
    assert sum(EXACT < d < 10 for d in least) > 5


@pytest.mark.parametrize("table", TIGHT_RUNS[:30], ids=range(30))
def test_every_pair_lies_within_certified_bounds(table: RunTable) -> None:
    curves = curves_of_run(rows(table), table["last_straight"])
    pairs, found = _distances(table)
    for (i, j), distance in zip(pairs, found.distance, strict=True):
        a, b = curves[i], curves[j]
        assert a is not None
        assert b is not None
        lower, upper = least_distance(a, b)
        assert lower - 1e-8 <= distance <= upper + 1e-8


def _tangent_to(radius: float, tilt: float, share: float, degrees: float, other: float) -> Parts:
    """An arc through the point (R, 0, 0) of a circle round the origin, tilted about its tangent."""
    spin = Rotation.from_euler("yx", [share, tilt]).as_matrix()
    u, v = spin @ X, spin @ Y
    turn = math.radians(degrees) / 2
    e = math.cos(turn) * u + math.sin(turn) * v
    return _arc(radius * X - other * e, u, v, other, degrees)


@pytest.mark.parametrize("other", [45.0, 12.0, 114.3])
@pytest.mark.parametrize("share", [0.0, 1e-9, 1e-6, 1e-3, 0.5, 2.5])
@pytest.mark.parametrize("tilt", [0.0, 1e-6, 1e-4, 3e-4, 1e-3, 0.1, 1.5])
def test_arcs_that_share_a_point_have_no_distance(tilt: float, share: float, other: float) -> None:
    """Made so that they meet in one point: crossing, grazing, and touching without crossing."""
    start = Rotation.from_euler("z", -1.0).as_matrix()
    circle = _arc(0 * X, start @ X, start @ Y, 45.0, 200.0)
    assert _distance(circle, _tangent_to(45.0, tilt, share, 130.0, other)) < EXACT


def test_arcs_that_graze_have_no_distance_whatever_the_angle() -> None:
    """20000 pairs at once, tilted by 1e-7 to 0.1 rad from a common tangent."""
    source, count = np.random.default_rng(5), 20_000
    radius, other = source.choice([12.0, 45.0, 114.3], (2, count))
    turn_a, turn_b = source.uniform(0.5, 6.0, (2, count))
    at_a, at_b = source.random((2, count)) * (turn_a, turn_b)
    frame = Rotation.random(count, rng=source)
    rolls = np.where(source.random(count) < 0.7, source.uniform(-3, 3, count), 0.0)
    tilts = source.normal(size=(count, 3)) * 10 ** source.uniform(-7, -1, (count, 1))
    tilted = frame * Rotation.from_rotvec(rolls[:, None] * Y) * Rotation.from_rotvec(tilts)
    meeting = source.normal(size=(count, 3)) * 100
    # both circles pass through the meeting point at local +x, travelling along local +y
    a, b = (
        _through(meeting, spin.as_matrix(), r, at, turn)
        for spin, r, at, turn in (
            (frame, radius, at_a, turn_a),
            (tilted, other, at_b, turn_b),
        )
    )
    assert pair_distances(a, b).distance.max() < EXACT
    assert pair_distances(b, a).distance.max() < EXACT


def _through(meeting: Vector, axes: Vector, radius: Vector, at: Vector, turn: Vector) -> Parts:
    x, y = axes[:, :, 0], axes[:, :, 1]
    c, s = np.cos(at)[:, None], np.sin(at)[:, None]
    centre = meeting - radius[:, None] * x
    return Parts(centre, c * x - s * y, s * x + c * y, radius, radius * turn)


@pytest.mark.parametrize(
    ("gap", "expected"), [(0.0, 0.0), (1e-5, 1e-5), (7.5, 7.5)], ids=["touch", "nearly", "apart"]
)
def test_circles_in_one_plane(gap: float, expected: float) -> None:
    """Centres R₁ + R₂ + gap apart: the gap is the distance."""
    a, b = _arc(0 * X, X, Y, 45.0), _arc((45.0 + 60.0 + gap) * X, -X, -Y, 60.0)
    assert _distance(a, b) == pytest.approx(expected, abs=EXACT)


@pytest.mark.parametrize("height", [0.0, 10.0, 20.0])
def test_circles_on_one_axis(height: float) -> None:
    """Every point is equally far, √(h² + (R₁ − R₂)²), so nothing singles out a place."""
    a, b = _arc(0 * X, X, Y, 45.0), _arc(height * Z, Y, -X, 60.0, 250.0)
    assert _distance(a, b) == pytest.approx(math.hypot(height, 15.0), abs=1e-9)


def test_linked_circles_through_each_others_centre() -> None:
    """A point (R + R cos ψ, 0, R sin ψ) is √((R cos ψ)² + (R sin ψ)²) = R from the other circle."""
    a, b = _arc(0 * X, X, Y, 45.0), _arc(45.0 * X, -X, Z, 45.0)
    assert _distance(a, b) == pytest.approx(45.0, abs=1e-9)


def test_skew_edges_and_diagonals_of_a_cube() -> None:
    """Cube of edge a: face diagonals of neighbouring faces a/√3, body diagonal to edge a/√2."""
    side = 60.0
    corner = {
        "face": (0 * X, side * (X + Y)),
        "other face": (side * X, side * (Y + Z) + 0 * X),
        "body": (0 * X, side * (X + Y + Z)),
        "edge": (side * X, side * (X + Y)),
    }
    line = {name: segments(*(end[None] for end in ends)) for name, ends in corner.items()}
    assert _distance(line["body"], line["edge"]) == pytest.approx(side / math.sqrt(2), abs=1e-9)
    diagonal = segments((side * X)[None], (side * (X + Y + Z))[None])
    assert _distance(line["face"], diagonal) == pytest.approx(side / math.sqrt(3), abs=1e-9)


def test_line_over_a_circle() -> None:
    """A line 20 mm above the plane of a circle passes its centre inside, at and outside R = 45."""
    circle = _arc(0 * X, X, Y, 45.0)
    for off, expected in ((30.0, 20.0), (45.0, 20.0), (60.0, 25.0)):
        line = segments(np.array([[-200.0, off, 20.0]]), np.array([[200.0, off, 20.0]]))
        assert _distance(line, circle) == pytest.approx(expected, abs=1e-6)


# --- a tube and itself -------------------------------------------------------------------------


def _nearest(run: Run, outside_diameter: float = 10.0) -> Approach:
    nearest = self_clearance(run, outside_diameter).nearest
    assert nearest is not None
    return nearest


def test_u_bend_has_two_radii_between_its_legs() -> None:
    assert _nearest(plane_run((200, 180, 40), last=150)).clearance == pytest.approx(80 - 10)


def test_tight_u_does_not_collide_with_itself() -> None:
    """R = 0.55 D, far tighter than is made: the legs are still 0.1 D apart."""
    answer = self_clearance(plane_run((200, 180, 5.5), last=150), 10.0)
    assert answer.nearest is not None
    assert answer.nearest.clearance == pytest.approx(1.0)
    assert answer.below == ()


def test_u_of_two_right_angles_and_a_short_straight() -> None:
    run = plane_run((200, 90, 40), (3, 90, 40), last=150)
    assert _nearest(run).clearance == pytest.approx(83 - 10)


def test_u_of_many_slight_bends_without_straights() -> None:
    run = plane_run((100, 15, 40), *[(0, 15, 40)] * 11, last=100)
    assert _nearest(run).clearance == pytest.approx(80 - 10)


@pytest.mark.parametrize(
    "run",
    [
        plane_run(last=500),
        plane_run((100, 90, 12), last=100),
        plane_run((0, 179, 6), last=500),
        plane_run((100, 60, 6), (0, 60, 6), (0, 59, 6), last=100),
        plane_run((100, 100, 6), (0.5, 100, 6), last=100, roll=180),
        plane_run((100, 5, 12), (1, 5, 12), (1, 5, 12), last=100),
    ],
    ids=["straight", "right angle", "nearly a U", "three bends", "S", "slight bends"],
)
def test_run_that_nowhere_turns_back_has_nothing_to_meet(run: Run) -> None:
    """Parts near each other along the tube, some of them nearer than D, and none in the way."""
    assert self_clearance(run, 10.0, least=5.0).nearest is None


def test_last_leg_stops_short_of_the_first() -> None:
    """Legs +x at y = 0, +y, −x at y = 200, −y at x = 150 down to y = 40: read off a sketch."""
    run = plane_run((300, 90, 50), (100, 90, 50), (100, 90, 50), last=110)
    nearest = _nearest(run)
    assert nearest.distance == pytest.approx(40.0)
    assert (nearest.part_a, nearest.part_b) == (0, 6)
    assert nearest.position_a == pytest.approx(150.0)
    assert nearest.point_b == pytest.approx((150.0, 40.0, 0.0))


def test_last_leg_crosses_the_first() -> None:
    """The same run with 50 mm more: the centre lines cross, so clearance is short by all of D."""
    answer = self_clearance(plane_run((300, 90, 50), (100, 90, 50), (100, 90, 50), last=160), 10.0)
    assert answer.nearest is not None
    assert answer.nearest.clearance == pytest.approx(-10.0, abs=1e-9)
    assert answer.below == (answer.nearest,)


def test_last_leg_ends_inside_a_bend() -> None:
    """A hook that ends at (20, 140), inside a half circle of R = 100 round (0, 100).

    The gap is R − √(20² + 40²). The tube comes in at a slant, held back only by its end.
    """
    run = plane_run((0, 180, 100), (20, 180, 30), last=40)
    assert _nearest(run).distance == pytest.approx(100 - math.hypot(20, 40))


def test_all_legs_nearer_than_asked_are_listed() -> None:
    """Hairpins of 40 and 60 mm in turn: legs 40, 60 and, the first from the third, 100 mm apart."""
    run = plane_run((200, 180, 20), (200, 180, 30), last=200, roll=180)
    below = self_clearance(run, 10.0, least=65.0).below
    assert {round(f.distance, 6) for f in below} == {40.0, 60.0}


def test_ring_of_350_degrees_nearly_closes() -> None:
    """The ends of the arc are a chord of 10° apart, 2R sin 5°."""
    nearest = _nearest(plane_run((0, 350, 100), last=0), 5.0)
    assert nearest.distance == pytest.approx(200 * math.sin(math.radians(5)))


def test_coil_of_right_angles() -> None:
    """Two turns of four corners each, every bend rolled by 8° so that it climbs."""
    table: RunTable = {
        "bends": [
            {"straight": 100, "rotation": 0.0 if i == 0 else 8.0, "angle": 90, "radius": 40}
            for i in range(8)
        ],
        "last_straight": 100,
    }
    samples = samples_of_run(rows(table), 100, 0.25)
    sampled = samples.nearest(math.pi - 1e-9)[0]
    assert sampled - 0.1 <= _nearest(run_of_table(table)).distance <= sampled


@pytest.mark.parametrize("table", RUNS[:50] + TIGHT_RUNS, ids=range(110))
def test_clearance_as_sampling_finds_it(table: RunTable) -> None:
    """Against points every 0.7 mm, all pairs with half a turn between.

    Below two radii the least distance of all such pairs is the answer. Above, the answer is a place
    from which the tube can be slid neither way, or none: never nearer than sampling finds, and
    nearest among the samples round it.
    """
    spacing = 0.7
    samples = samples_of_run(rows(table), table["last_straight"], spacing)
    sampled, *_ = samples.nearest(math.pi - 1e-9)
    nearest = self_clearance(run_of_table(table), 1.0).nearest
    distance = nearest.distance if nearest else math.inf
    assert distance >= sampled - spacing
    if sampled < 2 * min(b["radius"] for b in table["bends"]):
        assert distance <= sampled + EXACT
    if nearest:
        around = samples.nearest_around(nearest.position_a, nearest.position_b, 5.0, math.pi - 1e-9)
        # level to first order within 1e-3 of the 5 mm
        assert distance <= around + 0.01


@pytest.mark.kernel
@pytest.mark.parametrize("table", RUNS + TIGHT_RUNS, ids=range(170))
def test_kernel_confirms_where_the_nearest_places_are(table: RunTable) -> None:
    """The kernel puts both points on their edges, and finds no less where 180° lie between."""
    require_kernel()
    from oracles import kernel

    run = run_of_table(table)
    nearest = self_clearance(run, 1.0).nearest
    if nearest is None:
        return
    edges = kernel.run_wire(rows(table), table["last_straight"]).edges
    edge_a, edge_b = edges[nearest.part_a], edges[nearest.part_b]
    for point, edge in ((nearest.point_a, edge_a), (nearest.point_b, edge_b)):
        assert kernel.distance(kernel.vertex(point), edge)[0] < EXACT
    apart = np.subtract(nearest.point_b, nearest.point_a)
    assert np.linalg.norm(apart) == pytest.approx(nearest.distance, abs=1e-9)
    least = kernel.distance(edge_a, edge_b)[0]
    assert nearest.distance >= least - EXACT
    # where all the bending needed lies between the two parts, their least distance is the answer;
    # above two radii it may be at a corner from which the tube leads nearer
    between = run.bends[(nearest.part_a + 1) // 2 : nearest.part_b // 2]
    if sum(b.angle for b in between) >= math.pi and least < 2 * min(b.radius for b in run.bends):
        assert nearest.distance == pytest.approx(least, abs=EXACT)
