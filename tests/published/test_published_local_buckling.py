"""Kink indicators of unsupported tube against their published forms and a numeric maximum.

Outside sources: Brazier 1927 with its maximum found by ``scipy``; Gresnigt (HERON 31-4, 1986), CSA
Z662, the American Lifelines Alliance guideline 2001, DNV-ST-F101, Murphey and Langner 1985 / API RP
1111, Timoshenko and Gere, and Gerard/Batdorf, all from memory: their figures were worked out by
hand formula before this code existed.
"""

from __future__ import annotations

from typing import Any

import pytest
from scipy.optimize import minimize_scalar

from service.calc import local_buckling as kink
from service.errors import OutOfRangeError
from service.model import Tube

E = 210_000.0
TENTH = Tube(20.0, 2.0)  # t/D = 0.1
THIN = Tube(38.0, 1.5)
HOOP = Tube(101.0, 1.0)  # mean radius 50


def test_brazier_limit() -> None:
    limit = kink.brazier_limit(HOOP, E, 0.3)
    assert limit.curvature == pytest.approx(1.97666484e-4, abs=5e-13)
    assert limit.moment == pytest.approx(10867282.6, abs=0.05)
    assert kink.brazier_flattening(HOOP, limit.curvature, 0.3) == pytest.approx(2 / 9, rel=1e-12)


def test_brazier_limit_is_the_maximum_of_the_moment() -> None:
    """scipy finds the maximum of π·E·r³·t·κ·(1 − 1.5·(1 − ν²)·κ²·r⁴/t²), written out again."""
    r, t, nu = 50.0, 1.0, 0.3

    def moment(curvature: float) -> float:
        flattening = (1 - nu**2) * curvature**2 * r**4 / t**2
        return 3.141592653589793 * E * r**3 * t * curvature * (1 - 1.5 * flattening)

    found = minimize_scalar(lambda k: -moment(k), bounds=(0, 5e-4), options={"xatol": 1e-12})
    limit = kink.brazier_limit(HOOP, E, nu)
    assert limit.moment == pytest.approx(-found.fun, rel=1e-10)
    assert limit.curvature == pytest.approx(found.x, rel=1e-5)
    for curvature in (0.0, 5e-5, 1.5e-4, limit.curvature * (1 - 1e-12)):
        assert kink.brazier_moment(HOOP, E, curvature, nu) == pytest.approx(
            moment(curvature), rel=1e-10
        )


def test_brazier_moment_starts_as_the_elastic_thin_tube() -> None:
    """Textbook: M → E·I·κ with I = π·r³·t."""
    slope = kink.brazier_moment(HOOP, E, 1e-9) / 1e-9
    assert slope == pytest.approx(E * 3.141592653589793 * 50**3, rel=1e-9)


def test_line_pipe_strains_at_a_tenth() -> None:
    assert kink.gresnigt_strain(TENTH, E) == pytest.approx(0.0475, abs=5e-9)
    assert kink.csa_strain(TENTH, E).strain == pytest.approx(0.0475, abs=5e-9)
    assert kink.dnv_strain(TENTH, 0.93) == pytest.approx(0.0782731, abs=5e-8)
    assert kink.bending_strain_limit(TENTH) == pytest.approx(0.05, rel=1e-12)


def test_cylinder_strains_at_a_tenth() -> None:
    """The classical elastic strain is the textbook's 0.605·t/r at ν = 0.3; r = 9 mm."""
    assert kink.elastic_buckling_strain(TENTH) == pytest.approx(0.134495, abs=5e-7)
    assert kink.elastic_buckling_strain(TENTH) == pytest.approx(0.605 * 2 / 9, rel=5e-4)
    assert kink.plastic_buckling_strain(TENTH, 0.2) == pytest.approx(0.0662539, abs=5e-8)


def test_gresnigt_with_and_without_pressure() -> None:
    assert kink.gresnigt_strain(THIN, E) == pytest.approx(0.0172368, abs=5e-8)
    assert kink.gresnigt_strain(THIN, E, 10.0) == pytest.approx(0.0183283, abs=5e-8)
    assert kink.csa_strain(THIN, E, 10.0).strain == pytest.approx(0.0183283, abs=5e-8)


def test_pressure_from_outside_takes_as_much_away() -> None:
    bare = kink.gresnigt_strain(THIN, E)
    gain = kink.gresnigt_strain(THIN, E, 10.0) - bare
    assert gain == pytest.approx(0.0183283 - 0.0172368, abs=1e-7)
    assert bare - kink.gresnigt_strain(THIN, E, -10.0) == pytest.approx(gain, rel=1e-9)


def test_gresnigt_branches_meet_at_slenderness_60() -> None:
    below, above = Tube(120.0, 1.0 + 1e-9), Tube(120.0, 1.0 - 1e-9)
    assert kink.gresnigt_strain(below, E) == pytest.approx(0.00166667, abs=5e-9)
    assert kink.gresnigt_strain(above, E) == pytest.approx(0.00166667, abs=5e-9)
    assert kink.gresnigt_strain(Tube(118.0, 1.0), E) == pytest.approx(0.25 / 59 - 0.0025, rel=1e-9)
    assert kink.gresnigt_strain(Tube(122.0, 1.0), E) == pytest.approx(0.10 / 61, rel=1e-9)


