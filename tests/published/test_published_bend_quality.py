"""Wall, neutral axis, ovality and their limits against standards, papers and equilibrium.

Outside sources, named beside each check: ASME B31.3 304.2.1, ASME B31.1 Table 102.4.5 (as in UFC
4-159-01 Table 5-4), IACS UR P1 (rev 5) P1.2.2, Indian Boiler Regulations 361(b), Tang (2000)
equation (8), Brazier (1927), and ``scipy`` for equilibria and volumes worked out a second time.
Figures with six decimals were worked out by hand formulas before this code existed.
"""

from __future__ import annotations

import math
from typing import Any

import pytest
from conftest import Post
from scipy.integrate import quad
from scipy.optimize import brentq, minimize_scalar

from service.calc.bend_wall import (
    FIRST_ORDER_SHIFT,
    bend_factors,
    deformation_theory_wall,
    free_hoop_wall,
    held_section_wall,
)
from service.model import Tube

PATH = "/v1/bend-quality"
TUBE = Tube(20.0, 2.0)
STEEL = {
    "name": "steel of the check",
    "elastic_modulus": 210_000,
    "density": 7.85,
    "yield_strength": 235,
    "tensile_strength": 340,
}


def body(radius: float, od: float = 20, wall: float = 2, **more: Any) -> dict[str, Any]:
    return {
        "tube": {"outside_diameter": od, "wall_thickness": wall, "material": STEEL},
        "radius": radius,
        "angle": 90,
        **more,
    }


def first(post: Post, sent: dict[str, Any]) -> dict[str, Any]:
    bend: dict[str, Any] = post(PATH, sent)["result"]["bends"][0]
    return bend


def by_method(rows: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    return {row["method"]: row for row in rows}


# --- ASME B31.3 (3d), (3e) -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ratio", "inside", "outside"),
    [(3, 1.1, 0.928571), (1.5, 1.25, 0.875), (2, 1.166667, 0.9), (2.5, 1.125, 0.916667)],
)
def test_factors_of_b31_3(post: Post, ratio: float, inside: float, outside: float) -> None:
    bend = first(post, body(20 * ratio))
    assert bend["factor_inside"] == pytest.approx(inside, abs=5e-7)
    assert bend["factor_outside"] == pytest.approx(outside, abs=5e-7)


@pytest.mark.parametrize("ratio", [0.6, 1.0, 3.0, 20.0])
def test_factors_are_the_equilibrium_of_a_torus(ratio: float) -> None:
    """Pressure on the ring between the crown circle and x lifts against the wall at x alone."""
    r, big_r = 10.0, 20.0 * ratio

    def hoop_over_straight(x: float) -> float:
        cosine = (x - big_r) / r
        pressure_on_ring = math.pi * (x * x - big_r * big_r)
        return pressure_on_ring / (2 * math.pi * x * cosine) / r

    factors = bend_factors(TUBE, big_r)
    assert factors.outside == pytest.approx(hoop_over_straight(big_r + r), rel=1e-12)
    assert factors.inside == pytest.approx(hoop_over_straight(big_r - r), rel=1e-12)


# --- constant volume -----------------------------------------------------------------------------


def test_wall_by_both_bounds(post: Post) -> None:
    walls = by_method(first(post, body(60))["walls"])
    held, free = walls["wall-held-section"], walls["wall-free-hoop"]
    assert held["outside"] == pytest.approx(1.739130, abs=5e-7)
    assert held["inside"] == pytest.approx(2.352941, abs=5e-7)
    assert held["thinning_outside"] == pytest.approx(13.04, abs=5e-3)
    assert free["outside"] == pytest.approx(1.865010, abs=5e-7)
    assert free["inside"] == pytest.approx(2.169305, abs=5e-7)
    assert free["thinning_outside"] == pytest.approx(6.7, abs=5e-2)
    assert held["side"] == pytest.approx(2.0, rel=1e-12)
    assert free["side"] == pytest.approx(2.0, rel=1e-12)


@pytest.mark.parametrize("radius", [21.0, 60.0, 400.0])
def test_held_section_keeps_the_volume_of_the_tube(radius: float) -> None:
    """Metal in a bend per radian against that in the straight tube, by quadrature."""
    r_m = TUBE.mean_radius

    def metal(position: float) -> float:
        return held_section_wall(TUBE, radius, position) * (radius + r_m * math.cos(position))

    total, _ = quad(metal, 0, 2 * math.pi)
    assert total == pytest.approx(2 * math.pi * TUBE.wall_thickness * radius, rel=1e-10)


