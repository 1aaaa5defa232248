"""Bending on the bench against two things that know nothing of bend tables on a bench.

``oracles.bench`` plays the work through with material points, turned by scipy's rotations: what is
compared is the whole simulation, in particular which way the tube is rolled and swung. The CAD
kernel (Open CASCADE) measures exact distances of the bent part, moved by the kernel's own
transformations, to the solids of the bench; scipy's bounded minimisation finds the worst moment.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from oracles import require_kernel
from oracles.bench import Moment, Vector, box_distance, cylinder_distance, played
from oracles.polyline import integrate
from oracles.random_runs import Row
from scipy.optimize import minimize_scalar
from scipy.spatial.distance import pdist

from service.calc.bending_sequence import Encounter, OrderTried, bending_sequence
from service.model import (
    BenchEdges,
    Bend,
    Bender,
    BoxBody,
    CylinderBody,
    Run,
    Surroundings,
)

D = 15.0
HELD = 2 * D  # what the clamp holds where no die is known
SPACING, STEPS = 2.0, 90

HOUSING = BoxBody("housing", (-400, -140, -150), (60, 110, -125))
POST = BoxBody("post", (-500, 150, -150), (-420, 250, 400))
CRANK = CylinderBody("sweep of the crank", (-330, -230, -95), (-330, -170, -95), 350.0)
LEANING = CylinderBody("leaning post", (250, 250, -300), (330, 290, 300), 25.0)
EDGES = BenchEdges(-420, 100, -160, 200)
AROUND = Surroundings(
    bench_below=170,
    bench_edges=EDGES,
    floor_below=700,
    boxes=(HOUSING, POST),
    cylinders=(CRANK, LEANING),
)


def random_rows(seed: int) -> tuple[list[Row], float]:
    """Runs that a bench can hold: every straight is longer than the clamp."""
    source = random.Random(seed)
    rows: list[Row] = []
    for number in range(source.randint(2, 5)):
        rotation = source.choice([0.0, 90.0, -90.0, 180.0, source.uniform(-179, 179)])
        angle = source.choice([90.0, 45.0, source.uniform(5, 120), 150.0])
        row = (source.uniform(2.2, 14) * D, rotation if number else 0.0, angle)
        rows.append((*row, source.choice([45.0, 60.0])))
    return rows, source.uniform(50, 250)


def run_of(rows: list[Row], last: float) -> Run:
    bends = (Bend(s, math.radians(r), math.radians(a), radius) for s, r, a, radius in rows)
    return Run(tuple(bends), last)


def bender(around: Surroundings | None) -> Bender:
    return Bender("bench", "Bench", 6, 25, math.radians(190), (), surroundings=around)


def order_of(rows: list[Row], last: float, around: Surroundings | None) -> OrderTried:
    answer = bending_sequence(run_of(rows, last), D, bender(around), other_orders=False)
    return answer.orders[0]


# --- the oracle itself ---------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_the_tube_played_through_has_the_shape_of_the_bend_table(seed: int) -> None:
    """All distances between points agree with the integrated bend table, and so does its hand."""
    rows, last = random_rows(seed)
    *_, final = played(rows, last, spacing=SPACING, steps=2, held=[0.0] * len(rows))
    line = integrate(rows, last)
    along = np.linspace(0.0, line.developed_length, len(final.points))
    places = [bend.start_distance for bend in line.bends] + [
        bend.end_distance for bend in line.bends
    ]
    drawn = np.array([[*bend.start] for bend in line.bends] + [[*bend.end] for bend in line.bends])
    made = np.stack([np.interp(places, along, final.points[:, k]) for k in range(3)], axis=1)
    assert pdist(made) == pytest.approx(pdist(drawn), abs=0.1)
    if len(drawn) > 3:
        hands = [np.linalg.det(points[1:4] - points[0]) for points in (made, drawn)]
        assert hands[0] == pytest.approx(hands[1], abs=2e-3 * max(np.ptp(drawn, axis=0)) ** 3)


# --- the whole simulation ------------------------------------------------------------------------


def distances(points: Vector) -> dict[str, Vector]:
    """Distance of points from each body, by name."""
    boxes = {box.name: box_distance(points, box.least, box.greatest) for box in (HOUSING, POST)}
    rods = {
        rod.name: cylinder_distance(points, rod.start, rod.end, rod.radius)
        for rod in (CRANK, LEANING)
    }
    bench = box_distance(points, (-420, -160, -1e6), (100, 200, -170))
    return {"bench": bench, "floor": np.maximum(points[:, 2] + 700, 0.0), **boxes, **rods}


def moments(rows: list[Row], last: float, order: OrderTried) -> Iterator[Moment]:
    back = [number + 1 in order.rolled_back for number in range(len(rows))]
    held = [HELD] * len(rows)
    yield from played(rows, last, spacing=SPACING, steps=STEPS, held=held, other_way=back)


def clearances(moment: Moment) -> dict[str, float]:
    points = moment.points[moment.ahead]
    if not len(points):
        return {}
    return {name: float(far.min()) - D / 2 for name, far in distances(points).items()}


# Between two moments of a sweep a point moves by this part of the sweep, and tube points lie up to
# half a spacing from the nearest place: what the oracle may overlook.
def overlooked(rows: list[Row]) -> float:
    furthest = sum(row[0] + 2 * row[3] for row in rows) + 100
    return float(furthest * math.pi / STEPS / 2)


def least_of(rows: list[Row], last: float, order: OrderTried) -> dict[tuple[int, str, str], float]:
    least: dict[tuple[int, str, str], float] = {}
    for moment in moments(rows, last, order):
        for name, clearance in clearances(moment).items():
            key = (moment.bend + 1, moment.movement, name)
            least[key] = min(clearance, least.get(key, math.inf))
    return least


@pytest.mark.parametrize("seed", range(24))
def test_tightest_clearance_agrees_with_the_tube_played_through(seed: int) -> None:
    rows, last = random_rows(seed)
    order = order_of(rows, last, AROUND)
    found, least = order.nearest, least_of(rows, last, order)
    assert found is not None
    if not order.free:
        return
    # never above what was seen; below it by no more than can have been overlooked
    assert found.clearance <= min(least.values()) + 0.006
    if found.met in ("bench", "floor", "body"):
        place = (found.bend, found.movement, found.name or found.met)
        assert least[place] - overlooked(rows) <= found.clearance <= least[place] + 0.006


@pytest.mark.parametrize("seed", range(24))
def test_first_collision_agrees_with_the_tube_played_through(seed: int) -> None:
    rows, last = random_rows(seed)
    order = order_of(rows, last, AROUND)
    found = order.nearest
    assert found is not None
    if order.free or found.met not in ("bench", "floor", "body"):
        return
    least = least_of(rows, last, order)
    earlier = [value for (bend, *_), value in least.items() if bend < found.bend]
    assert all(value > 0 for value in earlier)
    assert least[found.bend, found.movement, found.name or found.met] <= overlooked(rows)
    # free until it is told to touch, and touching soon after
    done = found.travel if found.angle is None else math.degrees(found.angle)
    assert done is not None
    bodies = (found.name or found.met,)
    seen = [
        (abs(moment.done), clearances(moment)[bodies[0]])
        for moment in moments(rows, last, order)
        if (moment.bend + 1, moment.movement) == (found.bend, found.movement)
    ]
    sweep = seen[-1][0]
    assert all(value > 0 for at, value in seen if at < abs(done) - sweep * 0.002)
    after = [value for at, value in seen if abs(done) <= at <= abs(done) + 2.5 * sweep / STEPS]
    assert not after or min(after) <= overlooked(rows) / 2


def test_the_seeds_hold_orders_of_every_kind() -> None:
    orders = [order_of(*random_rows(seed), AROUND) for seed in range(24)]
    found = [order.nearest for order in orders if order.nearest is not None]
    assert {order.free for order in orders} == {True, False}
    assert {one.movement for one in found} == {"roll", "bend", "feed"}
    assert {one.met for one in found} >= {"bench", "body", "tube_behind"}
    assert {one.name for one in found} >= {"housing", "sweep of the crank", "leaning post"}
    assert any(order.rolled_back for order in orders)


# runs that only clear the bench begun in the middle, found by trying seeds
MIDDLE = (729, 819, 887, 924, 1127, 1324, 1371)


@pytest.mark.parametrize("seed", MIDDLE)
def test_order_begun_in_the_middle_agrees_with_the_tube_played_through(seed: int) -> None:
    """Each half is played by itself: ahead of its first bend the tube is straight, or all bent."""
    rows, last = random_rows(seed)
    lifted = replace(bender(AROUND), tube_can_be_turned=True)
    answer = bending_sequence(run_of(rows, last), D, lifted)
    order = answer.free
    assert order is not None
    assert order.kind == "from_the_middle"
    assert order.nearest is not None
    halves = {"end_1": (rows, last), "end_2": _from_end_2(rows, last)}
    first = sum(end == order.ahead[0] for end in order.ahead)
    least = math.inf
    for end, begin in ((order.ahead[0], len(rows) - first), (order.ahead[-1], 0)):
        half, rest = halves[end]
        swings = (
            moment
            for moment in played(
                half, rest, spacing=SPACING, steps=STEPS, held=[HELD] * len(rows), begin=begin
            )
            if moment.movement == "bend" and moment.bend >= (begin or first)
        )
        least = min(least, *(min(clearances(m).values(), default=math.inf) for m in swings))
    assert order.nearest.clearance <= least + 0.006
    if order.nearest.met in ("bench", "floor", "body"):
        assert order.nearest.clearance >= least - overlooked(rows)


def _from_end_2(rows: list[Row], last: float) -> tuple[list[Row], float]:
    """The same run travelled from end 2: the order turns round, rotations keep their sign."""
    straights = [last, *(row[0] for row in rows[:0:-1])]
    rotations = [0.0, *(row[1] for row in rows[:0:-1])]
    turned = zip(straights, rotations, reversed(rows), strict=True)
    return [(s, r, row[2], row[3]) for s, r, row in turned], rows[0][0]


# --- distances by the kernel ---------------------------------------------------------------------


@pytest.mark.kernel
@pytest.mark.parametrize("seed", range(6))
def test_clearance_agrees_with_the_kernel(seed: int) -> None:
    """Each swing by itself: the kernel's distance at moments of it, the least refined by scipy.

    Only the bodies here, no die and no tube behind; a tube that may be lifted out is not rolled.
    """
    require_kernel()
    from oracles import kernel

    rows, last = random_rows(100 + seed)
    found = _swings_only(rows, last)
    solids = {
        "leaning post": kernel.cylinder(np.array(LEANING.start), np.array(LEANING.end), 25.0),
        "post": _box(kernel, POST),
        "housing": _box(kernel, HOUSING),
    }
    least = math.inf
    for bend in range(len(rows)):
        part = _bent_part(kernel, rows, bend)
        swing = math.radians(rows[bend][2])
        for solid in solids.values():
            least = min(least, _least_in_swing(kernel, part, solid, swing))
    if found is None:
        assert least - D / 2 > 500 - 1e-6
    elif found.clearance > 0:
        assert found.clearance == pytest.approx(least - D / 2, abs=0.006)
    else:
        assert least - D / 2 <= 0.002


def _swings_only(rows: list[Row], last: float) -> Encounter | None:
    around = Surroundings(boxes=(HOUSING, POST), cylinders=(LEANING,))
    lifted = Bender(
        "b", "B", 6, 25, math.radians(190), (), tube_can_be_turned=True, surroundings=around
    )
    answer = bending_sequence(run_of(rows, last), D, lifted, other_orders=False)
    return answer.orders[0].nearest


def _box(kernel: Any, box: BoxBody) -> Any:
    low, high = np.array(box.least), np.array(box.greatest)
    return kernel.box((low + high) / 2, np.eye(3), (high - low) / 2)


def _bent_part(kernel: Any, rows: list[Row], bend: int) -> Any:
    """What is ahead of a bend up to the clamp, moved by the kernel to where the swing begins.

    The wire is built from end 1; its end is laid at (HELD, −R, 0), travelling along −x, with the
    axis of the next bend, which the integrated bend table gives, along −z.
    """
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform
    from OCP.gp import gp_Trsf

    straight, _, _, radius = rows[bend]
    run = kernel.run_wire(rows[:bend], straight - HELD)
    place = integrate(rows, 0.0).bends[bend]
    axis = np.cross(place.start_direction, place.middle - place.start)
    here = _frame(kernel.end_point(run), axis, place.start_direction)
    there = _frame(np.array([HELD, -radius, 0.0]), -np.eye(3)[2], -np.eye(3)[0])
    move = gp_Trsf()
    move.SetDisplacement(here, there)
    return BRepBuilderAPI_Transform(run.wire, move, True).Shape()


def _frame(point: Vector, z: Vector, x: Vector) -> Any:
    from OCP.gp import gp_Ax3, gp_Dir, gp_Pnt

    return gp_Ax3(gp_Pnt(*point), gp_Dir(*z), gp_Dir(*x))


def _least_in_swing(kernel: Any, part: Any, solid: Any, swing: float) -> float:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform
    from OCP.gp import gp_Ax1, gp_Dir, gp_Pnt, gp_Trsf

    def at(turn: float) -> float:
        move = gp_Trsf()
        move.SetRotation(gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1)), turn)
        turned = BRepBuilderAPI_Transform(part, move, True).Shape()
        return float(kernel.distance(turned, solid)[0])

    turns = np.linspace(0.0, swing, math.ceil(math.degrees(swing) / 4) + 1)
    seen = np.array([at(float(turn)) for turn in turns])
    best = int(seen.argmin())
    low, high = turns[max(best - 1, 0)], turns[min(best + 1, len(turns) - 1)]
    options = {"xatol": 1e-7}
    refined = minimize_scalar(at, bounds=(low, high), method="bounded", options=options)
    return min(float(seen.min()), float(refined.fun))
