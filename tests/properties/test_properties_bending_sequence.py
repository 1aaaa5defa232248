"""Laws that a simulated bench must keep, and that its verdict turns where its clearance ends."""

from __future__ import annotations

import math
import random
import time
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from service.calc.bending_sequence import BendingSequence, Encounter, bending_sequence
from service.calc.centre_line_distance import Numbers, Parts
from service.calc.run_geometry import mirror, reverse
from service.calc.swept_clearance import (
    RESOLUTION,
    TOUCH,
    Motions,
    Nearest,
    Pairs,
    Solids,
    nearest_in_motion,
)
from service.model import Bend, Bender, BoxBody, CylinderBody, Run, Surroundings

D = 15.0
HOUSING = BoxBody("housing", (-400, -140, -300), (60, 110, -120))
CRANK = CylinderBody("crank", (-330, -230, -95), (-330, -170, -95), 350.0)
AROUND = Surroundings(bench_below=260.0, boxes=(HOUSING,), cylinders=(CRANK,))
SAME = 2 * RESOLUTION

STRAIGHTS = st.floats(35, 180)
ROTATIONS = st.one_of(st.sampled_from([0.0, 90.0, -90.0, 180.0]), st.floats(-179, 179))
ANGLES = st.one_of(st.sampled_from([45.0, 90.0]), st.floats(5, 120))


@st.composite
def runs(draw: st.DrawFn, most: int = 4) -> Run:
    bends = [
        Bend(
            draw(STRAIGHTS),
            math.radians(draw(ROTATIONS)) if number else 0.0,
            math.radians(draw(ANGLES)),
            draw(st.sampled_from([45.0, 60.0])),
        )
        for number in range(draw(st.integers(1, most)))
    ]
    return Run(tuple(bends), draw(STRAIGHTS))


def bender(around: Surroundings | None, *, turned: bool = False) -> Bender:
    return Bender(
        "b", "B", 6, 25, math.radians(190), (), tube_can_be_turned=turned, surroundings=around
    )


def tried(run: Run, around: Surroundings | None, od: float = D) -> BendingSequence:
    return bending_sequence(run, od, bender(around), other_orders=False)


def room(answer: BendingSequence) -> float:
    """Tightest clearance of the first order: 0 where it touches, 500 where nothing is near."""
    found = answer.orders[0].nearest
    return 500.0 if found is None else found.clearance


# --- the verdict turns where the clearance ends --------------------------------------------------


def seeded_run(seed: int, bends: int) -> Run:
    source = random.Random(seed)
    rows = [
        Bend(
            source.uniform(40, 200),
            math.radians(source.choice([90, -90, 180, source.uniform(-179, 179)])) if i else 0.0,
            math.radians(source.choice([90, 45, source.uniform(10, 120)])),
            45.0,
        )
        for i in range(bends)
    ]
    return Run(tuple(rows), source.uniform(40, 250))


def on_bench(run: Run, below: float, *, turned: bool = False) -> BendingSequence:
    return bending_sequence(run, D, bender(Surroundings(bench_below=below), turned=turned))


@cache
def bench_under_run(seed: int) -> tuple[Run, float] | None:
    """A run, and the height of bench at which its last order that is free comes to touch it.

    Both orders are judged over a bench far down; None where something else than the bench is the
    nearest, or nothing is.
    """
    run, below = seeded_run(seed, 3 + seed % 4), 450.0
    there = tried(run, Surroundings(bench_below=below))
    back = tried(reverse(run), Surroundings(bench_below=below))
    nearest = [answer.orders[0].nearest for answer in (there, back)]
    if not all(one is not None and one.met == "bench" and one.clearance > 1 for one in nearest):
        return None
    return run, below - max(room(there), room(back))


FOUND = [seed for seed in range(120) if bench_under_run(seed)][:20]


def test_there_are_twenty_seeded_runs() -> None:
    assert len(FOUND) == 20


