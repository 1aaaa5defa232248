"""Laws that bending moment and springback must keep: limits, scaling, inverses, agreement."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.calc.flow_curve import FlowCurve
from service.calc.section import (
    hollomon_moment,
    loaded_radius,
    moment,
    moments,
    perfectly_plastic_moment,
    section_properties,
    springback,
    springback_ratios,
    thin_tube_moment_ratio,
)
from service.model import Hardening, Tube

MODULUS = st.floats(50_000, 220_000)
YIELD = st.floats(30, 900)
SIDES = st.sampled_from(["engineering", "true"])


@st.composite
def tubes(draw: st.DrawFn) -> Tube:
    diameter = draw(st.floats(3, 200))
    return Tube(diameter, diameter * draw(st.floats(0.02, 0.49)))


@st.composite
def curves(draw: st.DrawFn) -> FlowCurve:
    law: Any = draw(
        st.sampled_from([None, "bilinear", "hollomon", "swift", "ludwik", "ramberg_osgood"])
    )
    strength = {"strength_coefficient": draw(st.floats(50, 2000))}
    exponent = {"exponent": draw(st.floats(0.02, 0.9))}
    prestrain = {"prestrain": draw(st.floats(0, 0.1))}
    coefficients: dict[Any, dict[str, float]] = {
        "bilinear": {"tangent_modulus": draw(st.floats(0, 20_000))},
        "hollomon": strength | exponent,
        "swift": strength | exponent | prestrain,
        "ludwik": strength | exponent,
        "ramberg_osgood": {"exponent": draw(st.floats(1, 100))},
    }
    hardening = Hardening(law, **coefficients[law]) if law else None
    return FlowCurve(draw(MODULUS), draw(YIELD), hardening)


BENDS = st.floats(0.55, 500)  # R/D


# --- limits -------------------------------------------------------------------------------------


@given(tubes(), curves(), st.floats(1e-6, 1))
def test_wide_bends_are_elastic(tube: Tube, curve: FlowCurve, share: float) -> None:
    """M = E·I·κ up to the strain where the curve leaves the elastic line."""
    limit = curve.elastic_limit_strain
    assume(limit > 1e-9)
    curvature = share * min(limit, 0.9) * 2 / tube.outside_diameter
    elastic = curve.elastic_modulus * section_properties(tube).second_moment * curvature
    assert moment(tube, curve, curvature, "engineering") == pytest.approx(elastic, rel=1e-9)


@given(tubes(), MODULUS, YIELD, st.floats(3, 50))
def test_smooth_knee_is_elastic_in_the_limit(
    tube: Tube, modulus: float, proof: float, exponent: float
) -> None:
    """Ramberg–Osgood: short of E·I·κ by no more than the outer fibre's plastic share."""
    curve = FlowCurve(modulus, proof, Hardening("ramberg_osgood", exponent=exponent))
    strain = 0.05 * proof / modulus
    elastic = modulus * section_properties(tube).second_moment * strain * 2 / tube.outside_diameter
    held = moment(tube, curve, strain * 2 / tube.outside_diameter, "engineering")
    plastic_share = 0.002 * 0.05**exponent / strain
    assert elastic * (1 - plastic_share - 1e-9) <= held <= elastic * (1 + 1e-9)


@given(tubes(), MODULUS, YIELD, BENDS)
def test_tight_bends_are_fully_plastic(
    tube: Tube, modulus: float, strength: float, ratio: float
) -> None:
    """The perfectly plastic moment falls short of Y·Zp by the elastic core only."""
    radius = ratio * tube.outside_diameter
    held = perfectly_plastic_moment(tube, strength, modulus, 1 / radius)
    full = section_properties(tube).full_plastic_moment(strength)
    core = 2 * strength * radius / (modulus * tube.outside_diameter)
    least = 1 - 1.5 * core**2 * tube.outside_diameter / tube.wall_thickness
    assert full * least * (1 - 1e-12) <= held <= full * (1 + 1e-9)


@given(MODULUS, YIELD, st.floats(1.001, 100))
def test_thin_tube_is_the_limit_of_the_exact_form(
    modulus: float, strength: float, past_yield: float
) -> None:
    tube = Tube(50, 50e-5)
    yield_curvature = 2 * strength / (modulus * tube.outside_diameter)
    held = perfectly_plastic_moment(tube, strength, modulus, past_yield * yield_curvature)
    ratio = held / section_properties(tube).first_yield_moment(strength)
    assert ratio == pytest.approx(thin_tube_moment_ratio(1 / past_yield), rel=1e-4)


