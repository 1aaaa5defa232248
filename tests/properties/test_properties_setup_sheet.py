"""A fitter who follows the sheet at a simulated bender gets the part that was drawn.

The bender is simulated by what it does to the tube, in its own frame and by scipy's rotations: the
tube is pushed forward, rolled as told, and wrapped round the die, always towards the same side.
What was drawn is integrated from the definition of a bend table by the oracle. Both are laid on
each other by a rigid motion without reflection: a roll the wrong way round gives the mirror image,
and a mark or an angle that is off gives another part.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from model_runs import run_of_table
from numpy.typing import NDArray
from oracles.polyline import integrate
from oracles.random_runs import random_runs, rows, run_of
from scipy.spatial.transform import Rotation

from service.calc.mandrel_criterion import limits_in_force
from service.calc.mark_layout import Springback
from service.calc.setup_sheet import (
    Direction,
    Machine,
    MandrelAtHand,
    SetupSheet,
    Work,
    roll_direction,
    setup_sheet,
)
from service.model import Bender, Die, End, MandrelLimits, Run, Tube

Points = NDArray[np.float64]
TUBE = Tube(10.0, 1.0)
BENDER = Bender("b", "", 1.0, 200.0, math.radians(350), (), longest_tube=None)
SEEN_CLOCKWISE = {"none": 0.0, "clockwise": 1.0, "anticlockwise": -1.0, "half_turn": 1.0}


def sheet_of(run: Run, work: Work, offset: float = 0.0) -> SetupSheet:
    radii = sorted({bend.radius for bend in run.bends})
    dies = [Die(f"r{r:g}", "", 10.0, r, math.radians(350), mark_offset=offset) for r in radii]
    mandrel = MandrelAtHand(limits_in_force(MandrelLimits()))
    return setup_sheet(run, TUBE, Machine(BENDER, dies), mandrel, work=work)


def turned(points: Points, axis: tuple[float, float, float], angle: float) -> Points:
    spin: Any = Rotation.from_rotvec(angle * np.array(axis))
    return np.asarray(spin.apply(points))


def bent(sheet: SetupSheet, end_of_tube: float, offset: float) -> Points:
    """Tangent points and both ends after all steps; travel from the front to the rear is +x.

    The zero mark of the die stands at x = offset, the start of bend at 0, the die at +y. One who
    stands at the rear end looks along −x, so that clockwise is a turn by the right hand about −x.
    """
    formed, fed = np.zeros((1, 3)), 0.0  # the cut end, at the start of bend
    radius_of = {die.id: die.radius for die in sheet.dies}
    for row in sheet.bends:
        push = row.marks.zero_mark.exact - offset - fed
        formed = formed - [push, 0.0, 0.0]
        roll = abs(row.marks.rotation.angle) * SEEN_CLOCKWISE[row.roll_direction]
        formed = turned(formed, (-1.0, 0.0, 0.0), roll)
        radius = radius_of[row.die or ""]
        centre, angle = np.array([0.0, radius, 0.0]), row.gauge.angle
        # wrapped round the die, the front goes on towards −x and round towards the die
        formed = np.vstack([formed, np.zeros(3)])  # start of bend
        formed = turned(formed - centre, (0.0, 0.0, -1.0), angle) + centre
        formed = np.vstack([formed, np.zeros(3)])  # end of bend
        fed = row.marks.zero_mark.exact - offset + radius * angle
    return np.vstack([formed, [end_of_tube - fed, 0.0, 0.0]])


def drawn(table: Any, measured_from: End) -> Points:
    line = integrate(rows(table), table["last_straight"])
    points = [np.zeros(3)]
    for bend in line.bends:
        points += [bend.start, bend.end]
    found = np.array([*points, line.end_point])
    return found if measured_from == "end_1" else found[::-1]


def misfit(one: Points, other: Points) -> float:
    """Largest distance after the best rigid motion without reflection, mm."""
    a, b = one - one.mean(axis=0), other - other.mean(axis=0)
    fitted: Any = Rotation.align_vectors(a, b)[0]
    return float(np.linalg.norm(a - fitted.apply(b), axis=1).max())


TABLES = [*random_runs(16, 20), *(run_of(bends, 7 + bends) for bends in (3, 5, 8))]


@pytest.mark.filterwarnings("ignore:Optimal rotation is not uniquely:UserWarning")
@pytest.mark.parametrize("measured_from", ["end_1", "end_2"])
@pytest.mark.parametrize("offset", [0.0, 3.5])
@pytest.mark.parametrize("table", TABLES)
def test_the_sheet_makes_the_part(table: Any, measured_from: End, offset: float) -> None:
    run = run_of_table(table)
    sheet = sheet_of(run, Work(measured_from), offset)
    made = bent(sheet, sheet.cut_length.exact, offset)
    assert misfit(made, drawn(table, measured_from)) < 1e-6


def test_a_roll_the_wrong_way_makes_the_mirror_image() -> None:
    # the check above would be worth nothing if it could not tell the two apart
    table = next(t for t in TABLES if len(t["bends"]) > 3)
    sheet = sheet_of(run_of_table(table), Work())
    other: dict[Direction, Direction] = {
        "clockwise": "anticlockwise",
        "anticlockwise": "clockwise",
    }
    wrong = [
        row._replace(roll_direction=other.get(row.roll_direction, row.roll_direction))
        for row in sheet.bends
    ]
    made = bent(replace(sheet, bends=tuple(wrong)), sheet.cut_length.exact, 0.0)
    assert misfit(made, drawn(table, "end_1")) > 1.0


@pytest.mark.parametrize(
    ("degrees", "direction"),
    [
        (0.0, "none"),
        (1e-3, "clockwise"),
        (179.999, "clockwise"),
        (180.0, "half_turn"),
        (-179.999, "anticlockwise"),
        (-1e-3, "anticlockwise"),
    ],
)
def test_direction_of_roll(degrees: float, direction: str) -> None:
    assert roll_direction(math.radians(degrees)) == direction


@pytest.mark.parametrize("table", TABLES[:12])
def test_crank_leaves_the_angle_once_the_tube_has_sprung_back(table: Any) -> None:
    law = Springback(math.radians(0.7), 0.02)
    sheet = sheet_of(run_of_table(table), Work(springback=(law,)))
    for row in sheet.bends:
        cranked = row.marks.crank.exact
        sprung = law.constant + law.proportional * cranked
        assert cranked - sprung == pytest.approx(row.gauge.angle)
        assert row.springback_known


@pytest.mark.parametrize("table", TABLES[:12])
def test_legs_are_the_distances_between_the_vertices(table: Any) -> None:
    run = run_of_table(table)
    sheet = sheet_of(run, Work())
    if any(row.gauge.leg is None for row in sheet.bends):
        return  # a bend of 180° has no vertex
    line = integrate(rows(table), table["last_straight"])
    before = np.zeros(3)
    for row, bend, places in zip(sheet.bends, run.bends, line.bends, strict=True):
        middle, chord = np.asarray(places.middle), (places.start + places.end) / 2
        # the apex lies beyond the middle of the arc, R/cos(θ/2) from its centre
        outward = (middle - chord) / np.linalg.norm(middle - chord)
        apex = middle + outward * bend.radius * (1 / math.cos(bend.angle / 2) - 1)
        assert row.gauge.leg == pytest.approx(float(np.linalg.norm(apex - before)), abs=1e-6)
        before = apex