def test_lifelines_guideline_is_three_quarters_of_csa() -> None:
    for pressure in (0.0, 10.0):
        expected = 0.75 * kink.csa_strain(THIN, E, pressure).strain
        assert kink.ala_strain(THIN, E, pressure) == pytest.approx(expected, rel=1e-12)


def test_flattening_counts_as_a_larger_diameter() -> None:
    """D′ = D/(1 − 3·(D − Dmin)/D): 38 mm pressed to 36 mm acts as 45.125 mm, r likewise."""
    flat = 0.75 * (0.5 * 1.5 / 45.125 - 0.0025)
    assert kink.ala_strain(THIN, E, flattening=1.0) == pytest.approx(flat, rel=1e-12)
    expected = 0.25 * 1.5 / 22.5625 - 0.0025
    assert kink.gresnigt_strain(THIN, E, flattening=1.0) == pytest.approx(expected, rel=1e-12)


def test_csa_counts_hoop_stress_up_to_two_fifths_of_yield() -> None:
    """38 × 1.5 mm at 10 MPa has a hoop stress of 126.67 MPa; 0.4·235 = 94 MPa."""
    free = kink.csa_strain(THIN, E, 10.0, yield_strength=355.0)
    capped = kink.csa_strain(THIN, E, 10.0, yield_strength=235.0)
    assert (free.hoop_capped, capped.hoop_capped) == (False, True)
    assert capped.strain == pytest.approx(0.0172368 + 3000 * (94 / E) ** 2, abs=1e-7)


def test_dnv_with_pressure_and_weld() -> None:
    """Bracket 1 + 5.75·10/50 = 2.15."""
    strain = kink.dnv_strain(TENTH, 0.93, 0.8, 10.0, 50.0)
    assert strain == pytest.approx(0.0782731 * 2.15 * 0.8, rel=1e-6)


def test_a_tooled_bend_is_past_every_indicator_and_still_no_fault() -> None:
    """3 D on t/D = 0.1: 1/6 of strain against 0.05, 0.1345 and 0.0663."""
    shown = kink.unsupported_kink(TENTH, 60.0, exponent=0.2)
    assert shown.fibre_strain == pytest.approx(1 / 6)
    assert {i.method: round(i.times_exceeded, 3) for i in shown.indicators} == {
        "kink-bending-strain": 3.333,
        "buckling-elastic": 1.239,
        "buckling-plastic": 2.516,
    }
    assert [(f.code, f.severity) for f in shown.findings] == [("unsupported_kink", "ok")]


def test_a_very_gentle_bend_has_no_finding() -> None:
    assert kink.unsupported_kink(TENTH, 1000.0).findings == ()


def test_methods_named_in_results_exist() -> None:
    known = {m.id for m in kink.METHODS}
    assert set(kink.unsupported_kink(TENTH, 60.0, exponent=0.2).methods) <= known


@pytest.mark.parametrize(
    ("call", "code", "field"),
    [
        (lambda: kink.brazier_limit(HOOP, 0.0), "not_above_zero", "elastic_modulus"),
        (lambda: kink.brazier_flattening(HOOP, -1e-6), "below_zero", "curvature"),
        (lambda: kink.brazier_flattening(HOOP, 2e-4), "past_flattening_collapse", "curvature"),
        (lambda: kink.brazier_curvature(HOOP, 0.6), "above_the_most", "poisson_ratio"),
        (lambda: kink.gresnigt_strain(Tube(130, 1), E, 1.0), "pressure_without_method", "pressure"),
        (
            lambda: kink.gresnigt_strain(THIN, E, -200.0),
            "kink_strain_not_above_zero",
            "pressure",
        ),
        (
            lambda: kink.gresnigt_strain(THIN, E, 0, 19 / 3),
            "flattening_out_of_range",
            "flattening",
        ),
        (lambda: kink.csa_strain(THIN, E, -1.0), "below_zero", "pressure"),
        (lambda: kink.csa_strain(THIN, E, float("inf")), "not_finite", "pressure"),
        (lambda: kink.csa_strain(Tube(130, 1), E), "wall_factor_out_of_range", "wall_thickness"),
        (lambda: kink.csa_strain(THIN, E, 1, -5), "not_above_zero", "yield_strength"),
        (lambda: kink.dnv_strain(Tube(46, 1), 0.9), "wall_factor_out_of_range", "wall_thickness"),
        (lambda: kink.dnv_strain(TENTH, 1.1), "above_the_most", "yield_to_tensile"),
        (lambda: kink.dnv_strain(TENTH, 0.9, 1.0, 5.0), "not_above_zero", "burst_pressure"),
        (lambda: kink.plastic_buckling_strain(TENTH, 0), "not_above_zero", "exponent"),
        (lambda: kink.unsupported_kink(TENTH, 10.0), "radius_within_tube", "radius"),
    ],
)
def test_refusals(call: Any, code: str, field: str) -> None:
    with pytest.raises(OutOfRangeError) as refused:
        call()
    assert (refused.value.code, refused.value.field) == (code, (field,))