@pytest.mark.parametrize("position", [0.0, 0.7, 2.0, math.pi])
def test_free_hoop_keeps_the_volume_of_each_fibre(position: float) -> None:
    """A fibre in uniaxial tension loses width and thickness alike: λ·(t′/t)² = 1."""
    stretch = (60 + TUBE.mean_radius * math.cos(position)) / 60
    thinned = free_hoop_wall(TUBE, 60, position) / TUBE.wall_thickness
    assert stretch * thinned**2 == pytest.approx(1.0, rel=1e-12)


# --- Tang 2000 -----------------------------------------------------------------------------------


def test_wall_by_deformation_theory(post: Post) -> None:
    """k = 3, at 0 and 45° from the outside, and at 0 and 45° from the inside."""
    walls = by_method(first(post, body(60, positions=[45, 135]))["walls"])
    tang = walls["wall-deformation-theory"]
    assert tang["outside"] / 2 == pytest.approx(0.916667, abs=5e-7)
    assert tang["outside"] == pytest.approx(1.833333, abs=5e-7)  # first order, t(1 − D/(4R))
    assert tang["inside"] / 2 == pytest.approx(1.083333, abs=5e-7)
    at = {round(row["position"]): row["wall"] / 2 for row in tang["at"]}
    assert at[45] == pytest.approx(0.944697, abs=5e-7)
    assert at[135] == pytest.approx(1.064259, abs=5e-7)


def hencky_wall_ratio(k: float, position: float) -> float:
    """Wall ratio from the hoop stress of Tang's (8) by Hencky's law, σ_t = 0, ν = 1/2."""
    cosine = math.cos(position)
    sign, c = math.copysign(1.0, cosine), abs(cosine)
    axial = sign
    hoop = -(1 - c) / (2 * k + 1) if sign > 0 else -(1 - c) / (2 * k - 1)
    mean = (axial + hoop) / 3
    strain_axial, strain_wall = axial - mean, -mean
    return 1 + strain_wall / strain_axial * sign * c / (2 * k)


@pytest.mark.parametrize("k", [1.4, 2.0, 3.0, 7.5, 30.0])
@pytest.mark.parametrize("degrees", [0, 30, 60, 89, 91, 120, 150, 180])
def test_deformation_theory_is_henckys_law_on_the_papers_stress(k: float, degrees: float) -> None:
    wall = deformation_theory_wall(TUBE, 20 * k, math.radians(degrees))
    assert wall / 2 == pytest.approx(hencky_wall_ratio(k, math.radians(degrees)), rel=1e-12)


def test_range_of_the_deformation_theory(post: Post) -> None:
    """The paper's abstract: k from 1.4 to 30."""
    for radius, covered in ((28, True), (27.99, False), (600, True), (600.1, False)):
        tang = by_method(first(post, body(radius))["walls"])["wall-deformation-theory"]
        assert (tang["outside"] is not None) == covered


# --- neutral axis --------------------------------------------------------------------------------


def axial_force(k: float, shift: float) -> float:
    """Axial force of a rigid, perfectly plastic thin tube (Y = t = r = 1) whose axis moved inwards.

    Von Mises with the paper's hoop stress, on the wall of the deformation theory.
    """
    turn = math.pi / 2 + math.asin(shift)

    def pull(position: float) -> float:
        cosine = math.cos(position)
        c = abs(cosine)
        beta = (1 - c) / (2 * k + math.copysign(1.0, cosine))
        tension = position < turn
        stress = 1 / math.sqrt(1 + beta + beta * beta if tension else 1 - beta + beta * beta)
        return math.copysign(stress, 1.0 if tension else -1.0) * hencky_wall_ratio(k, position)

    first_part, _ = quad(pull, 0, math.pi / 2)
    middle, _ = quad(pull, math.pi / 2, turn)
    last, _ = quad(pull, turn, math.pi)
    return float(first_part + middle + last)


def test_first_order_shift_leaves_no_axial_force() -> None:
    """e·k/r → π/8 as k grows, the shift found by root finding."""
    for k, allowed in ((30.0, 0.03), (300.0, 0.003)):
        assert _shift(k) * k == pytest.approx(FIRST_ORDER_SHIFT, rel=allowed)


def _shift(k: float) -> float:
    return float(brentq(lambda e: axial_force(k, e), 0.0, 1.0 / k))