@pytest.mark.parametrize("seed", FOUND)
def test_bench_moved_by_a_tenth_across_the_clearance_turns_the_verdict(seed: int) -> None:
    case = bench_under_run(seed)
    assert case is not None
    run, below = case
    free, blocked = on_bench(run, below + 0.05), on_bench(run, below - 0.05)
    assert free.free is not None
    assert room_of_free(free) == pytest.approx(0.05, abs=SAME)
    assert blocked.free is None
    assert all(met(order.nearest) == "bench" for order in blocked.orders)


@pytest.mark.parametrize("seed", FOUND)
def test_so_it_does_for_the_swings_of_a_tube_that_is_lifted_out_between(seed: int) -> None:
    case = bench_under_run(seed)
    assert case is not None
    run, below = case[0], 450.0
    answer = on_bench(run, below, turned=True)
    below -= room_of_free(answer)
    kinds = [order.kind for order in answer.orders]
    for height, free in ((below + 0.05, True), (below - 0.05, False)):
        orders = on_bench(run, height, turned=True).orders
        assert orders[len(kinds) - 1].kind == kinds[-1]
        assert orders[len(kinds) - 1].free == free


def room_of_free(answer: BendingSequence) -> float:
    assert answer.free is not None
    assert answer.free.nearest is not None
    return answer.free.nearest.clearance


def met(found: Encounter | None) -> str:
    assert found is not None
    return found.met


# --- laws ----------------------------------------------------------------------------------------


@given(runs())
def test_mirror_image_on_a_mirrored_bench_has_the_same_room(run: Run) -> None:
    box = replace(HOUSING, least=(-400, -110, -300), greatest=(60, 140, -120))
    rod = replace(CRANK, start=(-330, 230, -95), end=(-330, 170, -95))
    mirrored = replace(AROUND, swings="clockwise", boxes=(box,), cylinders=(rod,))
    there, back = tried(run, AROUND), tried(mirror(run), mirrored)
    assert room(back) == pytest.approx(room(there), abs=SAME)
    assert back.orders[0].free == there.orders[0].free


@given(runs())
def test_work_from_end_2_is_work_from_end_1_of_the_reversed_run(run: Run) -> None:
    there = bending_sequence(run, D, bender(AROUND), work_from="end_2", other_orders=False)
    back = tried(reverse(run), AROUND)
    assert room(there) == pytest.approx(room(back), abs=SAME)
    assert there.orders[0].kind == "end_2_first"


@given(runs(), st.floats(0.5, 2))
def test_clearance_scales(run: Run, factor: float) -> None:
    def scaled(point: tuple[float, float, float]) -> tuple[float, float, float]:
        return (point[0] * factor, point[1] * factor, point[2] * factor)

    larger = Run(
        tuple(
            replace(b, straight=b.straight * factor, radius=b.radius * factor) for b in run.bends
        ),
        run.last_straight * factor,
    )
    around = replace(
        AROUND,
        bench_below=260 * factor,
        boxes=(replace(HOUSING, least=scaled(HOUSING.least), greatest=scaled(HOUSING.greatest)),),
        cylinders=(
            replace(CRANK, start=scaled(CRANK.start), end=scaled(CRANK.end), radius=350 * factor),
        ),
    )
    here, there = room(tried(run, AROUND)), room(tried(larger, around, D * factor))
    if max(here * factor, there) < 500 and min(here, there) > 2 * TOUCH:
        assert there == pytest.approx(here * factor, abs=3 * SAME)


@given(runs())
def test_one_body_more_leaves_no_more_room(run: Run) -> None:
    more = replace(AROUND, floor_below=300.0, boxes=(HOUSING, replace(HOUSING, name="twin")))
    assert room(tried(run, more)) <= room(tried(run, AROUND)) + SAME


@given(runs(), st.floats(0.1, 3))
def test_a_thinner_tube_has_more_room_by_half_the_difference(run: Run, less: float) -> None:
    """The same centre line past the bench: only the radius of the tube changes."""
    around = Surroundings(bench_below=400.0)
    thick, thin = tried(run, around), tried(run, around, D - less)
    nearest = thick.orders[0].nearest
    if thick.orders[0].free and nearest is not None and nearest.met == "bench":
        assert room(thin) <= room(thick) + less / 2 + SAME
        assert room(thin) >= room(thick) - SAME