# --- bounds and monotony ------------------------------------------------------------------------


@given(tubes(), curves(), BENDS, st.floats(1, 3), SIDES)
def test_moment_rises_with_curvature(
    tube: Tube, curve: FlowCurve, ratio: float, factor: float, side: Any
) -> None:
    low = 1 / (ratio * tube.outside_diameter)
    high = min(low * factor, 1.999 / tube.outside_diameter)
    assert moment(tube, curve, low, side) <= moment(tube, curve, high, side) * (1 + 1e-10)


@given(tubes(), curves())
def test_moment_does_not_fall_where_the_strain_measure_changes(
    tube: Tube, curve: FlowCurve
) -> None:
    """But for the elastic core, whose true strain differs in the second order."""
    change = 0.2 / tube.outside_diameter
    core = curve.elastic_limit_strain**2
    below, above = moments(tube, curve, [change * (1 - 1e-12), change * (1 + 1e-12)])
    assert below * (1 - core - 1e-9) <= above <= below * 1.005


@given(tubes(), curves(), BENDS)
def test_moment_is_positive_and_never_above_the_elastic_one(
    tube: Tube, curve: FlowCurve, ratio: float
) -> None:
    curvature = 1 / (ratio * tube.outside_diameter)
    elastic = curve.elastic_modulus * section_properties(tube).second_moment * curvature
    assert 0 < moment(tube, curve, curvature, "engineering") <= elastic * (1 + 1e-9)


# --- scaling ------------------------------------------------------------------------------------


@given(tubes(), curves(), BENDS, st.floats(0.4, 2.4), SIDES)
def test_lengths_times_k_scale_moments_by_k_cubed(
    tube: Tube, curve: FlowCurve, ratio: float, k: float, side: Any
) -> None:
    curvature = 1 / (ratio * tube.outside_diameter)
    larger = Tube(tube.outside_diameter * k, tube.wall_thickness * k)
    assert moment(larger, curve, curvature / k, side) == pytest.approx(
        k**3 * moment(tube, curve, curvature, side), rel=1e-9
    )


@given(tubes(), curves(), BENDS, st.floats(0.2, 5), SIDES)
def test_stresses_times_k_scale_moments_by_k(
    tube: Tube, curve: FlowCurve, ratio: float, k: float, side: Any
) -> None:
    curvature = 1 / (ratio * tube.outside_diameter)
    stronger = FlowCurve(
        curve.elastic_modulus * k,
        (curve.yield_strength or 1) * k,
        curve.hardening and times(curve.hardening, k),
    )
    assert moment(tube, stronger, curvature, side) == pytest.approx(
        k * moment(tube, curve, curvature, side), rel=1e-9
    )


def times(hardening: Hardening, k: float) -> Hardening:
    strength, tangent = hardening.strength_coefficient, hardening.tangent_modulus
    return replace(
        hardening,
        strength_coefficient=None if strength is None else strength * k,
        tangent_modulus=None if tangent is None else tangent * k,
    )


# --- one law seen as another --------------------------------------------------------------------


@given(tubes(), MODULUS, YIELD, st.floats(1, 20_000), BENDS)
def test_linear_power_law_by_quadrature_is_the_bilinear_closed_form(
    tube: Tube, modulus: float, strength: float, tangent: float, ratio: float
) -> None:
    power = FlowCurve(
        modulus, strength, Hardening("ludwik", strength_coefficient=tangent, exponent=1.0)
    )
    line = FlowCurve(modulus, strength, Hardening("bilinear", tangent_modulus=tangent))
    curvature = 1 / (ratio * tube.outside_diameter)
    assert moment(tube, power, curvature, "engineering") == pytest.approx(
        moment(tube, line, curvature, "engineering"), rel=1e-9
    )


@given(tubes(), st.floats(50, 2000), st.floats(0.02, 1), BENDS)
def test_power_law_by_quadrature_is_the_closed_form(
    tube: Tube, strength: float, exponent: float, ratio: float
) -> None:
    """Swift's law without prestrain, rigid below, is Hollomon's."""
    law = Hardening("swift", strength_coefficient=strength, exponent=exponent, prestrain=0.0)
    curvature = 1 / (ratio * tube.outside_diameter)
    assert moment(tube, FlowCurve(math.inf, None, law), curvature, "engineering") == pytest.approx(
        hollomon_moment(tube, strength, exponent, curvature), rel=1e-9
    )


