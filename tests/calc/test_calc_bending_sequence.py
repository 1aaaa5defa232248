"""Bending on the bench, case by case, with distances that a drawing of the bench gives by hand.

Bench of these cases: end 1 ahead, tube along x at y = −R, R = 45 and D = 15 unless said. A rotation
of −90° turns the leg ahead downwards when the next bend is made, +90° upwards.
"""

from __future__ import annotations

import math
import random
from dataclasses import replace
from typing import Any

import pytest

from service.calc.bending_sequence import (
    BendingSequence,
    Encounter,
    OrderKind,
    _Job,
    _judged,
    _Phase,
    _Start,
    _touching_in_the_middle,
    bending_sequence,
)
from service.calc.developed_length import Allowance, Ends
from service.calc.run_geometry import mirror, reverse
from service.errors import OutOfRangeError
from service.model import (
    BenchEdges,
    Bend,
    Bender,
    BoxBody,
    CylinderBody,
    Die,
    End,
    Run,
    Surroundings,
)

D, R = 15.0, 45.0
# what the search may be off by, mm
NEAR = 0.01


def run_of(*rows: tuple[float, float, float], last: float, radius: float = R) -> Run:
    """Rows (straight, rotation in degrees, angle in degrees)."""
    bends = (Bend(s, math.radians(r), math.radians(a), radius) for s, r, a in rows)
    return Run(tuple(bends), last)


def bender(around: Surroundings | None, *, turned: bool = False) -> Bender:
    return Bender(
        "bench",
        "Bench",
        6,
        25,
        math.radians(190),
        (),
        tube_can_be_turned=turned,
        surroundings=around,
    )


def sequence(run: Run, around: Surroundings | None, **more: Any) -> BendingSequence:
    return bending_sequence(run, D, bender(around, turned=more.pop("turned", False)), **more)


def nearest(answer: BendingSequence, order: int = 0) -> Encounter:
    found = answer.orders[order].nearest
    assert found is not None
    return found


BENCH = Surroundings(bench_below=300.0)
# first leg of 200, then a bend with that leg hanging down
HANGING = run_of((200, 0, 90), (100, -90, 90), last=150)


# --- bench top and floor -------------------------------------------------------------------------


def test_leg_that_hangs_down_keeps_a_clearance_to_the_bench() -> None:
    """It reaches R + 200 below the tube: 300 − 245 − D/2 are left."""
    answer = sequence(HANGING, BENCH)
    found = nearest(answer)
    assert answer.free is answer.orders[0]
    assert found.clearance == pytest.approx(300 - (R + 200) - D / 2, abs=NEAR)
    assert (found.met, found.bend, found.part) == ("bench", 2, 0)
    assert found.position == pytest.approx(0.0, abs=0.1)
    assert found.point[2] == pytest.approx(-(R + 200), abs=0.1)


@pytest.mark.parametrize(("below", "free"), [(252.6, True), (252.4, False)])
def test_bench_just_below_or_above_the_hanging_leg(below: float, *, free: bool) -> None:
    answer = sequence(HANGING, Surroundings(bench_below=below), other_orders=False)
    assert (answer.free is not None) == free


def test_leg_turned_upwards_is_nowhere_near_the_bench() -> None:
    upwards = run_of((200, 0, 90), (100, 90, 90), last=150)
    # what is left is the tube itself in its bend plane
    assert nearest(sequence(upwards, BENCH)).clearance == pytest.approx(300 - D / 2, abs=NEAR)


def test_floor_is_met_where_the_bench_has_ended() -> None:
    """The leg hangs at x = 100 + R, beyond the edge at 50, and swings to y = 100 + R, x = R.

    A bench that ends at y = 90 is not reached, one that ends at y = 150 is.
    """
    edges = BenchEdges(-500, 50, -100, 90)
    around = Surroundings(bench_below=100, bench_edges=edges, floor_below=900)
    free = sequence(HANGING, around)
    assert free.orders[0].free
    wider = replace(around, bench_edges=replace(edges, greatest_y=150))
    blocked = sequence(HANGING, wider, other_orders=False)
    assert (nearest(blocked).met, nearest(blocked).movement) == ("bench", "bend")
    low = Surroundings(floor_below=240)
    assert nearest(sequence(HANGING, low, other_orders=False)).met == "floor"


