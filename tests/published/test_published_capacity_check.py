"""Load on a bender against statics, a section library and quadrature by scipy."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from conftest import Post
from scipy.integrate import quad
from scipy.optimize import brentq
from sectionproperties.analysis.section import Section
from sectionproperties.pre.library.steel_sections import circular_hollow_section

PATH = "/v1/capacity-check"
MODULUS, STRENGTH, EXPONENT = 210_000.0, 600.0, 0.2
BENDER: dict[str, Any] = {
    "least_outside_diameter": 10,
    "largest_outside_diameter": 30,
    "largest_angle": 180,
    "rated_tubes": [{"outside_diameter": 20, "wall_thickness": 3, "flow_stress": 235}],
    "drive": {"gear_ratio": 6, "lever_length": 350, "efficiency": 0.85},
}
BODY: dict[str, Any] = {
    "tube": {"outside_diameter": 20, "wall_thickness": 2},
    "bender": BENDER,
    "radius": 60,
    "angle": 90,
    "flow_stress": 235,
}
STEEL = {
    "name": "Steel of the worked example",
    "elastic_modulus": MODULUS,
    "density": 7.85,
    "yield_strength": 235,
    "hardening": {
        "law": "hollomon",
        "strength_coefficient": STRENGTH,
        "exponent": EXPONENT,
    },
}


def hollomon_moment(od: float, wall: float, radius: float) -> float:
    """∫ σ|y| dA with σ = min(E·ε, K·εⁿ), ε = |ln(1 + y/R)|, by scipy's adaptive quadrature."""

    def fibre(y: float) -> float:
        strain = abs(math.log1p(y / radius))
        stress = min(MODULUS * strain, STRENGTH * strain**EXPONENT)
        outer = math.sqrt(max((od / 2) ** 2 - y * y, 0.0))
        inner = math.sqrt(max((od / 2 - wall) ** 2 - y * y, 0.0))
        return float(2 * (outer - inner) * stress * abs(y))

    breaks = [-(od / 2 - wall), 0.0, od / 2 - wall]
    value = quad(fibre, -od / 2, od / 2, points=breaks, limit=400, epsabs=1e-6, epsrel=1e-11)[0]
    return float(value)


def test_section_against_a_section_library(post: Post) -> None:
    """sectionproperties meshes a 256-gon of the tube; a polygon lies inside its circle."""
    section = post(PATH, BODY)["result"]["section"]
    geometry = circular_hollow_section(d=20, t=2, n=256)
    made = Section(geometry.create_mesh(mesh_sizes=[0.5]))
    made.calculate_geometric_properties()
    made.calculate_plastic_properties()
    assert section["area"] == pytest.approx(made.get_area(), rel=3e-4)
    assert section["second_moment"] == pytest.approx(made.get_ic()[0], rel=3e-4)
    assert section["plastic_modulus"] == pytest.approx(made.get_s()[0], rel=3e-4)
    # textbook forms of a ring, to the digits of a worked example
    assert section["second_moment"] == pytest.approx(4636.99076, abs=5e-6)
    assert section["section_modulus"] == pytest.approx(463.699076, abs=5e-7)
    assert section["plastic_modulus"] == pytest.approx(650.666667, abs=5e-7)
    assert section["shape_factor"] == pytest.approx(1.40320889, abs=5e-9)


def test_die_torque_by_statics(post: Post) -> None:
    """T = M + F·R with M = 152.906667 N·m, F = 2 kN, R = 60 mm (any text on statics)."""
    pull = {"pressure_die_friction": 1500, "mandrel_drag": 500}
    bend = post(PATH, {**BODY, **pull})["result"]["bends"][0]
    assert bend["moment_largest"] == pytest.approx(152.906667, abs=5e-7)
    assert bend["torque_largest"] == pytest.approx(272.906667, abs=5e-7)


def test_capacity_by_the_section_moment_of_the_rated_tube(post: Post) -> None:
    """20 × 3 at 235 MPa gives 235·(20³ − 14³)/6 = 205.86 N·m (ring of any strength text)."""
    result = post(PATH, BODY)["result"]
    assert result["moment_capacity"] == pytest.approx(205.86, abs=1e-9)
    assert result["utilisation"] == pytest.approx(152.906667 / 205.86, rel=1e-8)
    assert result["largest_wall"] == pytest.approx(3.0, abs=1e-9)


