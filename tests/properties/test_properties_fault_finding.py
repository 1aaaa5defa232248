"""Parts spoilt on purpose: what was done to them must come out on top.

A fitter who makes one known mistake is played through: marks and cut by the mistaken rule, then the
tube is bent at those marks in space, and the legs are measured from the lines of its straights. No
formula of the service is used for that.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from service import reference, reference_bench
from service.calc.bend_order import BendToMake, bends_of_run
from service.calc.developed_length import Allowance, Ends
from service.calc.fault_case import FaultCase, MeasuredLeg, Measures, Reading, SetUp
from service.calc.fault_finding import FaultFinding, find_fault
from service.calc.mandrel_criterion import limits_in_force
from service.calc.mark_layout import Springback
from service.calc.run_geometry import reverse
from service.model import Bend, Die, Run, Tube
from service.model_bench import Symptom

Vector = NDArray[np.float64]
SEEDS = range(50)
LIMITS = limits_in_force(reference.demo_shop().mandrel_limits)


@dataclass(frozen=True)
class Scene:
    """A run, its tube, and the springback law of the shop."""

    run: Run
    tube: Tube
    law: Springback


def scene(seed: int) -> Scene:
    """A run of one to five bends; angles and springback large enough for a rule to show them."""
    source = random.Random(seed)
    od = source.choice([8.0, 10.0, 12.0, 15.0, 16.0, 20.0, 25.0, 38.0])
    radius = round(od * source.uniform(2.0, 4.5), 1)
    bends = [
        Bend(
            straight=source.uniform(2 * od, 400.0),
            rotation=0.0 if number == 0 else math.radians(source.uniform(-179.0, 179.0)),
            angle=math.radians(source.uniform(50.0, 150.0)),
            radius=radius,
        )
        for number in range(source.randint(1, 5))
    ]
    law = Springback(math.radians(source.uniform(1.5, 3.0)), source.uniform(0.01, 0.04))
    run = Run(tuple(bends), source.uniform(2 * od, 400.0))
    return Scene(run, Tube(od, od / 10), law)


# --- the fitter, and the tube in space -----------------------------------------------------------


def marks_and_cut(
    legs: Sequence[float],
    bends: Sequence[Bend],
    gain_left_in: int | None,
    longer_arcs: Scene | None,
) -> tuple[list[float], float]:
    """Start marks and cut length, laid out over the drawn legs.

    ``gain_left_in`` names a bend (from 0) whose gain is not taken off; ``longer_arcs`` lays the
    arcs out with the angles cranked to.
    """
    along, starts = 0.0, []
    for number, (leg, bend) in enumerate(zip(legs, bends, strict=False)):
        reach = bend.radius * math.tan(bend.angle / 2)
        starts.append(along + leg - reach)
        arc = bend.radius * bend.angle
        if longer_arcs is not None:
            law = longer_arcs.law
            arc = bend.radius * (bend.angle + law.constant) / (1 - law.proportional)
        along += leg if number == gain_left_in else leg - 2 * reach + arc
    return starts, along + legs[-1]


def bent(starts: Sequence[float], cut: float, bends: Sequence[Bend]) -> list[float]:
    """Legs of the tube bent at ``starts``, measured between the crossings of its straights, mm."""
    point, travel = np.zeros(3), np.array([1.0, 0.0, 0.0])
    normal, used, lines, ends = np.array([0.0, 0.0, 1.0]), 0.0, [], [np.zeros(3)]
    for start, bend in zip(starts, bends, strict=True):
        point = point + (start - used) * travel
        normal = turned(normal, travel, bend.rotation)
        lines.append((point, travel))
        centre = point + bend.radius * np.cross(normal, travel)
        travel = turned(travel, normal, bend.angle)
        point = centre - bend.radius * np.cross(normal, travel)
        used = start + bend.radius * bend.angle
        ends.append(crossing(*lines[-1], point, travel))
    ends.append(point + (cut - used) * travel)
    return [float(np.linalg.norm(b - a)) for a, b in pairwise(ends)]


def turned(direction: Vector, axis: Vector, angle: float) -> Vector:
    """Rodrigues' rotation."""
    c, s = math.cos(angle), math.sin(angle)
    made: Vector = (
        c * direction + s * np.cross(axis, direction) + (1 - c) * float(axis @ direction) * axis
    )
    return made


def crossing(p: Vector, u: Vector, q: Vector, v: Vector) -> Vector:
    """Where two straights that lie in one plane cross."""
    reach, *_ = np.linalg.lstsq(np.stack([u, -v], axis=1), q - p, rcond=None)
    made: Vector = p + reach[0] * u
    return made


def drawn_legs(run: Run) -> list[float]:
    """Legs of the run as drawn, from the run bent without any mistake."""
    along, starts = 0.0, []
    for bend in run.bends:
        along += bend.straight
        starts.append(along)
        along += bend.radius * bend.angle
    return bent(starts, along + run.last_straight, run.bends)


