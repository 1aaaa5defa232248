"""Run geometry against figures from outside: trigonometry tables, a CAD kernel, IUPAC's sign rule.

Where a figure has no other name beside it, it is elementary trigonometry: any handbook's set-back,
arc and offset formulas, worked with a pocket calculator's digits; the run of five vertices was
built in the CAD kernel Open CASCADE, whose wire length agrees to nine digits.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from oracles import polyline, require_kernel
from oracles.random_runs import RunTable, random_runs, rows
from scipy.spatial.transform import Rotation

from service.calc import run_geometry as geometry
from service.errors import GeometryError
from service.model import Bend, Run

DRAWN: list[geometry.Vector] = [
    (0, 0, 0),
    (300, 0, 0),
    (450, 200, 0),
    (450, 350, 180),
    (700, 350, 300),
]
RADII = [45.0, 45.0, 45.0]
RUNS = random_runs(12, seed=4711, most_bends=5)


def run_of(table: RunTable) -> Run:
    bends = (
        Bend(s, math.radians(rotation), math.radians(angle), radius)
        for s, rotation, angle, radius in rows(table)
    )
    return Run(tuple(bends), table["last_straight"])


# --- set-back, arc, gain -------------------------------------------------------------------------


def test_set_back_arc_and_gain_of_a_bend_of_60_degrees() -> None:
    # 45·tan 30° = 45/√3; 45·π/3; elementary trigonometry
    angle = math.radians(60)
    assert geometry.set_back(45, angle) == pytest.approx(25.980762, abs=5e-7)
    assert Bend(0, 0, angle, 45).arc == pytest.approx(47.123890, abs=5e-7)
    assert geometry.gain(45, angle) == pytest.approx(4.8376344, abs=5e-8)


# Four-figure tables of tan(θ/2) and of the length of arc for radius 1, in any engineers' handbook
@pytest.mark.parametrize(
    ("degrees", "half_tangent", "arc"),
    [
        (15, 0.1317, 0.2618),
        (30, 0.2679, 0.5236),
        (45, 0.4142, 0.7854),
        (90, 1.0000, 1.5708),
        (120, 1.7321, 2.0944),
        (150, 3.7321, 2.6180),
    ],
)
def test_set_back_and_arc_of_unit_radius(degrees: float, half_tangent: float, arc: float) -> None:
    angle = math.radians(degrees)
    assert geometry.set_back(1, angle) == pytest.approx(half_tangent, abs=5e-5)
    assert Bend(0, 0, angle, 1).arc == pytest.approx(arc, abs=5e-5)


# --- vertices to bend table ----------------------------------------------------------------------


def test_bend_table_of_five_vertices() -> None:
    run = geometry.run_from_vertices(DRAWN, RADII)
    straights = [b.straight for b in run.bends] + [run.last_straight]
    assert straights == pytest.approx([277.5, 201.940068, 176.895526, 245.456460], abs=5e-7)
    angles = [math.degrees(b.angle) for b in run.bends]
    assert angles == pytest.approx([53.130102, 59.193019, 70.583472], abs=5e-7)
    rotations = [math.degrees(b.rotation) for b in run.bends]
    assert rotations == pytest.approx([0, 63.434949, 117.230793], abs=5e-7)
    # wire length of the same run in the CAD kernel Open CASCADE
    assert geometry.developed_length(run) == pytest.approx(1045.44656, abs=5e-6)


def test_first_bend_is_the_triangle_of_3_4_5() -> None:
    # the second leg rises 200 over 150: 3-4-5, so tan θ = 4/3 and tan(θ/2) = 1/2
    run = geometry.run_from_vertices(DRAWN[:3], [45])
    assert math.tan(run.bends[0].angle) == pytest.approx(4 / 3, rel=1e-14)
    assert run.bends[0].straight == pytest.approx(300 - 45 / 2, rel=1e-15)


def seen_along(points: list[Any]) -> float:
    """Torsion angle by IUPAC's rule, in degrees, from what is seen along the middle bond.

    IUPAC Commission on the Nomenclature of Organic Chemistry, Section E (1974), and the
    Commission on Biochemical Nomenclature (1970): looking from B to C, the angle from the front
    bond BA to the rear bond CD, positive when clockwise.
    """
    a, b, c, d = (np.asarray(p, float) for p in points)
    turn, _ = Rotation.align_vectors([[0, 0, -1]], [(c - b) / np.linalg.norm(c - b)])
    # the eye looks down −z, so x is to the right, y is up, and clockwise is minus
    front, rear = (complex(*turn.apply(v)[:2]) for v in (a - b, d - c))
    return -math.degrees(math.atan2((rear / front).imag, (rear / front).real))


def test_rule_for_torsion_knows_the_gauche_and_the_anti_position() -> None:
    # two textbook conformations, so that the oracle itself is held against something known
    assert seen_along([(1, 0, 0), (0, 0, 0), (0, 0, -1), (0, -1, -1)]) == pytest.approx(90)
    assert abs(seen_along([(1, 0, 0), (0, 0, 0), (0, 0, -1), (-1, 0, -1)])) == pytest.approx(180)


@pytest.mark.parametrize("seed", range(20))
def test_rotation_is_the_torsion_angle_of_four_vertices(seed: int) -> None:
    points = np.random.default_rng(seed).uniform(-500, 500, (6, 3))
    run = geometry.run_from_vertices([tuple(p) for p in points.tolist()], [1.0] * 4)
    for i, bend in enumerate(run.bends[1:]):
        expected = seen_along(list(points[i : i + 4]))
        assert math.degrees(bend.rotation) == pytest.approx(expected, abs=1e-9)


# --- bend table to points ------------------------------------------------------------------------


def test_quarter_turn_in_the_plane_by_hand() -> None:
    # 100 along x, a quarter circle of radius 50 towards +y, 100 along y
    run = Run((Bend(100, 0, math.pi / 2, 50),), 100)
    found = geometry.run_geometry(run, outside_diameter=20)
    (bend,) = found.bends
    assert bend.start == pytest.approx((100, 0, 0), abs=1e-12)
    assert bend.arc_centre == pytest.approx((100, 50, 0), abs=1e-12)
    assert bend.vertex == pytest.approx((150, 0, 0), abs=1e-12)
    assert bend.end == pytest.approx((150, 50, 0), abs=1e-12)
    assert bend.axis == pytest.approx((0, 0, 1), abs=1e-12)
    assert found.end_2.point == pytest.approx((150, 150, 0), abs=1e-12)
    assert found.end_2.direction == pytest.approx((0, 1, 0), abs=1e-12)
    assert found.bounding_box.least == pytest.approx((0, -10, -10), abs=1e-12)
    assert found.bounding_box.greatest == pytest.approx((160, 150, 10), abs=1e-12)
    assert found.developed_length == pytest.approx(200 + 25 * math.pi, rel=1e-15)


def test_half_turn_in_the_plane_by_hand() -> None:
    # a return bend: no vertex, and the box is that of a half ring of radii 40 and 60
    run = Run((Bend(100, 0, math.pi, 50),), 100)
    found = geometry.run_geometry(run, outside_diameter=20)
    assert found.vertices[1] is None
    assert found.end_2.point == pytest.approx((0, 100, 0), abs=1e-12)
    assert found.end_2.direction == pytest.approx((-1, 0, 0), abs=1e-12)
    assert found.bounding_box.greatest == pytest.approx((160, 110, 10), abs=1e-12)
    assert found.bounding_box.size == pytest.approx((160, 120, 20), abs=1e-12)


def test_rotation_of_90_degrees_turns_the_second_bend_towards_z() -> None:
    # right-hand rule about +y (the direction of travel after the first bend): z → x, so the axis
    # z of the first bend becomes x, and the tube that travels along y turns towards z
    quarter = math.pi / 2
    run = Run((Bend(100, 0, quarter, 50), Bend(100, quarter, quarter, 50)), 100)
    found = geometry.run_geometry(run)
    assert found.bends[1].axis == pytest.approx((1, 0, 0), abs=1e-12)
    assert found.end_2.direction == pytest.approx((0, 0, 1), abs=1e-12)
    assert found.end_2.point == pytest.approx((150, 200, 150), abs=1e-12)


@pytest.mark.parametrize("table", RUNS, ids=range(len(RUNS)))
def test_points_agree_with_the_polyline_integration(table: RunTable) -> None:
    # scipy's rotations and Gauss quadrature; no set-back, no arc centre, no closed form
    line = polyline.integrate(rows(table), table["last_straight"])
    found = geometry.run_geometry(run_of(table))
    for bend, place in zip(found.bends, line.bends, strict=True):
        np.testing.assert_allclose(bend.start, place.start, atol=1e-8)
        np.testing.assert_allclose(bend.end, place.end, atol=1e-8)
        spokes = [np.linalg.norm(p - np.array(bend.arc_centre)) for p in _arc_points(place)]
        np.testing.assert_allclose(spokes, spokes[0], atol=1e-8)
    np.testing.assert_allclose(found.end_2.point, line.end_point, atol=1e-8)
    np.testing.assert_allclose(found.end_2.direction, line.end_direction, atol=1e-11)
    assert found.developed_length == pytest.approx(line.developed_length, abs=1e-8)


def _arc_points(place: polyline.BendPlaces) -> tuple[Any, ...]:
    return place.start, place.middle, place.end


@pytest.mark.kernel
@pytest.mark.parametrize("table", RUNS, ids=range(len(RUNS)))
def test_bounding_box_agrees_with_the_cad_kernel(table: RunTable) -> None:
    # Open CASCADE sweeps a circle along the wire and finds the box of the surface by optimisation;
    # the kernel adds its gap of 1e-7 mm to every side
    require_kernel()
    low, high = _kernel_box(table, diameter=10.0)
    box = geometry.run_geometry(run_of(table), outside_diameter=10.0).bounding_box
    np.testing.assert_allclose(box.least, low, atol=2e-7)
    np.testing.assert_allclose(box.greatest, high, atol=2e-7)


def _kernel_box(table: RunTable, diameter: float) -> tuple[list[float], list[float]]:
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeWire
    from OCP.BRepOffsetAPI import BRepOffsetAPI_MakePipe
    from OCP.gp import gp_Ax2, gp_Circ, gp_Dir, gp_Pnt
    from oracles import kernel

    wire = kernel.run_wire(rows(table), table["last_straight"]).wire
    circle = gp_Circ(gp_Ax2(gp_Pnt(0, 0, 0), gp_Dir(1, 0, 0)), diameter / 2)
    profile = BRepBuilderAPI_MakeWire(BRepBuilderAPI_MakeEdge(circle).Edge()).Wire()
    box = Bnd_Box()
    BRepBndLib.AddOptimal_s(BRepOffsetAPI_MakePipe(wire, profile).Shape(), box, False, False)
    low, high = box.CornerMin(), box.CornerMax()
    return [low.X(), low.Y(), low.Z()], [high.X(), high.Y(), high.Z()]


# --- offset --------------------------------------------------------------------------------------


def test_offset_of_100_at_30_degrees() -> None:
    found = geometry.offset(100, 0, math.radians(30), 45)
    assert found.travel == pytest.approx(200, abs=5e-7)
    assert found.advance == pytest.approx(173.205081, abs=5e-7)
    assert found.shrink == pytest.approx(26.794919, abs=5e-7)
    assert found.straight == pytest.approx(175.884573, abs=5e-7)
    assert found.least_offset == pytest.approx(12.057714, abs=5e-7)
    assert found.extra_tube == pytest.approx(25.687954, abs=5e-7)
    assert (found.true_offset, found.roll_angle) == (100, 0)


def test_rolling_offset_of_120_and_90_at_45_degrees() -> None:
    # 90-120-150 is a triangle of 3-4-5; its angle is atan(3/4)
    found = geometry.offset(120, 90, math.radians(45), 45)
    assert found.true_offset == 150
    assert found.travel == pytest.approx(212.132034, abs=5e-7)
    assert found.advance == pytest.approx(150, abs=5e-7)
    assert math.degrees(found.roll_angle) == pytest.approx(36.869898, abs=5e-7)


# Multipliers of the offset as pipe fitters' handbooks print them: cosecant for travel, cotangent
# for advance; three decimals, from any table of trigonometric functions
@pytest.mark.parametrize(
    ("degrees", "travel", "advance"),
    [
        (11.25, 5.126, 5.027),
        (22.5, 2.613, 2.414),
        (30, 2.000, 1.732),
        (45, 1.414, 1.000),
        (60, 1.155, 0.577),
        (72, 1.051, 0.325),
        (90, 1.000, 0.000),
    ],
)
def test_travel_and_advance_per_unit_of_offset(
    degrees: float, travel: float, advance: float
) -> None:
    found = geometry.offset(1000, 0, math.radians(degrees), 10)
    assert found.travel / 1000 == pytest.approx(travel, abs=5e-4)
    assert found.advance / 1000 == pytest.approx(advance, abs=5e-4)


@pytest.mark.parametrize("degrees", [10, 30, 45, 60, 90])
def test_least_offset_is_where_two_circles_touch(degrees: float) -> None:
    # two equal circles on opposite sides of the tube, whose tangents are parallel: the two centres
    # and the inflection are in line, so the offset is 2R − 2R·cos θ
    least = 2 * 60 - 2 * 60 * math.cos(math.radians(degrees))
    touching = geometry.offset(least, 0, math.radians(degrees), 60)
    assert touching.straight == pytest.approx(0, abs=1e-9)
    with pytest.raises(GeometryError, match="offset_too_small"):
        geometry.offset(least * (1 - 1e-6), 0, math.radians(degrees), 60)


@pytest.mark.parametrize(("rise", "roll"), [(100, 0), (120, 90), (-80, 150), (0, -200)])
@pytest.mark.parametrize("degrees", [15, 45, 90])
def test_offset_measured_on_the_integrated_tube(rise: float, roll: float, degrees: float) -> None:
    # the bend table of the offset, integrated by quadrature: how far aside and how far along it
    # really ends, and how much tube that took
    found = geometry.offset(rise, roll, math.radians(degrees), 25)
    table = [(b.straight, math.degrees(b.rotation), degrees, b.radius) for b in found.run.bends]
    line = polyline.integrate(table, found.run.last_straight)
    assert line.end_point[1] == pytest.approx(math.hypot(rise, roll), abs=1e-9)
    assert line.end_point[0] == pytest.approx(found.advance + 2 * found.set_back, abs=1e-9)
    np.testing.assert_allclose(line.end_direction, [1, 0, 0], atol=1e-12)
    extra = line.developed_length - line.end_point[0]
    assert extra == pytest.approx(found.extra_tube, abs=1e-9)
    aside = found.true_offset * np.array([math.cos(found.roll_angle), math.sin(found.roll_angle)])
    np.testing.assert_allclose(aside, [rise, roll], atol=1e-9)
