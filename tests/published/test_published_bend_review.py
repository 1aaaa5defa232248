"""Where a review changes its verdict, against published limits, trigonometry and a CAD kernel.

Sources: ASME B31.3 304.1.2 (3a), 304.2.1 (3c) to (3e) and ASME B31.1 Table 102.4.5 as restated in
public texts; Indian Boiler Regulations, regulation 361(b); offsets as any trade or trigonometry
text works them; Open CASCADE (least distance of a curve and a solid), rotations by scipy.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from bend_review_bench import BENCH, case, case_of_vertices, table
from oracles import require_kernel
from oracles.polyline import integrate
from oracles.random_runs import random_runs, rows
from scipy.spatial.transform import Rotation

from service.calc.bend_review import bend_review
from service.calc.bend_rules import Check, NearbyPart, PressureDemand, QualityDemand, ReviewCase
from service.calc.bend_wall import MeasuredBend
from service.calc.drawn_run import drawn_from_vertices, run_with_radii
from service.calc.obstacle_clearance import box_between
from service.calc.pressure_rating import Stress
from service.calc.run_geometry import Vector, placement
from service.reference import wall_allowance


def check(reviewed: ReviewCase, rule: str, **place: int) -> Check:
    found = [c for c in bend_review(reviewed).checks if c.rule == rule]
    return next(c for c in found if all(getattr(c, k) == v for k, v in place.items()))


# --- offsets -------------------------------------------------------------------------------------


@pytest.mark.parametrize("degrees", [22.5, 30.0, 45.0, 60.0, 90.0])
def test_the_least_offset_of_two_equal_bends(degrees: float) -> None:
    """H_min = 2R(1 − cos θ): there the straight between the bends is used up."""
    angle, radius = math.radians(degrees), 60.0
    least = 2 * radius * (1 - math.cos(angle))
    for height, severity in ((least + 1e-6, "ok"), (least - 1e-6, "blocks")):
        run = height / math.tan(angle)
        points: list[Vector] = [
            (0, 0, 0),
            (300, 0, 0),
            (300 + run, height, 0),
            (700 + run, height, 0),
        ]
        leg = check(case_of_vertices(points, radius), "leg_for_set_backs", straight=2)
        assert leg.severity == severity
        assert leg.value is not None
        assert leg.value.value == pytest.approx(height / math.sin(angle), abs=1e-9)


def test_the_straight_of_a_worked_offset() -> None:
    """H = 100, θ = 30°, R = 45: straight H/sin θ − 2R·tan(θ/2) = 175.884573."""
    points: list[Vector] = [
        (0, 0, 0),
        (300, 0, 0),
        (300 + 173.205081, 100, 0),
        (900, 100, 0),
    ]
    straight = check(case_of_vertices(points, 45.0), "straight_for_clamp")
    assert straight.value is not None
    assert straight.value.value == pytest.approx(175.884573, abs=1e-6)


# --- standards -----------------------------------------------------------------------------------


def test_the_pressure_at_which_a_bend_blocks() -> None:
    """(3c) P = 2(S/I)t/(D − 2Yt) on the outside, t by constant volume, I by (3e), Y = 0.4."""
    outside, radius, stress = 20.0, 60.0, 340.0 / 4
    wall = 2.0 * radius / (radius + 9.0)
    factor = (4 * radius / outside + 1) / (4 * radius / outside + 2)
    rated = 2 * stress / factor * wall / (outside - 0.8 * wall)
    assert rated == pytest.approx(17.109993, abs=1e-6)
    for pressure, severity in ((rated * (1 - 1e-7), "ok"), (rated * (1 + 1e-7), "blocks")):
        demand = QualityDemand(pressure=PressureDemand(pressure, Stress(design_factor=4.0)))
        reviewed = case(table((200, 90), last=300), quality=demand)
        assert check(reviewed, "pressure", bend=1).severity == severity


def test_the_pressure_at_which_the_straight_tube_blocks() -> None:
    """(3a) P = 2St/(D − 2Yt) = 2·85·2/(20 − 1.6) = 18.478261 MPa."""
    for pressure, severity in ((18.47826, "ok"), (18.47827, "blocks")):
        demand = QualityDemand(pressure=PressureDemand(pressure, Stress(design_factor=4.0)))
        reviewed = case(table((200, 90), last=300), quality=demand)
        found = next(c for c in bend_review(reviewed).checks if c.rule == "pressure")
        assert (found.bend, found.severity) == (None, severity)


@pytest.mark.parametrize(("spread", "severity"), [(1.333, "ok"), (1.334, "blocks")])
def test_the_ovality_of_the_boiler_regulations(spread: float, severity: str) -> None:
    """361(b): 100(Dmax − Dmin)/D ≤ 20·D/R; D = 20, R = 60: 6.667 %, 1.3333 mm."""
    gauged = MeasuredBend(1, largest_diameter=20.0 + spread / 2, least_diameter=20.0 - spread / 2)
    demand = QualityDemand(measured=(gauged,), standards=("ibr-361",))
    reviewed = case(table((200, 90), last=300), quality=demand)
    assert check(reviewed, "ovality").severity == severity


@pytest.mark.parametrize(("required", "severity"), [(1.6, "ok"), (1.601, "blocks")])
def test_the_wall_before_bending_of_the_power_piping_table(required: float, severity: str) -> None:
    """Table 102.4.5: at 3 D the wall before bending is 1.25 t_m; 2 mm are good for 1.6 mm."""
    demand = QualityDemand(
        required_wall=required, standards=("asme-b31-1",), wall_table=wall_allowance()
    )
    reviewed = case(table((200, 90), last=300), quality=demand)
    assert check(reviewed, "wall_for_pressure").severity == severity


# --- clearance to parts, in the frame of a drawing -----------------------------------------------

RUNS = [
    run
    for run in random_runs(60, seed=2024, most_bends=5, longest_straight=200.0)
    if run["bends"] and all(b["angle"] < 150 for b in run["bends"])
][:20]


@pytest.mark.kernel
@pytest.mark.parametrize("number", range(len(RUNS)))
def test_parts_lie_where_the_drawing_has_them(number: int) -> None:
    """The run is drawn turned and shifted; the kernel has it untouched and moves the box."""
    require_kernel()
    from oracles import kernel

    given = RUNS[number]
    source = np.random.default_rng(number)
    spin, shift = Rotation.random(rng=source), source.uniform(-500, 500, 3)
    corners = _corners(given)
    points = [_vector(p) for p in spin.apply(corners) + shift]
    low = _vector(points[len(points) // 2] + source.uniform(-150, 50, 3))
    high = _vector(np.array(low) + source.uniform(5, 100, 3))

    solid = box_between(low, high)
    drawn = drawn_from_vertices(points, [b["radius"] for b in given["bends"]])
    run = run_with_radii(drawn, drawn.radii)
    reviewed = case(run, drawn=drawn, place=placement(points), parts=(NearbyPart("", solid),))
    found = check(reviewed, "clearance_to_parts")

    centre = spin.inv().apply((np.array(low) + np.array(high)) / 2 - shift)
    box = kernel.box(centre, spin.inv().as_matrix().T, (np.array(high) - np.array(low)) / 2)
    wire = kernel.run_wire(rows(given), given["last_straight"]).wire
    distance, *_ = kernel.distance(wire, box)
    assert found.value is not None
    assert found.value.value + BENCH.dies[0].tube_outside_diameter / 2 == pytest.approx(
        distance, abs=1e-6
    )


def _corners(given: Any) -> Any:
    """End 1, intersection points and end 2 from the integrated centre line."""
    line = integrate(rows(given), given["last_straight"])
    backs = [b["radius"] * math.tan(math.radians(b["angle"]) / 2) for b in given["bends"]]
    inner = [
        place.start + back * place.start_direction
        for place, back in zip(line.bends, backs, strict=True)
    ]
    return np.array([np.zeros(3), *inner, line.end_point])


def _vector(point: Any) -> Vector:
    return (float(point[0]), float(point[1]), float(point[2]))
