"""What must hold for every mandrel: scaling, order of noses, contact, verdicts that never fall."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.calc.bend_order import BendToMake
from service.calc.mandrel_criterion import (
    VERDICTS,
    LimitsInForce,
    MandrelCriterion,
    limits_in_force,
    mandrel_criterion,
)
from service.calc.mandrel_lead import (
    Rod,
    largest_lead,
    mandrel_tool,
    nose_gap,
    outer_wall_fall,
    rod_setting,
)
from service.model import MandrelLimits, Tube

TRADE = limits_in_force(MandrelLimits())
diameters = st.floats(4.0, 60.0)
wall_ratios = st.floats(0.01, 0.3)
bend_ratios = st.floats(0.8, 12.0)
shares = st.floats(0.001, 0.2)
scales = st.floats(0.05, 8.0)


def parts(
    od: float, wall_ratio: float, bend_ratio: float, share: float
) -> tuple[Tube, float, float]:
    """Tube, radius, and the body of a mandrel with this share of the bore as clearance."""
    tube = Tube(od, od * wall_ratio)
    return tube, od * bend_ratio, tube.inside_diameter * (1 - share)


@given(diameters, wall_ratios, bend_ratios, shares, st.floats(0.0, 1.0), scales)
def test_all_lengths_scale_with_the_tube(
    od: float, wall: float, bend: float, share: float, corner: float, k: float
) -> None:
    tube, radius, body = parts(od, wall, bend, share)
    rho = corner * body / 2
    assume(0.5 <= k * od <= 500)
    large = Tube(k * od, k * tube.wall_thickness)
    lead = largest_lead(tube, radius, body, rho)
    assert largest_lead(large, k * radius, k * body, k * rho) == pytest.approx(k * lead, rel=1e-7)
    fall = outer_wall_fall(tube, radius, 0.3 * radius)
    assert outer_wall_fall(large, k * radius, 0.3 * k * radius) == pytest.approx(k * fall, rel=1e-9)


@given(diameters, wall_ratios, bend_ratios, shares, st.floats(0.0, 1.0))
def test_the_nose_touches_at_its_largest_lead(
    od: float, wall: float, bend: float, share: float, corner: float
) -> None:
    tube, radius, body = parts(od, wall, bend, share)
    rho = corner * body / 2
    lead = largest_lead(tube, radius, body, rho)
    assert nose_gap(tube, radius, body, rho, lead) == pytest.approx(0.0, abs=1e-9 * od)
    assert nose_gap(tube, radius, body, rho, 0.9 * lead) > 0
    assert nose_gap(tube, radius, body, rho, rho + 1.1 * (lead - rho)) < 0
    assert nose_gap(tube, radius, body, rho, 0.0) == pytest.approx(
        (tube.inside_diameter - body) / 2
    )


@given(diameters, wall_ratios, bend_ratios, shares, st.floats(0.0, 1.0), st.floats(0.0, 0.9))
def test_rounder_looser_wider_and_thinner_never_take_lead(
    od: float, wall: float, bend: float, share: float, corner: float, lost: float
) -> None:
    tube, radius, body = parts(od, wall, bend, share)
    rho = corner * body / 2
    lead = largest_lead(tube, radius, body, rho)
    rounding = 1 - 1e-12
    assert largest_lead(tube, radius, body) * rounding <= lead
    assert lead * rounding <= largest_lead(tube, radius, body, body / 2)
    corner_of_both = min(rho, 0.49 * body)
    looser = largest_lead(tube, radius, 0.98 * body, corner_of_both)
    assert looser > largest_lead(tube, radius, body, corner_of_both)
    assert largest_lead(tube, 1.1 * radius, body, rho) >= lead * rounding
    assert largest_lead(tube, radius, body, rho, lost * tube.wall_thickness) >= lead * rounding


@given(diameters, wall_ratios, bend_ratios)
def test_no_clearance_leaves_the_corner_alone(od: float, wall: float, bend: float) -> None:
    tube, radius, _ = parts(od, wall, bend, 0.0)
    body = tube.inside_diameter
    assert largest_lead(tube, radius, body) == 0
    assert largest_lead(tube, radius, body, body / 4) == pytest.approx(body / 4)


def limits() -> st.SearchStrategy[LimitsInForce]:
    def build(low: float, more: float, tight: float, wider: float) -> LimitsInForce:
        return limits_in_force(MandrelLimits(low, low + more, tight, tight + wider))

    return st.builds(
        build, st.floats(0.0, 0.2), st.floats(0.0, 0.2), st.floats(0.6, 5.0), st.floats(0.0, 5.0)
    )


def judged(od: float, wall: float, bend: float, held: LimitsInForce) -> MandrelCriterion:
    return mandrel_criterion(Tube(od, od * wall), [BendToMake(1, od * bend)], limits=held)


@given(diameters, wall_ratios, bend_ratios, st.floats(1.0, 1.6), limits())
def test_a_thicker_wall_or_a_wider_bend_never_needs_a_mandrel_more(
    od: float, wall: float, bend: float, more: float, held: LimitsInForce
) -> None:
    base = VERDICTS.index(judged(od, wall, bend, held).verdict)
    assert VERDICTS.index(judged(od, wall * more, bend, held).verdict) <= base
    assert VERDICTS.index(judged(od, wall, bend * more, held).verdict) <= base


@given(diameters, wall_ratios, bend_ratios, scales, limits())
def test_the_verdict_does_not_depend_on_size(
    od: float, wall: float, bend: float, k: float, held: LimitsInForce
) -> None:
    assume(0.5 <= k * od <= 500)
    assert judged(k * od, wall, bend, held).verdict == judged(od, wall, bend, held).verdict


@given(diameters, wall_ratios, bend_ratios, limits())
def test_margin_and_limits_tell_the_verdict(
    od: float, wall: float, bend: float, held: LimitsInForce
) -> None:
    row = judged(od, wall, bend, held).bends[0]
    required = row.required_below_wall_ratio
    if row.margin is not None and abs(row.margin) > 1e-7:
        assert (row.verdict == "not_needed") == (row.margin > 0)
    if row.margin is None:
        assert row.verdict != "not_needed"
    if required is not None and abs(wall - required) > 1e-7:
        assert (row.verdict == "required") == (wall < required)
    if required is None:
        assert row.verdict != "required"


@given(st.floats(0.0, 5e4), st.floats(0.0, 50.0), st.floats(50.0, 3000.0), st.floats(0.0, 0.8))
def test_rods_reach_and_one_fewer_does_not(
    behind: float, lead: float, length: float, overlap: float
) -> None:
    rod = Rod(length, overlap * length)
    setting = rod_setting(behind, lead, rod)
    assert setting.rods is not None
    assert setting.reach is not None
    assert setting.reach >= setting.nose_to_stop - 1e-6 * length
    if setting.rods > 1:
        assert setting.reach - (length - rod.overlap) < setting.nose_to_stop + 1e-6 * length


@given(diameters, wall_ratios, shares)
def test_clearance_and_body_are_the_same_mandrel(od: float, wall: float, share: float) -> None:
    tube = Tube(od, od * wall)
    clearance = share * tube.inside_diameter
    one = mandrel_tool(tube, clearance=clearance)
    assert one is not None
    other = mandrel_tool(tube, body_diameter=one.body_diameter)
    assert other is not None
    assert other.clearance == pytest.approx(clearance, rel=1e-9)