@given(tubes(), YIELD, st.floats(1, 100), BENDS)
def test_smooth_knee_without_elastic_part_is_the_power_law(
    tube: Tube, proof: float, exponent: float, ratio: float
) -> None:
    """ε = 0.002·(σ/Y)^N is σ = Y·0.002^(−1/N)·ε^(1/N)."""
    rigid = FlowCurve(math.inf, proof, Hardening("ramberg_osgood", exponent=exponent))
    curvature = 1 / (ratio * tube.outside_diameter)
    strength = proof * 0.002 ** (-1 / exponent)
    assert moment(tube, rigid, curvature, "engineering") == pytest.approx(
        hollomon_moment(tube, strength, 1 / exponent, curvature), rel=1e-9
    )


@given(tubes(), MODULUS, YIELD, BENDS)
def test_quadrature_of_the_flat_law_is_its_closed_form(
    tube: Tube, modulus: float, strength: float, ratio: float
) -> None:
    """With true strain only the small elastic core differs."""
    curve = FlowCurve(modulus, strength)
    curvature = 1 / (ratio * tube.outside_diameter)
    yield_strain = strength / modulus
    assert moment(tube, curve, curvature, "true") == pytest.approx(
        moment(tube, curve, curvature, "engineering"), rel=yield_strain**2 * 50 + 1e-9
    )


# --- arrays -------------------------------------------------------------------------------------


@given(tubes(), curves(), st.lists(BENDS, max_size=8), st.sampled_from(["auto", "engineering"]))
def test_many_at_once_are_the_same_as_one_by_one(
    tube: Tube, curve: FlowCurve, ratios: list[float], choice: Any
) -> None:
    radii = np.array(ratios) * tube.outside_diameter
    each = [moment(tube, curve, 1 / r, choice) for r in radii]
    assert moments(tube, curve, 1 / radii, choice) == pytest.approx(each, rel=1e-12)
    ratios_at_once = springback_ratios(tube, curve, radii, choice)
    each = [springback(tube, curve, float(r), choice).ratio for r in radii]
    assert ratios_at_once == pytest.approx(each, abs=1e-9)


# --- springback ---------------------------------------------------------------------------------


@given(tubes(), curves(), st.floats(0.8, 200), st.sampled_from(["auto", "engineering", "true"]))
def test_bending_tighter_and_letting_go_is_the_identity(
    tube: Tube, curve: FlowCurve, ratio: float, choice: Any
) -> None:
    wanted = ratio * tube.outside_diameter
    bent = moment(tube, curve, 1.99 / tube.outside_diameter, choice)
    rigidity = curve.elastic_modulus * section_properties(tube).second_moment
    assume(1.99 / tube.outside_diameter - bent / rigidity > 1.01 / wanted)
    held = loaded_radius(tube, curve, wanted, choice)
    assert tube.outside_diameter / 2 < held < wanted
    assert springback(tube, curve, held, choice).unloaded_radius == pytest.approx(wanted, rel=1e-8)


@given(tubes(), curves(), BENDS)
def test_letting_go_opens_the_bend(tube: Tube, curve: FlowCurve, ratio: float) -> None:
    bend = springback(tube, curve, ratio * tube.outside_diameter, "engineering")
    assert -1e-9 <= bend.ratio < 1
    assert bend.unloaded_radius > bend.loaded_radius


@given(tubes(), curves(), BENDS, st.floats(0.02, 6), st.floats(0, 0.1))
def test_overbend_and_springback_of_the_angle_is_the_identity(
    tube: Tube, curve: FlowCurve, ratio: float, angle: float, constant: float
) -> None:
    bend = springback(tube, curve, ratio * tube.outside_diameter)
    assume(bend.ratio > 1e-3)
    loaded = bend.loaded_angle(angle, constant)
    assert loaded > angle
    assert bend.unloaded_angle(loaded, constant) == pytest.approx(angle, rel=1e-9)
    assert bend.angle_change(loaded, constant) == pytest.approx(loaded - angle, abs=1e-9 * loaded)


@given(tubes(), curves(), BENDS, st.floats(0.02, 6))
def test_arc_length_is_kept(tube: Tube, curve: FlowCurve, ratio: float, angle: float) -> None:
    bend = springback(tube, curve, ratio * tube.outside_diameter)
    assume(bend.ratio > 1e-6)
    before, after = bend.loaded_radius * angle, bend.unloaded_radius * bend.unloaded_angle(angle)
    assert after == pytest.approx(before, rel=1e-6)