# a roof above the bench: a leg of R + 200 can be rolled over neither way
BETWEEN = Surroundings(
    bench_below=200, boxes=(BoxBody("roof", (-900, -900, 200), (900, 900, 220)),)
)
HALF_TURN = run_of((200, 0, 90), (100, 180, 90), last=150)


def test_a_leg_strikes_while_it_is_rolled() -> None:
    """Its end is (R + 200)·sin(angle) below the tube; it touches when that is 200 − D/2."""
    answer = sequence(HALF_TURN, BETWEEN, other_orders=False)
    found = nearest(answer)
    assert not answer.orders[0].free
    assert (found.movement, found.bend, found.part) == ("roll", 2, 0)
    assert found.angle is not None
    touch = math.degrees(math.asin((200 - D / 2) / (R + 200)))
    assert math.degrees(abs(found.angle)) == pytest.approx(touch, abs=0.3)


def test_a_tube_is_rolled_the_other_way_round_where_that_is_free() -> None:
    """By −170° the leg hangs down half way; by +190° it stands up instead."""
    nearly = run_of((200, 0, 90), (100, -170, 90), last=150)
    answer = sequence(nearly, Surroundings(bench_below=200), other_orders=False)
    assert answer.orders[0].free
    assert answer.orders[0].rolled_back == (2,)
    assert answer.orders[0].lifted_out == ()


def test_a_tube_that_can_be_lifted_out_need_not_be_rolled_in_place() -> None:
    answer = sequence(HALF_TURN, BETWEEN, other_orders=False, turned=True)
    assert answer.orders[0].free
    assert answer.orders[0].lifted_out == (2,)


def test_tube_that_cannot_be_fed_on() -> None:
    """The leg of bend 1 stands at x = R and ends at y = 200, on a circle of √(200² + R²) till then.

    A body beyond that circle, from y = 190 and x = 100 on, is met by feeding.
    """
    body = BoxBody("body", (100, 190, -50), (120, 250, 50))
    run = run_of((200, 0, 90), (150, 90, 90), last=150)
    found = nearest(sequence(run, Surroundings(boxes=(body,)), other_orders=False))
    assert (found.movement, found.met, found.name, found.bend) == ("feed", "body", "body", 2)
    assert found.travel == pytest.approx(100 - R - D / 2, abs=0.2)


# --- bodies of the bender ------------------------------------------------------------------------


def test_leg_that_is_swung_against_a_wall() -> None:
    """End of a straight of 300, on a circle of √(300² + R²) about the die; a wall at y = 200."""
    wall = Surroundings(boxes=(BoxBody("wall", (-900, 200, -50), (900, 220, 50)),))
    found = nearest(sequence(run_of((300, 0, 90), last=100), wall, other_orders=False))
    assert (found.met, found.movement, found.bend, found.part) == ("body", "bend", 1, 0)
    assert found.angle is not None
    touch = math.asin((200 - D / 2) / math.hypot(300, R)) + math.atan2(R, 300)
    assert math.degrees(found.angle) == pytest.approx(math.degrees(touch), abs=0.1)


def test_least_clearance_in_the_middle_of_a_swing() -> None:
    """A post at 45° and 400 from the axis, radius 20: the end passes it on its circle."""
    along = 400 / math.sqrt(2)
    post = CylinderBody("post", (along, along, -50), (along, along, 50), 20.0)
    answer = sequence(run_of((300, 0, 120), last=100), Surroundings(cylinders=(post,)))
    expected = 400 - math.hypot(300, R) - 20 - D / 2
    found = nearest(answer)
    assert found.clearance == pytest.approx(expected, abs=NEAR)
    assert found.angle is not None
    assert math.degrees(found.angle) == pytest.approx(45 + math.degrees(math.atan2(R, 300)), abs=1)