@given(runs(most=3))
def test_the_place_told_has_the_clearance_told(run: Run) -> None:
    found = tried(run, AROUND).orders[0].nearest
    if found is None or found.met in ("die", "tube_behind"):
        return
    point = np.array(found.point)
    if found.met == "bench":
        away = point[2] + 260
    elif found.name == "housing":
        low, high = np.array(HOUSING.least), np.array(HOUSING.greatest)
        away = float(np.linalg.norm(point - np.clip(point, low, high)))
    else:
        out = math.hypot(point[0] + 330, point[2] + 95) - 350
        away = math.hypot(max(out, 0.0), max(point[1] + 170, -230 - point[1], 0.0))
    if tried(run, AROUND).orders[0].free:
        assert away - D / 2 == pytest.approx(found.clearance, abs=1e-6)
    else:
        assert away - D / 2 <= 2 * TOUCH


# --- the search by itself ------------------------------------------------------------------------


def one_pair(
    source: np.random.Generator, *, bent: bool, is_round: bool, turns: bool
) -> tuple[Pairs, Motions]:
    spin = Rotation.random(rng=source).as_matrix()
    radius = float(source.uniform(20, 80)) if bent else 0.0
    length = radius * float(source.uniform(0.2, 3)) if bent else float(source.uniform(20, 300))
    part = Parts(
        source.uniform(-250, 250, (1, 3)),
        spin[:1],
        spin[1:2] * bent,
        np.array([radius]),
        np.array([length]),
    )
    a = source.uniform(-200, 200, (1, 3))
    solid = Solids(
        a,
        a + source.uniform(20, 150, (1, 3)),
        np.array([float(source.uniform(5, 60)) if is_round else 0.0]),
        np.array([is_round]),
        np.zeros(1),
    )
    span = float(source.uniform(-2, 2)) if turns else float(source.uniform(-300, 300))
    motions = Motions(np.zeros(1, dtype=int), np.array([0.3]), np.array([span]), np.array([turns]))
    free = np.full(1, np.inf)
    pairs = Pairs(
        np.zeros(1, dtype=int),
        np.zeros(1, dtype=bool),
        part,
        np.zeros(1),
        np.array([length]),
        solid,
        np.full(1, 7.5),
        free,
        free,
    )
    return pairs, motions


def sampled(pairs: Pairs, motions: Motions, count: int) -> float:
    """Least clearance over a grid of places and moments."""
    places = np.linspace(0, float(pairs.high[0]), count)
    points = pairs.parts.points(places[None])[0]
    least = math.inf
    for done in np.linspace(0, float(motions.span[0]), count) + motions.start[0]:
        if motions.turns[0]:
            moved = Rotation.from_rotvec([0, 0, done]).apply(points)
        else:
            moved = points + np.array([0, 0, done])
        least = min(least, float(_distance(moved, pairs.solids).min()))
    return least - 7.5


def _distance(points: Numbers, solid: Solids) -> Numbers:
    a, b = solid.a[0], solid.b[0]
    if not solid.is_round[0]:
        box: Numbers = np.linalg.norm(points - np.clip(points, a, b), axis=1)
        return box
    axis = (b - a) / np.linalg.norm(b - a)
    height = (points - a) @ axis
    off = np.linalg.norm(np.cross(points - a, axis), axis=1)
    past = np.maximum(np.maximum(-height, height - np.linalg.norm(b - a)), 0)
    rod: Numbers = np.hypot(np.maximum(off - solid.radius[0], 0), past)
    return rod


def searched(pairs: Pairs, motions: Motions) -> Nearest:
    return nearest_in_motion(pairs, motions, np.full(1, -100.0))