# --- asking --------------------------------------------------------------------------------------


def asked(
    given: Scene, legs: Sequence[MeasuredLeg], symptom: Symptom, **more: object
) -> FaultFinding:
    case = FaultCase(
        symptom=symptom,
        tube=given.tube,
        mandrel_limits=LIMITS,
        bends=bends_of_run(given.run, given.tube),
        run=given.run,
        laws=(given.law,),
        measured=Measures(legs=tuple(legs)),
    )
    case = replace(case, **more)  # type: ignore[arg-type]
    return find_fault(case, reference_bench.faults().suspects(symptom))


def on_top(found: FaultFinding, cause: str) -> None:
    """The cause is first; whatever shares its rank says so and lies within the reading."""
    first = found.causes[0]
    assert first.cause.id == cause, [(c.cause.id, c.score, c.residual) for c in found.causes[:4]]
    assert first.rank == 1
    assert first.state == "supported"
    beside = [one for one in found.causes if one.rank == 1]
    assert all(one.tied for one in beside) == (len(beside) > 1)
    assert all(one.residual is not None and one.residual <= 0.5 for one in beside)


def named(off: float) -> Symptom:
    return "leg_too_long" if off > 0 else "leg_too_short"


def spoilt(seed: int, kind: str) -> tuple[Scene, int, list[float], list[float]]:
    """A scene, the number of its wrong leg, its legs as drawn and as made."""
    given, source = scene(seed), random.Random(1000 + seed)
    legs, bends = drawn_legs(given.run), given.run.bends
    bend = source.randrange(len(bends))
    if kind == "set_back":
        starts, cut = marks_and_cut(legs, bends, None, None)
        starts[bend] += math.tan(bends[bend].angle / 2) * bends[bend].radius
        return given, bend + 1, legs, bent(starts, cut, bends)
    left_in = bend if kind == "gain" else None
    starts, cut = marks_and_cut(legs, bends, left_in, given if kind == "springback" else None)
    return given, bend + 2, legs, bent(starts, cut, bends)


CAUSES = {
    "gain": "leg_off_by_gain",
    "set_back": "leg_off_by_set_back",
    "springback": "leg_off_by_springback",
}


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kind", CAUSES)
def test_a_leg_wrong_by_exactly_one_amount_is_diagnosed(kind: str, seed: int) -> None:
    given, leg, drawn, made = spoilt(seed, kind)
    off = made[leg - 1] - drawn[leg - 1]
    found = asked(given, [MeasuredLeg(leg, made[leg - 1])], named(off))
    assert found.leg_deviation == pytest.approx(off, abs=1e-6)
    on_top(found, CAUSES[kind])


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kind", CAUSES)
def test_it_is_diagnosed_among_everything_else_that_could_be_known(kind: str, seed: int) -> None:
    given, leg, drawn, made = spoilt(seed, kind)
    off = made[leg - 1] - drawn[leg - 1]
    bend = given.run.bends[0]
    found = asked(
        given,
        [MeasuredLeg(leg, made[leg - 1])],
        named(off),
        number=min(leg, len(given.run.bends)),
        die=Die(
            "d", "", given.tube.outside_diameter, bend.radius, 4.0, mark_offset=3.0, stretch=0.02
        ),
        ends=Ends((Allowance("flare", 4.0),), (Allowance("insertion", 9.0),), 6.0),
    )
    on_top(found, CAUSES[kind])
    assert {"/die", "/ends", "/springback"}.isdisjoint(one.pointer for one in found.missing)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kind", CAUSES)
def test_a_leg_short_by_exactly_one_amount_is_diagnosed(kind: str, seed: int) -> None:
    given, leg, drawn, made = spoilt(seed, kind)
    off = drawn[leg - 1] - made[leg - 1]
    one = MeasuredLeg(leg, drawn[leg - 1] + off)
    if one.measured > 0:
        on_top(asked(given, [one], named(off)), CAUSES[kind])


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kind", CAUSES)
def test_read_off_a_rule_the_cause_still_shares_the_first_rank(kind: str, seed: int) -> None:
    given, leg, drawn, made = spoilt(seed, kind)
    off = made[leg - 1] - drawn[leg - 1]
    read = round(2 * made[leg - 1]) / 2
    found = asked(given, [MeasuredLeg(leg, read)], named(off))
    assert CAUSES[kind] in {one.cause.id for one in found.causes if one.rank == 1}


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kind", ["gain", "springback"])
def test_every_leg_measured_leaves_the_cause_with_all_of_its_score(kind: str, seed: int) -> None:
    given, leg, drawn, made = spoilt(seed, kind)
    order = [leg, *(n for n in range(1, len(made) + 1) if n != leg)]
    legs = [MeasuredLeg(n, made[n - 1]) for n in order]
    found = asked(given, legs, named(made[leg - 1] - drawn[leg - 1]))
    on_top(found, CAUSES[kind])
    assert found.causes[0].score == 5
    assert found.telling_legs == ()


