"""Tape readings against points of the tube's own surface, and the handbook's right-angle cases.

The surface is built here from the tube's definition: circles of diameter D square to the centre
line, walked by tests/oracles/polyline.py. A reading is then what a square or a straight-edge would
touch of those points; nothing of the service's formulas is used.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from model_runs import plane_run
from numpy.typing import NDArray

from service.calc.tape_measurements import (
    Taken,
    TapedBend,
    beyond_tangent,
    run_from_tape,
    tape_measurements,
)
from service.errors import GeometryError, MissingError, NoMethodError
from service.model import Bend, Run, Tube

Array = NDArray[np.float64]
DEGREE = math.pi / 180
TUBE = Tube(15.0, 1.5)
# A piece of tube as long as any reading needs, before and after the bend.
LEG = 400.0


def outside_and_inside(degrees: float, radius: float, diameter: float) -> tuple[Array, Array]:
    """Outline of one bend in its plane, travel along +x towards +y: outer, inner line, (n, 2)."""
    angle = degrees * DEGREE
    turned = np.linspace(0, angle, 200_001)
    lines = []
    for reach in (radius + diameter / 2, radius - diameter / 2):
        arc = np.column_stack([reach * np.sin(turned), radius - reach * np.cos(turned)])
        ahead = np.array([math.cos(angle), math.sin(angle)])
        lines.append(np.vstack([arc[0] - [LEG, 0], arc, arc[-1] + LEG * ahead]))
    return lines[0], lines[1]


def corner(line: Array) -> float:
    """Where the straight parts at both ends of an outline meet, as distance along x."""
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = line[0], line[1], line[-2], line[-1]
    matrix = np.array([[x1 - x0, x2 - x3], [y1 - y0, y2 - y3]])
    along, _ = np.linalg.solve(matrix, [x2 - x0, y2 - y0])
    return float(x0 + along * (x1 - x0))


@pytest.mark.parametrize("degrees", [10, 45, 89, 90, 120, 150])
@pytest.mark.parametrize("radius", [20.0, 45.0])
def test_corners_are_where_straight_edges_meet(degrees: float, radius: float) -> None:
    outer, inner = outside_and_inside(degrees, radius, 15.0)
    for taken, line in (("outside_corners", outer), ("inside_corners", inner)):
        found = beyond_tangent(taken, degrees * DEGREE, radius, 15.0)  # type: ignore[arg-type]
        assert found == pytest.approx(corner(line), abs=1e-9)


@pytest.mark.parametrize("degrees", [90, 91, 120, 180, 250, 270])
def test_outermost_is_the_furthest_point_of_the_surface(degrees: float) -> None:
    outer, inner = outside_and_inside(degrees, 45.0, 15.0)
    furthest = max(outer[:, 0].max(), inner[:, 0].max())
    found = beyond_tangent("outermost", degrees * DEGREE, 45.0, 15.0)
    assert found == pytest.approx(furthest, abs=1e-6)


@pytest.mark.parametrize("degrees", [30, 89.9, 270.1, 300])
def test_outermost_is_refused_where_the_leg_reaches_further(degrees: float) -> None:
    outer, inner = outside_and_inside(degrees, 45.0, 15.0)
    assert max(outer[-1, 0], inner[-1, 0]) > 45.0 + 7.5 - 1e-9 or degrees > 270
    assert beyond_tangent("outermost", degrees * DEGREE, 45.0, 15.0) is None


def test_right_angle_of_any_handbook() -> None:
    # end to outside of a square bend = leg + D/2 whichever way it is taken; U-bend over all 2R + D
    run = plane_run((100, 90, 45), (80, 90, 45), last=120)
    found = tape_measurements(run, TUBE)
    first, middle, last = found.legs
    assert first.vertices == pytest.approx(145)
    assert first.outside_corners == pytest.approx(152.5)
    assert first.outermost == pytest.approx(152.5)
    assert first.inside_corners == pytest.approx(137.5)
    assert middle.outside_corners == pytest.approx(80 + 90 + 15)
    assert middle.inside_corners == pytest.approx(80 + 90 - 15)
    assert last.vertices == pytest.approx(165)
    u_bend = tape_measurements(plane_run((100, 180, 45), last=100), TUBE).bends[0]
    assert (u_bend.over_legs, u_bend.between_legs) == pytest.approx((105, 0))
    assert tape_measurements(run, TUBE).bends[0].over_legs is None


TAKEN: list[Taken] = ["straight", "vertices", "outside_corners", "inside_corners", "outermost"]


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_there_and_back(data: st.DataObject) -> None:
    count = data.draw(st.integers(0, 5))
    number = st.floats(1, 500)
    bends = tuple(
        Bend(
            data.draw(number),
            data.draw(st.floats(-3, 3)) if i else 0.0,
            data.draw(st.floats(5, 175)) * DEGREE,
            data.draw(st.floats(10, 100)),
        )
        for i in range(count)
    )
    run = Run(bends, data.draw(number))
    legs = tape_measurements(run, TUBE).legs
    chosen = []
    for leg in legs:
        ways = [t for t in TAKEN if (getattr(leg, t) or -1.0) >= 0]
        way = data.draw(st.sampled_from(ways))
        chosen.append((float(getattr(leg, way)), way))
    taped = [
        TapedBend(*way, b.rotation, b.angle, b.radius)
        for way, b in zip(chosen, bends, strict=False)
    ]
    back = run_from_tape(taped, *chosen[-1], TUBE)
    assert [b.straight for b in back.bends] == pytest.approx([b.straight for b in bends], abs=1e-9)
    assert back.last_straight == pytest.approx(run.last_straight, abs=1e-9)


def test_u_bend_by_the_tape_over_its_legs() -> None:
    taped = [TapedBend(152.5, "outermost", 0.0, math.pi, None, 105.0)]
    run = run_from_tape(taped, 90.0, "straight", TUBE)
    assert run.bends[0].radius == pytest.approx(45)
    assert run.bends[0].straight == pytest.approx(100)


def test_refusals_each_side_of_their_limit() -> None:
    def taped(**change: object) -> list[TapedBend]:
        row = TapedBend(152.5, "outside_corners", 0.0, math.pi / 2, 45.0)
        return [row._replace(**change)]  # type: ignore[arg-type]

    none_left = run_from_tape(taped(length=52.5), 0.0, "straight", TUBE).bends[0].straight
    assert none_left == pytest.approx(0, abs=1e-12)
    with pytest.raises(GeometryError, match="leg_too_short at /run/taped_bends/0/length"):
        run_from_tape(taped(length=52.499), 0.0, "straight", TUBE)
    with pytest.raises(GeometryError, match="leg_too_short at /run/last_leg/length"):
        run_from_tape(taped(), 44.9, "vertices", TUBE)
    with pytest.raises(MissingError, match="radius_or_over_legs"):
        run_from_tape(taped(radius=None), 100.0, "straight", TUBE)
    with pytest.raises(MissingError, match="radius_or_over_legs"):
        run_from_tape(taped(over_legs=105.0), 100.0, "straight", TUBE)
    near = taped(radius=None, over_legs=105.0, angle=179.6 * DEGREE, taken="straight")
    assert run_from_tape(near, 100.0, "straight", TUBE).bends[0].radius == 45
    far = taped(radius=None, over_legs=105.0, angle=179.4 * DEGREE, taken="straight")
    with pytest.raises(NoMethodError, match="legs_not_parallel"):
        run_from_tape(far, 100.0, "straight", TUBE)
    with pytest.raises(NoMethodError, match="no_corner"):
        run_from_tape(taped(angle=math.pi), 100.0, "straight", TUBE)
    with pytest.raises(NoMethodError, match="no_outermost_point"):
        run_from_tape(taped(taken="outermost", angle=1.5), 100.0, "straight", TUBE)