def test_crank_against_work(post: Post) -> None:
    """Work at the hand times efficiency is work at the die (energy balance, any text)."""
    bend = post(PATH, BODY)["result"]["bends"][0]
    crank, angle = bend["crank"], math.radians(bend["set_angle"])
    assert crank["turns"] == pytest.approx(6 * angle / (2 * math.pi), rel=1e-9)
    path = 2 * math.pi * crank["turns"] * 0.350
    assert 0.85 * crank["force_largest"] * path == pytest.approx(crank["work"], rel=1e-9)
    assert crank["work"] == pytest.approx(bend["torque_largest"] * angle, rel=1e-9)


@pytest.mark.parametrize("radius", [40, 60, 500])
def test_moment_of_a_hardening_tube_against_scipy(post: Post, radius: float) -> None:
    tube = {**BODY["tube"], "material": STEEL}
    body = {key: value for key, value in BODY.items() if key != "flow_stress"}
    bend = post(PATH, {**body, "tube": tube, "radius": radius})["result"]["bends"][0]
    # at 500 mm the fibre strain is 2 % and the service takes engineering strain
    expected = (quad_engineering if radius == 500 else hollomon_moment)(20, 2, radius)
    assert 1000 * bend["moment_least"] == pytest.approx(expected, rel=1e-7)


def quad_engineering(od: float, wall: float, radius: float) -> float:
    def fibre(y: float) -> float:
        stress = min(MODULUS * y / radius, STRENGTH * (y / radius) ** EXPONENT)
        outer = math.sqrt(max((od / 2) ** 2 - y * y, 0.0))
        inner = math.sqrt(max((od / 2 - wall) ** 2 - y * y, 0.0))
        return float(4 * (outer - inner) * stress * y)

    limit = radius * (STRENGTH / MODULUS) ** (1 / (1 - EXPONENT))
    breaks = [limit, od / 2 - wall]
    return float(quad(fibre, 0.0, od / 2, points=breaks, limit=400, epsrel=1e-11)[0])


def test_largest_wall_of_a_hardening_tube_against_scipy(post: Post) -> None:
    """Root of the moment over the wall by Brent's method on scipy's quadrature."""
    bender = {**BENDER, "rated_tubes": [{**BENDER["rated_tubes"][0], "flow_stress": 400}]}
    tube = {**BODY["tube"], "material": STEEL}
    body = {key: value for key, value in BODY.items() if key != "flow_stress"}
    result = post(PATH, {**body, "tube": tube, "bender": bender})["result"]
    capacity = 1000 * result["moment_capacity"]
    wall = brentq(lambda t: hollomon_moment(20, t, 60) - capacity, 0.1, 9.9, xtol=1e-10)
    assert result["largest_wall"] == pytest.approx(wall, abs=1e-6)


def test_springback_of_the_prediction_by_elastic_unloading(post: Post) -> None:
    """20 × 2, E = 210 GPa, one flow stress of 235 MPa, R = 60: K = 0.990578542 (Timoshenko)."""
    tube = {
        **BODY["tube"],
        "material": {"name": "Steel", "elastic_modulus": MODULUS, "density": 7.85},
    }
    bend = post(PATH, {**BODY, "tube": tube})["result"]["bends"][0]
    assert bend["springback_from"] == "predicted"
    assert 90 / bend["set_angle"] == pytest.approx(0.990578542, abs=5e-10)


def test_walls_come_from_cubes(post: Post) -> None:
    """d³ = D³ − 6·Zp solved by numpy's polynomial roots."""
    bender = {**BENDER, "rated_tubes": [{**BENDER["rated_tubes"][0], "flow_stress": 180}]}
    result = post(PATH, {**BODY, "bender": bender})["result"]
    modulus = 1000 * result["moment_capacity"] / 235
    roots = np.roots([1, 0, 0, -(20**3 - 6 * modulus)])
    inside = roots[np.abs(roots.imag) < 1e-9].real[0]
    assert result["largest_wall"] == pytest.approx((20 - inside) / 2, rel=1e-10)