def test_sweep_of_the_crank_is_a_cylinder() -> None:
    """A crank in front of the bender: a leg towards −y, rolled there by 180°, passes its sweep."""
    crank = CylinderBody("sweep of the crank", (-300, -160, -80), (-300, -110, -80), 350.0)
    back = run_of((200, 0, 90), (60, 180, 90), last=150)
    found = nearest(sequence(back, Surroundings(cylinders=(crank,)), turned=True))
    assert found.name == "sweep of the crank"
    expected = math.hypot(300 + 60 + R, 80) - 350 - D / 2
    assert found.clearance == pytest.approx(expected, abs=NEAR)


def test_bender_that_swings_clockwise_is_the_mirror_image() -> None:
    body = BoxBody("body", (40, 60, -300), (90, 400, -100))
    flipped = BoxBody("body", (40, -400, -300), (90, -60, -100))
    one = sequence(HANGING, Surroundings(boxes=(body,), bench_below=400))
    other = sequence(mirror(HANGING), Surroundings("clockwise", boxes=(flipped,), bench_below=400))
    assert nearest(other).clearance == pytest.approx(nearest(one).clearance, abs=1e-9)
    x, y, z = nearest(one).point
    assert nearest(other).point == pytest.approx((x, -y, z), abs=1e-6)


# A U of 60 before a bend of 45 and 30°: its leg lies at y = 120 − 45, from x = 100 to x = −60.
BACK = Run((Bend(160, 0, math.pi, 60.0), Bend(100, 0, math.pi / 6, R)), 150)


def test_clamp_that_turns_with_the_die_meets_only_what_comes_back_to_it() -> None:
    clamp = BoxBody("clamp", (0, -80, -30), (30, 40, 30), turns_with_die=True)
    straight_on = run_of((200, 0, 40), (60, 0, 90), last=100)
    assert sequence(straight_on, Surroundings(boxes=(clamp,))).orders[0].nearest is None
    found = nearest(sequence(BACK, Surroundings(boxes=(clamp,)), other_orders=False))
    assert (found.met, found.name, found.bend) == ("body", "clamp", 2)
    assert found.clearance == pytest.approx((120 - R) - 40 - D / 2, abs=NEAR)


# --- die and tube behind -------------------------------------------------------------------------


def test_leg_that_leads_back_over_the_die() -> None:
    """The bottom of its groove reaches R − D/2."""
    found = nearest(sequence(BACK, None, other_orders=False))
    assert (found.met, found.bend) == ("die", 2)
    assert found.clearance == pytest.approx((120 - R) - (R - D / 2) - D / 2, abs=NEAR)


def test_leg_that_lies_in_the_groove_of_the_next_die_touches_it() -> None:
    run = run_of((60, 0, 180), (50, 0, 30), last=150)
    found = nearest(sequence(run, None, other_orders=False))
    assert (found.met, found.clearance) == ("die", 0.0)


@pytest.mark.parametrize(("height", "rim", "half"), [(None, R - D / 2, D / 2), (60.0, R, 30.0)])
def test_die_as_high_as_it_is_stated(height: float | None, rim: float, half: float) -> None:
    """The same U rolled by 20°: its leg passes above the groove, or the flange, which reaches R."""
    roll = math.radians(20)
    run = replace(BACK, bends=(BACK.bends[0], replace(BACK.bends[1], rotation=roll)))
    die = Die("die", "Die", D, R, math.pi, height=height)
    # lifted out, it is not rolled past the die
    found = nearest(sequence(run, None, other_orders=False, dies=[None, die], turned=True))
    expected = math.hypot(120 * math.cos(roll) - R - rim, 120 * math.sin(roll) - half) - D / 2
    assert (found.met, found.bend) == ("die", 2)
    assert found.clearance == pytest.approx(expected, abs=NEAR)


def test_leg_that_is_swung_into_the_tube_behind() -> None:
    """Three right angles in a plane, then a fourth: the first leg comes back across the tube."""
    square = run_of((400, 0, 90), (100, 0, 90), (100, 0, 90), (100, 0, 90), last=400)
    answer = sequence(square, None, other_orders=False)
    found = nearest(answer)
    assert not answer.orders[0].free
    assert (found.met, found.movement, found.clearance) == ("tube_behind", "bend", 0.0)