@pytest.mark.parametrize("bent", [False, True])
@pytest.mark.parametrize("is_round", [False, True])
@pytest.mark.parametrize("turns", [False, True])
@pytest.mark.parametrize("seed", range(25))
def test_no_place_and_moment_is_nearer_than_what_is_found(
    seed: int, *, bent: bool, is_round: bool, turns: bool
) -> None:
    source = np.random.default_rng(seed)
    pairs, motions = one_pair(source, bent=bent, is_round=is_round, turns=turns)
    found, seen = searched(pairs, motions), sampled(pairs, motions, 60)
    if found.touches[0]:
        assert seen < 12  # a grid of 5 mm can lie beside a place that touches
        return
    clearance = float(found.clearance[0])
    assert clearance <= seen + RESOLUTION
    # the place that was found is on the grid refined round it
    assert sampled(pairs, motions, 400) >= clearance - RESOLUTION
    assert sampled(pairs, motions, 400) <= clearance + 3


def test_a_leg_that_see_saws_is_nearest_at_its_ends() -> None:
    """Level in the middle of its motion it is flat there in place and time; only corners are low.

    A straight from x = −100 to 100 at y = 100 turned by ±0.003 rad about the origin above y = 40.
    """
    part = Parts(
        np.array([[-100.0, 100, 0]]),
        np.array([[1.0, 0, 0]]),
        np.zeros((1, 3)),
        np.zeros(1),
        np.array([200.0]),
    )
    endless = np.full((1, 3), np.inf)
    ground = Solids(
        -endless, np.array([[np.inf, 40, np.inf]]), np.zeros(1), np.array([False]), np.zeros(1)
    )
    zero, free = np.zeros(1, dtype=int), np.full(1, np.inf)
    motions = Motions(zero, np.array([-0.003]), np.array([0.006]), np.array([True]))
    still = np.zeros(1, dtype=bool)
    pairs = Pairs(
        zero, still, part, np.zeros(1), np.array([200.0]), ground, np.full(1, 7.5), free, free
    )
    found = searched(pairs, motions)
    expected = 100 * math.cos(0.003) - 100 * math.sin(0.003) - 40 - 7.5
    assert found.clearance[0] == pytest.approx(expected, abs=RESOLUTION)


def test_a_motion_too_fine_for_any_step_is_not_jumped_over() -> None:
    """A leg of 3 m turns by 120° past a rod of 0.2 mm that its end just touches, or just misses."""
    for reach, touches in ((2999.995, False), (3000.01, True)):
        part = Parts(
            np.array([[0.0, 0, 0]]),
            np.array([[1.0, 0, 0]]),
            np.zeros((1, 3)),
            np.zeros(1),
            np.array([reach]),
        )
        angle = math.radians(77.7)
        foot = (3000 + 0.1 + 0.5) * np.array([math.cos(angle), math.sin(angle), 0.0])
        up = np.array([0.0, 0.0, 5.0])
        rod = Solids(
            (foot - up)[None],
            (foot + up)[None],
            np.array([0.1]),
            np.array([True]),
            np.zeros(1),
        )
        motions = Motions(
            np.zeros(1, dtype=int), np.zeros(1), np.array([math.radians(120)]), np.array([True])
        )
        free, flag = np.full(1, np.inf), np.zeros(1, dtype=bool)
        pairs = Pairs(
            np.zeros(1, dtype=int),
            flag,
            part,
            np.zeros(1),
            np.array([reach]),
            rod,
            np.full(1, 0.5),
            free,
            free,
        )
        found = searched(pairs, motions)
        assert bool(found.touches[0]) == touches
        assert math.degrees(float(found.at[0])) == pytest.approx(77.7, abs=0.2)


# --- size ----------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=5)
@given(st.integers(0, 1000))
def test_two_hundred_bends_are_answered_in_seconds(seed: int) -> None:
    source = random.Random(seed)
    bends = tuple(
        Bend(60.0, 0.0 if i == 0 else math.radians(source.uniform(-179, 179)), 0.3, 45.0)
        for i in range(200)
    )
    begin = time.process_time()
    answer = bending_sequence(Run(bends, 60.0), D, bender(AROUND, turned=True))
    assert time.process_time() - begin < 10  # about 0.3 s on an idle machine
    assert answer.orders