def test_neutral_axis_shift(post: Post) -> None:
    """0.42·r/k of the paper (from memory) and (π/8)·r/k, r = 10 mm, k = 3."""
    shifts = by_method(first(post, body(60))["neutral_axis"])
    assert shifts["neutral-axis-shift-paper"]["shift"] == pytest.approx(1.4, rel=1e-12)
    own = shifts["neutral-axis-shift-first-order"]["shift"]
    assert own == pytest.approx(0.3927 * 10 / 3, abs=2e-4)


# --- limits --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ratio", "factor"),
    [(3, 1.25), (4, 1.14), (5, 1.08), (6, 1.06), (3.5, 1.195), (4.5, 1.11), (8, 1.06)],
)
def test_wall_before_bending_of_b31_1(post: Post, ratio: float, factor: float) -> None:
    """ASME B31.1 Table 102.4.5 as in UFC 4-159-01 Table 5-4; 1.195 at 3.5 D by interpolation."""
    limits = by_method(first(post, body(20 * ratio, required_wall=1))["wall_limits"])
    row = limits["limit-b31-1-wall-before-bending"]
    assert row["factor"] == pytest.approx(factor, abs=5e-10)
    assert row["limit"] == pytest.approx(factor, abs=5e-10)


def test_b31_1_says_nothing_below_three_diameters(post: Post) -> None:
    limits = by_method(first(post, body(59.9, required_wall=1))["wall_limits"])
    row = limits["limit-b31-1-wall-before-bending"]
    assert (row["factor"], row["limit"], row["verdict"]) == (None, None, "not_covered")


def test_bending_allowance_of_iacs(post: Post) -> None:
    """IACS UR P1 P1.2.2: b/t0 = (1/2.5)(D/R) = 0.133333 at 3 D; D/d up to 1.7 only."""
    row = by_method(first(post, body(60, required_wall=1.5))["wall_limits"])[
        "limit-iacs-p1-bending-allowance"
    ]
    assert row["factor"] - 1 == pytest.approx(0.133333, abs=5e-7)
    assert row["limit"] == pytest.approx(1.7, abs=1e-9)
    assert (row["verdict"], row["margin"]) == ("within", pytest.approx(100 * (2 / 1.7 - 1)))
    thick = by_method(first(post, body(60, wall=4.12, required_wall=1.5))["wall_limits"])
    assert thick["limit-iacs-p1-bending-allowance"]["verdict"] == "not_covered"


def test_ovality_limit_of_the_boiler_regulations(post: Post) -> None:
    """Regulation 361(b): 100·(Dmax − Dmin)/D ≤ 20·D/R, 6.66667 % at 3 D."""
    sent = body(60, measured=[{"largest_diameter": 20.66, "least_diameter": 19.33}])
    row = by_method(first(post, sent)["ovality_limits"])["limit-ibr-361"]
    assert row["limit"] == pytest.approx(6.66667, abs=5e-6)
    assert (row["definition"], row["verdict"]) == ("of_nominal_diameter", "within")
    assert row["value"] == pytest.approx(6.65, abs=1e-9)


def test_flattening_of_b31_3_is_marked_as_from_memory(post: Post) -> None:
    """ASME B31.3 332.2.1 (from memory): 8 % under internal, 3 % under external pressure."""
    for side, limit in (("internal", 8), ("external", 3)):
        sent = body(60, pressure_side=side)
        row = by_method(first(post, sent)["ovality_limits"])["limit-b31-3-flattening"]
        assert row["limit"] == pytest.approx(limit)
        assert (row["trust"], row["verdict"]) == ("memory", "unknown")


def test_aircraft_practice_tolerates_a_quarter(post: Post) -> None:
    """US FAA maintenance practice (restated): least diameter at least 75 % of the original."""
    for least, verdict in ((15.0, "within"), (14.99, "outside")):
        sent = body(60, measured=[{"largest_diameter": 21, "least_diameter": least}])
        row = by_method(first(post, sent)["ovality_limits"])["limit-faa-minor-diameter"]
        assert row["verdict"] == verdict


def test_both_definitions_of_ovality(post: Post) -> None:
    """(Dmax − Dmin)/D of ASME B16.49; 2(Dmax − Dmin)/(Dmax + Dmin) of EN 12952 (from memory)."""
    sent = body(60, measured=[{"largest_diameter": 21, "least_diameter": 18}])
    measured = first(post, sent)["measured"]
    assert measured["ovality_of_nominal"] == pytest.approx(15)
    assert measured["ovality_of_mean"] == pytest.approx(600 / 39)