@pytest.mark.parametrize(("last", "free"), [(0, True), (100, False)])
def test_tube_behind_is_drawn_in(last: float, *, free: bool) -> None:
    """The leg of a U comes to x = −75 when a right angle is done; a tube whose arc of 70.7 is all
    that lies behind is drawn in by then.
    """
    run = Run((Bend(300, 0, math.pi, 60.0), Bend(50, 0, math.pi / 2, R)), last)
    answer = sequence(run, None, other_orders=False)
    assert (answer.free is not None) == free
    assert nearest(answer).met == "tube_behind"


# --- orders --------------------------------------------------------------------------------------

# a long leg that hangs down when the work is begun at its end, and a short one at the other end
LONG_AND_SHORT = run_of((400, 0, 90), (100, -90, 90), last=120)


def test_the_other_end_first_is_tried_and_told() -> None:
    answer = sequence(LONG_AND_SHORT, BENCH)
    assert [order.kind for order in answer.orders] == ["end_1_first", "end_2_first"]
    assert [order.free for order in answer.orders] == [False, True]
    assert answer.orders[1].bends == (2, 1)
    assert answer.free is answer.orders[1]
    assert nearest(answer, 1).clearance == pytest.approx(300 - (R + 120) - D / 2, abs=NEAR)
    # the end of the tube that is nearest is end 2
    length = 400 + 100 + 120 + R * math.pi
    assert nearest(answer, 1).position == pytest.approx(length, abs=0.1)
    assert nearest(answer, 1).part == 4


def test_the_end_that_work_proceeds_from_is_tried_first() -> None:
    answer = sequence(LONG_AND_SHORT, BENCH, work_from="end_2")
    assert [order.kind for order in answer.orders] == ["end_2_first"]
    only = sequence(LONG_AND_SHORT, BENCH, other_orders=False)
    assert (len(only.orders), only.free) == (1, None)


def test_both_ends_long_can_be_begun_in_the_middle_where_the_tube_may_be_turned() -> None:
    """A leg of 400 hangs down at the slight bend in the middle, whichever end comes first.

    Begun with the slight bend, what hangs down later is (400 + 70.7 + 100)·sin 20° at most.
    """
    run = run_of((400, 0, 90), (100, -90, 20), (100, -90, 90), last=400)
    fixed = sequence(run, BENCH)
    assert [order.free for order in fixed.orders] == [False, False]
    assert {nearest(fixed, order).bend for order in (0, 1)} == {2}
    turned = sequence(run, BENCH, turned=True)
    assert [order.free for order in turned.orders] == [False, False, True]
    middle = turned.orders[2]
    assert middle.kind == "from_the_middle"
    assert (middle.bends, middle.turned_before) == ((2, 3, 1), 3)
    assert turned.free is middle
    hanging = math.sin(math.radians(20)) * (400 + R * math.pi / 2 + 100)
    assert nearest(turned, 2).clearance == pytest.approx(
        300 - hanging - R * (1 - math.cos(math.radians(20))) - D / 2, abs=NEAR
    )


@pytest.mark.parametrize("seed", range(12))
def test_shortcuts_rule_out_just_the_starts_in_the_middle_that_touch(seed: int) -> None:
    """What is known of the orders from both ends saves looks; one by one they are the same."""
    run, around = seeded_run(seed), Surroundings(bench_below=170 + 15 * seed)
    job = _Job(run, D, bender(around, turned=True), None, None, Ends())
    ends: tuple[tuple[End, OrderKind], ...] = (("end_1", "end_1_first"), ("end_2", "end_2_first"))
    whole = {end: _judged(job, kind, [_Phase(end, 0, 0)]) for end, kind in ends}
    struck = {end: order.nearest for end, order in whole.items() if order.nearest is not None}
    if any(order.free for order in whole.values()):
        return
    starts = [_Start(end, begin) for begin in range(1, job.count) for end, _ in ends]
    touching = _touching_in_the_middle(job, starts, struck)
    for start in starts:
        other: End = "end_2" if start.end == "end_1" else "end_1"
        phases = [
            _Phase(start.end, start.begin, start.begin),
            _Phase(other, 0, job.count - start.begin),
        ]
        assert _judged(job, "from_the_middle", phases).free == (start not in touching)


