"""What the section and flow-curve calculations refuse, and what they flag."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from service.calc import section as s
from service.calc.flow_curve import FlowCurve
from service.errors import CalculationError, MissingError, OutOfRangeError
from service.model import Hardening, Tube

TUBE = Tube(20.0, 2.0)
FLAT = FlowCurve(210_000.0, 235.0)
LINE = FlowCurve(210_000.0, 235.0, Hardening("bilinear", tangent_modulus=1000.0))
RIGID = FlowCurve(math.inf, 235.0)
NAN = math.nan


def curve(law: Any, **coefficients: float) -> FlowCurve:
    return FlowCurve(210_000.0, 235.0, Hardening(law, **coefficients))


@pytest.mark.parametrize(
    ("call", "code", "field"),
    [
        (lambda: FlowCurve(0.0, 235.0), "not_above_zero", ("elastic_modulus",)),
        (lambda: FlowCurve(NAN, 235.0), "not_above_zero", ("elastic_modulus",)),
        (lambda: FlowCurve(210e3, 0.0), "not_above_zero", ("yield_strength",)),
        (lambda: FlowCurve(210e3, -1.0), "not_above_zero", ("yield_strength",)),
        (lambda: FlowCurve(math.inf, math.inf), "not_finite", ("yield_strength",)),
        (
            lambda: FlowCurve(210.0, 235.0),
            "yield_strength_not_below_elastic_modulus",
            ("yield_strength",),
        ),
        (lambda: FLAT.stress([0.1, -0.1]), "strain_negative", ("strain",)),
        (lambda: s.moment(TUBE, FLAT, -0.01), "curvature_out_of_range", ("curvature",)),
        (lambda: s.moment(TUBE, FLAT, 0.1), "curvature_out_of_range", ("curvature",)),
        (lambda: s.moments(TUBE, FLAT, [0.01, NAN]), "curvature_out_of_range", ("curvatures", 1)),
        (lambda: s.bending_moment(TUBE, FLAT, 10.0), "radius_within_tube", ("radius",)),
        (lambda: s.springback(TUBE, FLAT, math.inf), "not_finite", ("radius",)),
        (lambda: s.springback(TUBE, FLAT, NAN), "not_above_zero", ("radius",)),
        (lambda: s.springback_ratios(TUBE, FLAT, [60, 9]), "radius_within_tube", ("radii", 1)),
        (lambda: s.springback(TUBE, RIGID, 60), "elastic_modulus_infinite", ("elastic_modulus",)),
        (lambda: s.loaded_radius(TUBE, FLAT, 9.0), "radius_within_tube", ("unloaded_radius",)),
        (
            lambda: s.loaded_radius(TUBE, FLAT, 10.01),
            "unloaded_radius_out_of_reach",
            ("unloaded_radius",),
        ),
        (
            lambda: s.springback(TUBE, FLAT, 60).unloaded_angle(0.0),
            "not_above_zero",
            ("loaded_angle",),
        ),
        (
            lambda: s.springback(TUBE, FLAT, 60).unloaded_angle(0.02, 0.03),
            "bend_springs_back_wholly",
            ("loaded_angle",),
        ),
        (
            lambda: s.springback(TUBE, FLAT, 60).loaded_angle(0.02, -0.03),
            "springback_constant_too_low",
            ("constant",),
        ),
        (
            lambda: s.springback(TUBE, FLAT, 20_000).loaded_angle(1.0),
            "bend_stays_elastic",
            ("radius",),
        ),
        (lambda: s.thin_tube_moment_ratio(0.0), "curvature_ratio_out_of_range", None),
        (lambda: s.thin_tube_moment_ratio(1.01), "curvature_ratio_out_of_range", None),
        (lambda: s.die_torque(-1, 0, 60), "below_zero", ("moment",)),
        (lambda: s.die_torque(1, -1, 60), "below_zero", ("axial_force",)),
        (lambda: s.die_torque(1, 1, 0), "not_above_zero", ("radius",)),
        (lambda: s.bending_work(1, 0), "not_above_zero", ("angle",)),
        (lambda: s.sheet_springback_ratio(2000, 3, 235, 210e3), "strip_stays_elastic", None),
        (
            lambda: s.sheet_springback_ratio(60, 3, 235, 210e3, 0.6),
            "above_the_most",
            ("plane_strain_poisson",),
        ),
        (
            lambda: s.section_properties(TUBE).full_plastic_moment(0),
            "not_above_zero",
            ("flow_stress",),
        ),
    ],
)
def test_refusals(call: Any, code: str, field: tuple[str | int, ...] | None) -> None:
    with pytest.raises(OutOfRangeError) as refused:
        call()
    assert refused.value.code == code
    assert field is None or refused.value.field == field


BAD = "hardening_coefficient_out_of_range"


@pytest.mark.parametrize(
    ("law", "coefficients", "code", "name"),
    [
        ("hollomon", {"strength_coefficient": 600, "exponent": 0}, BAD, "exponent"),
        ("hollomon", {"strength_coefficient": 600, "exponent": 1.01}, BAD, "exponent"),
        ("hollomon", {"strength_coefficient": 600, "exponent": NAN}, BAD, "exponent"),
        ("hollomon", {"strength_coefficient": 0, "exponent": 0.2}, BAD, "strength_coefficient"),
        ("ludwik", {"strength_coefficient": 210e3, "exponent": 1}, BAD, "strength_coefficient"),
        ("ramberg_osgood", {"exponent": 0.1}, BAD, "exponent"),
        ("ramberg_osgood", {"exponent": 201}, BAD, "exponent"),
        ("bilinear", {"tangent_modulus": -1}, BAD, "tangent_modulus"),
        ("bilinear", {"tangent_modulus": 210e3}, BAD, "tangent_modulus"),
        (
            "swift",
            {"strength_coefficient": 600, "exponent": 0.2, "prestrain": -0.01},
            BAD,
            "prestrain",
        ),
        (
            "hollomon",
            {"strength_coefficient": 600, "exponent": 0.2, "prestrain": 0.01},
            "hardening_coefficient_unused",
            "prestrain",
        ),
        ("ramberg_osgood", {}, "hardening_coefficient_missing", "exponent"),
        (
            "swift",
            {"strength_coefficient": 600, "exponent": 0.2},
            "hardening_coefficient_missing",
            "prestrain",
        ),
    ],
)
def test_coefficients_refused(law: Any, coefficients: Any, code: str, name: str) -> None:
    with pytest.raises(CalculationError) as refused:
        curve(law, **coefficients)
    assert (refused.value.code, refused.value.field) == (code, ("hardening", name))


def test_yield_strength_is_needed_unless_the_law_has_none() -> None:
    with pytest.raises(MissingError, match="yield_strength_missing"):
        FlowCurve(210_000.0)
    law = Hardening("hollomon", strength_coefficient=600, exponent=0.2)
    assert FlowCurve(210_000.0, None, law).elastic_limit_strain == pytest.approx(6.6e-4, rel=0.01)


def test_straight_tube_needs_no_moment() -> None:
    assert s.bending_moment(TUBE, FLAT, math.inf).moment == 0
    assert s.moment(TUBE, FLAT, 0.0) == 0
    assert s.moments(TUBE, LINE, [0.0, 0.01])[0] == 0
    assert s.moments(TUBE, LINE, []).shape == (0,)


def test_more_curvatures_than_one_chunk() -> None:
    curvatures = np.linspace(1e-4, 0.09, s.CHUNK + 7)
    held = s.moments(TUBE, LINE, curvatures, "true")
    assert held.shape == curvatures.shape
    assert held[-1] == pytest.approx(s.moment(TUBE, LINE, 0.09, "true"), rel=1e-12)


def test_bend_that_stays_elastic_springs_back_wholly() -> None:
    bend = s.springback(TUBE, FLAT, 20_000)
    assert (bend.ratio, bend.unloaded_radius) == (0, math.inf)
    assert {f.code for f in bend.findings} == {"springback_without_hardening", "bend_stays_elastic"}


def test_perfectly_plastic_springback_is_flagged_as_too_small() -> None:
    assert [f.code for f in s.springback(TUBE, FLAT, 60).findings] == [
        "springback_without_hardening"
    ]
    assert "true_strain_used" in {f.code for f in s.springback(TUBE, LINE, 60).findings}


def test_engineering_strain_forced_on_a_tight_bend_is_flagged() -> None:
    assert [
        (f.code, f.severity) for f in s.bending_moment(TUBE, LINE, 60, "engineering").findings
    ] == [("engineering_strain_large", "needs_care")]


def test_rigid_and_flat_is_fully_plastic_at_any_radius() -> None:
    full = s.section_properties(TUBE).full_plastic_moment(235.0)
    assert s.moment(TUBE, RIGID, 0.01) == pytest.approx(full, rel=1e-12)
    assert s.moment(TUBE, RIGID, 0.09, "true") == pytest.approx(full, rel=1e-12)


@pytest.mark.parametrize("radius", [20.0, 60.0, 500.0, 5000.0, 100_000.0])
@pytest.mark.parametrize(
    "flow", [FLAT, LINE, curve("hollomon", strength_coefficient=600, exponent=0.2)]
)
def test_loaded_radius_takes_few_moments(
    monkeypatch: pytest.MonkeyPatch, flow: FlowCurve, radius: float
) -> None:
    """A moment is what costs; false position with halving needs a dozen, plain one hundreds."""
    calls = []
    true_moment = s.moment

    def counted(*arguments: Any) -> float:
        calls.append(arguments)
        return true_moment(*arguments)

    monkeypatch.setattr(s, "moment", counted)
    s.loaded_radius(TUBE, flow, radius)
    assert len(calls) <= 30
