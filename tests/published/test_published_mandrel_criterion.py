"""Lead of the mandrel nose against plane geometry done by another library, and statics by hand.

No published source gives the lead or fixes when a mandrel is needed, so the geometry is checked
against shapely (a general-purpose geometry library): the mandrel is drawn as a polygon and pushed
into the bore of the bend until it no longer fits.
"""

from __future__ import annotations

import importlib
import math
from typing import Any

import pytest
from conftest import Post

from service.calc.mandrel_lead import largest_lead, nose_gap, outer_wall_fall
from service.model import Tube

shapely: Any = importlib.import_module("shapely")  # it ships no types
Point, box = shapely.Point, shapely.box

TUBE = Tube(38.0, 1.5)  # inside diameter 35 mm
RADIUS, BODY = 76.0, 34.7
BODY_REQUEST: dict[str, Any] = {
    "tube": {"outside_diameter": 38, "wall_thickness": 1.5},
    "radius": 76,
    "mandrel": {"clearance": 0.3, "nose": "rounded", "corner_radius": 6, "lead": 5},
}


def mandrel(lead: float, corner: float, body: float = BODY) -> Any:
    """Outline of the outer half of the mandrel from 200 mm behind the tangent point to its nose.

    x runs along the tube from the tangent point, y from the axis to the outside of the bend.
    """
    top = body / 2
    if corner == 0:
        return box(-200.0, 0.0, lead, top)
    flat = box(-200.0, 0.0, lead - corner, top).union(box(-200.0, 0.0, lead, top - corner))
    return flat.union(Point(lead - corner, top - corner).buffer(corner, quad_segs=2048))


def bore(radius: float, tube: Tube, moved: float = 0.0) -> Any:
    """Inside of the outer wall: straight behind the tangent point, circular ahead of it."""
    outer = radius + tube.inside_diameter / 2 + moved
    ahead = Point(0.0, -radius).buffer(outer, quad_segs=65536)
    return ahead.union(box(-300.0, -radius, 0.0, tube.inside_diameter / 2 + moved))


def lead_by_pushing(
    radius: float, tube: Tube, body: float, corner: float, moved: float = 0.0
) -> float:
    """Largest lead at which the drawn mandrel lies in the drawn bore, by halving."""
    room, low, high = bore(radius, tube, moved), 0.0, radius
    for _ in range(40):
        middle = (low + high) / 2
        if mandrel(middle, corner, body).difference(room).area <= 1e-9:
            low = middle
        else:
            high = middle
    return low


# Drawn circles are polygons: the bore's is 1e-8 mm short at its sagitta, which near the shallow
# contact of nose and wall comes to some hundredths of a millimetre at most for a hemisphere.
@pytest.mark.parametrize(("corner", "tolerance"), [(0.0, 2e-4), (6.0, 5e-3), (BODY / 2, 2e-2)])
def test_largest_lead_against_a_drawn_mandrel(corner: float, tolerance: float) -> None:
    drawn = lead_by_pushing(RADIUS, TUBE, BODY, corner)
    assert largest_lead(TUBE, RADIUS, BODY, corner) == pytest.approx(drawn, abs=tolerance)


@pytest.mark.parametrize(
    ("od", "wall", "radius", "clearance"), [(20, 1, 40, 0.2), (12, 1, 36, 0.4)]
)
def test_other_sizes_against_a_drawn_mandrel(
    od: float, wall: float, radius: float, clearance: float
) -> None:
    tube = Tube(od, wall)
    body = tube.inside_diameter - clearance
    drawn = lead_by_pushing(radius, tube, body, 2.0)
    assert largest_lead(tube, radius, body, 2.0) == pytest.approx(drawn, abs=5e-3)


def test_a_thinned_wall_moves_the_bore_outwards() -> None:
    # the drawn bore is moved out by the loss of wall, also behind the tangent point
    drawn = lead_by_pushing(RADIUS, TUBE, BODY, 0.0, moved=0.2)
    assert largest_lead(TUBE, RADIUS, BODY, 0.0, 0.2) == pytest.approx(drawn, abs=2e-4)


def test_fall_and_gap_against_distances_to_the_drawn_bore() -> None:
    edge = bore(RADIUS, TUBE).exterior
    at_wall = Point(5.0, math.sqrt((RADIUS + 17.5) ** 2 - 25.0) - RADIUS)
    assert edge.distance(at_wall) < 1e-6
    assert outer_wall_fall(TUBE, RADIUS, 5.0) == pytest.approx(17.5 - at_wall.y, abs=1e-9)
    for corner, lead in ((0.0, 5.0), (6.0, 9.0), (BODY / 2, 20.0)):
        gap = mandrel(lead, corner).distance(edge)
        assert nose_gap(TUBE, RADIUS, BODY, corner, lead) == pytest.approx(gap, abs=1e-5)


def test_worked_example_to_all_digits(post: Post) -> None:
    """38 × 1.5, R = 76, mandrel 34.7: Pythagoras between bend centre, corner and axis, by hand."""
    result = post("/v1/mandrel-criterion", BODY_REQUEST)["result"]
    lead = result["bends"][0]["lead"]
    assert lead["largest_sharp"] == pytest.approx(5.294100, abs=5e-7)
    assert lead["largest"] == pytest.approx(11.121279, abs=5e-7)
    assert lead["largest_hemisphere"] == pytest.approx(22.127290, abs=5e-7)
    assert lead["fall"] == pytest.approx(0.133785554, abs=5e-10)
    assert 100 * result["wall_ratio"] == pytest.approx(3.94737, abs=5e-6)
    assert result["wall_factor"] == pytest.approx(25.33333, abs=5e-6)
    assert result["mandrel"]["body_diameter"] == pytest.approx(34.7, abs=1e-12)


def test_small_angle_forms_of_the_textbook() -> None:
    """Sagitta of a shallow arc, e²/(2r), and the chord it gives, √(c·r) (any geometry text)."""
    outer = RADIUS + 17.5
    assert 5.0**2 / (2 * outer) == pytest.approx(0.133689840, abs=5e-10)
    assert outer_wall_fall(TUBE, RADIUS, 5.0) == pytest.approx(0.133689840, rel=1e-3)
    assert math.sqrt(0.3 * outer) == pytest.approx(5.296225, abs=5e-7)
    assert largest_lead(TUBE, RADIUS, BODY) == pytest.approx(5.296225, rel=1e-3)