def seeded_run(seed: int) -> Run:
    """Long legs at both ends and slight bends between."""
    source = random.Random(seed)
    angles = [90, source.uniform(5, 40), source.uniform(5, 40), 90]
    rows = [
        (source.uniform(50, 120), source.choice([-90, -90, -60, 60]) if i else 0, angle)
        for i, angle in enumerate(angles)
    ]
    rows[0] = (source.uniform(200, 400), *rows[0][1:])
    return run_of(*rows, last=source.uniform(200, 400))


def test_the_seeds_hold_starts_in_the_middle_of_both_kinds() -> None:
    """Else the test above could pass without looking at any."""
    found = set()
    for seed in range(12):
        around = Surroundings(bench_below=170 + 15 * seed)
        orders = sequence(seeded_run(seed), around, turned=True).orders
        found |= {order.free for order in orders if order.kind == "from_the_middle"}
    assert found == {True, False}


def test_a_single_bend_has_no_middle() -> None:
    blocked = Surroundings(boxes=(BoxBody("wall", (-900, 60, -50), (900, 90, 50)),))
    answer = sequence(run_of((300, 0, 90), last=300), blocked, turned=True)
    assert [order.free for order in answer.orders] == [False, False]
    assert answer.free is None


def test_run_from_end_2_is_the_reversed_run_from_end_1() -> None:
    there = sequence(LONG_AND_SHORT, BENCH, work_from="end_2", other_orders=False)
    back = sequence(reverse(LONG_AND_SHORT), BENCH, other_orders=False)
    assert nearest(there).clearance == pytest.approx(nearest(back).clearance, abs=1e-9)


def test_orders_left_out_are_counted() -> None:
    """A wall that the very first swing meets, whichever it is: all starts are blocked."""
    wall = Surroundings(boxes=(BoxBody("wall", (-900, 30, -50), (900, 60, 50)),))
    run = run_of(*[(200, 0 if i == 0 else 90, 90) for i in range(12)], last=200)
    answer = sequence(run, wall, turned=True)
    assert answer.free is None
    assert len(answer.orders) + answer.not_tried == 2 + 2 * 11


# --- what is given with it -----------------------------------------------------------------------


def test_allowance_lengthens_the_leg() -> None:
    ends = Ends(end_1=(Allowance("flare", 20.0),))
    longer = nearest(sequence(HANGING, BENCH, ends=ends))
    assert longer.clearance == pytest.approx(300 - (R + 220) - D / 2, abs=NEAR)
    assert longer.position == pytest.approx(-20.0, abs=0.1)


def test_leg_is_swung_as_far_as_it_is_cranked() -> None:
    """A wall at x = 30 behind which the leg of a 90° bend (x = R − D/2) just stays, not at 95°."""
    wall = Surroundings(boxes=(BoxBody("wall", (-50, 100, -50), (30, 400, 50)),))
    run = run_of((300, 0, 90), last=100)
    assert sequence(run, wall, other_orders=False).free is not None
    over = sequence(run, wall, other_orders=False, set_angles=[math.radians(95)])
    assert over.free is None


def test_a_die_tells_how_much_its_clamp_holds() -> None:
    """A body beside the clamp: the tube within the clamp never counts, what sticks out does."""
    body = Surroundings(boxes=(BoxBody("jaw", (20, -R - 20, 5), (35, -R + 20, 30)),))
    run = run_of((300, 0, 10), last=100)
    short, long = (Die("die", "Die", D, R, math.pi, clamp_length=c) for c in (10.0, 60.0))
    assert sequence(run, body, other_orders=False, dies=[short]).free is None
    assert sequence(run, body, other_orders=False, dies=[long]).free is not None


def test_a_bender_that_states_nothing_is_told() -> None:
    assert not sequence(HANGING, None).surroundings_stated
    assert sequence(HANGING, BENCH).surroundings_stated


def test_straight_tube_has_no_order() -> None:
    answer = sequence(Run((), 500.0), BENCH)
    assert (answer.orders, answer.free) == ((), None)


def test_radius_within_the_tube_is_refused() -> None:
    with pytest.raises(OutOfRangeError):
        sequence(run_of((100, 0, 90), last=100, radius=7.0), BENCH)


def test_nothing_near_is_told_as_nothing() -> None:
    assert sequence(HANGING, Surroundings(bench_below=2000)).orders[0].nearest is None