def test_wall_that_a_bend_needs(post: Post) -> None:
    """ASME B31.3 (3c) at 25 MPa and 85 MPa: t = PD/(2(S/I + PY)), beside (3a) 2.631579."""
    straight = 25 * 20 / (2 * (85 + 0.4 * 25))
    rows = first(post, body(60, wall=3, required_wall=straight))["wall_limits"]
    needed = {r["place"]: r["limit"] for r in rows if r["method"] == "limit-b31-3-bend-wall"}
    for place, factor in (("outside", 13 / 14), ("inside", 1.1)):
        assert needed[place] == pytest.approx(500 / (2 * (85 / factor + 10)), rel=1e-12)


# --- Brazier -------------------------------------------------------------------------------------


def test_collapse_of_a_free_elastic_tube(post: Post) -> None:
    """r = 50, t = 1, ν = 0.3: κ = 1.97666484e−4 1/mm, M = 10867282.6 N·mm, the numeric maximum."""
    free = post(PATH, body(300, od=101, wall=1))["result"]["unsupported"]
    assert free["collapse_curvature"] == pytest.approx(1.97666484e-4, rel=5e-9)
    assert free["collapse_moment"] == pytest.approx(10867.2826, rel=5e-9)

    def moment(curvature: float) -> float:
        flattening = 0.91 * curvature**2 * 50.0**4
        return math.pi * 210_000 * 50.0**3 * curvature * (1 - 1.5 * flattening)

    found = minimize_scalar(
        lambda k: -moment(k), bounds=(0, 5e-4), method="bounded", options={"xatol": 1e-12}
    )
    assert found.x == pytest.approx(free["collapse_curvature"], rel=1e-6)
    assert -found.fun / 1000 == pytest.approx(free["collapse_moment"], rel=1e-9)


def test_ovality_of_a_gentle_elastic_curve_is_braziers(post: Post) -> None:
    """Only a free elastic tube has one: 20 × 1 mm at R = 10 m, ζ = (1 − ν²)κ²r⁴/t² by hand."""
    ovality = first(post, body(10_000, wall=1))["ovality"]
    zeta = 0.91 * 9.5**4 / 10_000**2
    assert ovality["value"] == pytest.approx(100 * 4 * zeta * 9.5 / 20, rel=1e-12)
    assert ovality["least"] < ovality["value"] < ovality["most"]
    # D/(2R) = Y/E at R = 8936 mm: past it the tube yields, and no method is left
    assert first(post, body(8936.2, wall=1))["ovality"] is not None
    assert first(post, body(8936.1, wall=1))["ovality"] is None


def test_indicators_for_a_free_tube(post: Post) -> None:
    """Gresnigt, CSA, DNV, API, classical and plastic buckling at t/D = 0.1 (all from memory)."""
    sent = body(60, free_tube={"yield_to_tensile": 0.93, "exponent": 0.2})
    rows = by_method(post(PATH, sent)["result"]["unsupported"]["indicators"])
    expected = {
        "kink-gresnigt": 0.0475,
        "kink-csa": 0.0475,
        "kink-dnv": 0.0782731,
        "kink-bending-strain": 0.05,
        "buckling-plastic": 0.0662539,
        "buckling-elastic": 0.134495,
    }
    for method, strain in expected.items():
        assert rows[method]["strain"] / 100 == pytest.approx(strain, rel=2e-6), method
        assert rows[method]["radius"] == pytest.approx(10 / strain, rel=2e-6)


def test_indicators_under_pressure(post: Post) -> None:
    """38 × 1.5: 0.0172368, and 0.0183283 at 10 MPa where the hoop stress is not capped.

    CSA Z662 (from memory) counts the hoop stress up to 0.4·Y: with Y = 235 MPa that is 94 MPa.
    """
    without_yield = {k: v for k, v in STEEL.items() if k != "yield_strength"}
    for pressure, strain in ((0, 0.0172368), (10, 0.0183283)):
        sent = body(115, od=38, wall=1.5, free_tube={"pressure": pressure})
        sent["tube"]["material"] = without_yield
        rows = by_method(post(PATH, sent)["result"]["unsupported"]["indicators"])
        assert rows["kink-gresnigt"]["strain"] / 100 == pytest.approx(strain, rel=4e-6)
        assert rows["kink-csa"]["strain"] / 100 == pytest.approx(strain, rel=4e-6)
    capped = body(115, od=38, wall=1.5, free_tube={"pressure": 10})
    rows = by_method(post(PATH, capped)["result"]["unsupported"]["indicators"])
    hoop = 3000 * (0.4 * 235 / 210_000) ** 2
    assert rows["kink-csa"]["strain"] / 100 == pytest.approx(0.0172368 + hoop, rel=4e-6)