@pytest.mark.parametrize("seed", SEEDS)
def test_a_single_bend_needs_no_run(seed: int) -> None:
    given = scene(seed)
    bend = given.run.bends[0]
    reach = bend.radius * math.tan(bend.angle / 2)
    legs = (MeasuredLeg(1, 300.0 + reach, 300.0),)
    single = (BendToMake(1, bend.radius, bend.angle),)
    found = asked(given, legs, "leg_too_long", run=None, bends=single)
    on_top(found, "leg_off_by_set_back")


@pytest.mark.parametrize("seed", SEEDS)
def test_an_angle_short_by_exactly_one_springback_is_diagnosed(seed: int) -> None:
    given = scene(seed)
    bend, law = given.run.bends[-1], given.law
    number = len(given.run.bends)
    # cranked to the finished angle, it springs back by constant + proportional × that angle
    made = bend.angle - (law.constant + law.proportional * bend.angle)
    for set_up in (SetUp(), SetUp(angle=bend.angle)):
        found = asked(
            given, (), "angle_short", number=number, measured=Measures(angle=made), set_up=set_up
        )
        assert found.causes[0].cause.id == "springback_left_out"
        assert found.causes[0].rank == 1


# --- properties ----------------------------------------------------------------------------------


def outline(found: FaultFinding) -> list[tuple[str, int, int]]:
    return [(one.cause.id, one.rank, one.score) for one in found.causes]


@given(st.integers(0, 10_000), st.floats(-60, 60))
@settings(max_examples=60, deadline=None)
def test_work_from_end_2_is_the_reversed_run_from_end_1(seed: int, off: float) -> None:
    given = scene(seed)
    count, drawn = len(given.run.bends), drawn_legs(given.run)
    leg = 1 + seed % (count + 1)
    turned_round = replace(given, run=reverse(given.run))
    one = MeasuredLeg(leg, drawn[leg - 1] + off)
    other = MeasuredLeg(count + 2 - leg, drawn[leg - 1] + off)
    from_2 = asked(given, [one], named(off), measured_from="end_2")
    from_1 = asked(turned_round, [other], named(off))
    assert outline(from_2) == outline(from_1)
    assert from_2.leg == leg


@given(st.integers(0, 10_000), st.floats(-60, 60), st.sampled_from([0.1, 1 / 2.54, 7.0]))
@settings(max_examples=60, deadline=None)
def test_a_part_scaled_with_its_reading_has_the_same_causes(
    seed: int, off: float, scale: float
) -> None:
    given = scene(seed)
    drawn, leg = drawn_legs(given.run), 1 + seed % (len(given.run.bends) + 1)
    bends = [
        replace(b, straight=b.straight * scale, radius=b.radius * scale) for b in given.run.bends
    ]
    small = Scene(
        Run(tuple(bends), given.run.last_straight * scale),
        Tube(given.tube.outside_diameter * scale, given.tube.wall_thickness * scale),
        given.law,
    )
    large = asked(given, [MeasuredLeg(leg, drawn[leg - 1] + off)], named(off))
    other = asked(
        small,
        [MeasuredLeg(leg, (drawn[leg - 1] + off) * scale)],
        named(off),
        reading=Reading(0.5 * scale),
    )
    # the rule begun at a round mark is a length of its own and does not scale
    own = "leg_from_a_begun_rule"
    left = [(c, s) for c, _, s in outline(large) if c != own]
    assert sorted(left) == sorted((c, s) for c, _, s in outline(other) if c != own)


@given(st.integers(0, 10_000), st.floats(-200, 200), st.permutations(range(16)))
@settings(max_examples=60, deadline=None)
def test_rank_is_one_more_than_the_number_of_better_scores(
    seed: int, off: float, order: list[int]
) -> None:
    given = scene(seed)
    drawn = drawn_legs(given.run)
    legs = [MeasuredLeg(1, max(drawn[0] + off, 0.0))]
    symptom = named(legs[0].measured - drawn[0])
    found = asked(given, legs, symptom)
    scores = [one.score for one in found.causes]
    assert scores == sorted(scores, reverse=True)
    for one in found.causes:
        assert one.rank == 1 + sum(score > one.score for score in scores)
        assert one.tied == (scores.count(one.score) > 1)
        weights = {"supports": 1, "contradicts": -1, "silent": 0}
        assert one.score == sum(e.weight * weights[e.found.speaks] for e in one.evidence)
    # the order of the suspects decides nothing but the order among equals
    suspects = reference_bench.faults().suspects(symptom)
    case = FaultCase(
        symptom=symptom,
        tube=given.tube,
        mandrel_limits=LIMITS,
        bends=bends_of_run(given.run, given.tube),
        run=given.run,
        laws=(given.law,),
        measured=Measures(legs=tuple(legs)),
    )
    shuffled = find_fault(case, [suspects[index] for index in order])
    assert sorted(outline(shuffled)) == sorted(outline(found))
