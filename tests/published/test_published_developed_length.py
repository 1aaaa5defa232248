"""Developed length, gain and marks against figures computed outside this project.

Source of the figures: elementary trigonometry, each value found a second time with a CAD kernel
(wire length to nine digits). Mass per metre: the textbook formula for steel tube,
0.0246615 (D − t) t kg/m at 7.85 kg/dm³.
"""

from __future__ import annotations

from typing import Any

import pytest
from conftest import Post

VERTICES = [(0, 0, 0), (300, 0, 0), (450, 200, 0), (450, 350, 180), (700, 350, 300)]
RUN = {"vertices": [dict(zip("xyz", v, strict=True)) for v in VERTICES], "radius": 45}
TUBE = {"outside_diameter": 20, "wall_thickness": 2, "material": "e235-n"}


@pytest.fixture(scope="module")
def length(post: Post) -> dict[str, Any]:
    answer: dict[str, Any] = post("/v1/developed-length", {"tube": TUBE, "run": RUN})["result"]
    return answer


def test_five_vertex_run(length: dict[str, Any]) -> None:
    straights = [s["length"] for s in length["straights"]]
    assert straights == pytest.approx([277.5, 201.940068, 176.895526, 245.456460], abs=5e-7)
    angles = [b["angle"] for b in length["bends"]]
    assert angles == pytest.approx([53.130102, 59.193019, 70.583472], abs=5e-7)
    assert length["developed_length"] == pytest.approx(1045.44656, abs=5e-6)


def test_rotations_of_the_five_vertex_run(post: Post) -> None:
    layout = post("/v1/mark-layout", {"tube": TUBE, "run": RUN})["result"]
    rotations = [b["rotation"]["angle"] for b in layout["bends"]]
    assert rotations == pytest.approx([0, 63.434949, 117.230793], abs=5e-7)


def test_set_back_arc_and_gain_of_60_degrees_at_radius_45(post: Post) -> None:
    run = {"bends": [{"straight": 100, "angle": 60, "radius": 45}], "last_straight": 100}
    bend = post("/v1/developed-length", {"tube": TUBE, "run": run})["result"]["bends"][0]
    assert bend["set_back"] == pytest.approx(25.980762, abs=5e-7)
    assert bend["arc"] == pytest.approx(47.123890, abs=5e-7)
    assert bend["gain"] == pytest.approx(4.8376344, abs=5e-8)


@pytest.mark.parametrize(
    ("material", "diameter", "wall", "per_metre"),
    [
        ("e235-n", 20, 2, 0.887814),
        ("1.4404", 12, 1.5, 0.395841),
        ("e355-n", 30, 3, 0.0246615 * 27 * 3),
    ],
)
def test_mass_per_metre(
    post: Post, material: str, diameter: float, wall: float, per_metre: float
) -> None:
    tube = {"outside_diameter": diameter, "wall_thickness": wall, "material": material}
    run = {"bends": [], "last_straight": 1000}
    mass = post("/v1/developed-length", {"tube": tube, "run": run})["result"]["mass"]
    assert mass == pytest.approx(per_metre, abs=6e-7)


def test_an_offset_needs_the_extra_tube_of_the_handbooks(post: Post) -> None:
    # offset 100 mm by two bends of 30° at radius 45: 25.687954 mm more than its advance
    straight = 175.884573
    run = {
        "bends": [
            {"straight": 0, "angle": 30, "radius": 45},
            {"straight": straight, "rotation": 180, "angle": 30, "radius": 45},
        ],
        "last_straight": 0,
    }
    tube = {"outside_diameter": 12, "wall_thickness": 1}
    length = post("/v1/developed-length", {"tube": tube, "run": run})["result"]
    set_backs = 2 * length["bends"][0]["set_back"]
    extra = length["developed_length"] - set_backs - 173.205081
    assert extra == pytest.approx(25.687954, abs=2e-6)
