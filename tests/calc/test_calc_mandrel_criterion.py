"""Verdict, limits and findings of the mandrel criterion, on both sides of each limit."""

from __future__ import annotations

import math
from typing import Any

import pytest

from service.calc.bend_order import BendToMake, bends_of_run
from service.calc.bend_wall import MeasuredBend
from service.calc.developed_length import Allowance, Ends
from service.calc.mandrel_criterion import (
    MandrelCriterion,
    QualityDemand,
    limits_in_force,
    mandrel_criterion,
)
from service.calc.mandrel_lead import MandrelTool, Rod, mandrel_tool, rod_setting
from service.errors import CalculationError, MissingError, OutOfRangeError
from service.model import Bend, Die, MandrelLimits, Run, Tube

SHOP = MandrelLimits(0.05, 0.08, 2.5, 5.0)
NONE = MandrelLimits()


def judged(
    wall: float, radius: float, limits: MandrelLimits = SHOP, od: float = 20.0, **more: Any
) -> MandrelCriterion:
    bends = more.pop("bends", [BendToMake(1, radius, math.pi / 2)])
    return mandrel_criterion(Tube(od, wall), bends, limits=limits_in_force(limits), **more)


def codes(answer: MandrelCriterion) -> dict[str, str]:
    return {finding.code: finding.severity for finding in answer.findings}


@pytest.mark.parametrize(
    ("wall", "radius", "verdict", "reasons"),
    [
        # middling bend ratio: the wall alone
        (0.99, 60, "required", ("wall_below_required_limit",)),
        (1.0, 60, "advised", ("wall_below_advised_limit",)),
        (1.59, 60, "advised", ("wall_below_advised_limit",)),
        (1.6, 60, "not_needed", ("wall_above_mandrel_limits",)),
        # tight, one step more: at the limit and just above it
        (1.6, 50, "advised", ("wall_above_mandrel_limits", "bend_ratio_tight")),
        (1.6, 50.1, "not_needed", ("wall_above_mandrel_limits",)),
        (1.59, 50, "required", ("wall_below_advised_limit", "bend_ratio_tight")),
        (0.99, 50, "required", ("wall_below_required_limit", "bend_ratio_tight")),
        # wide, one step less: at the limit and just above it
        (0.99, 100, "required", ("wall_below_required_limit",)),
        (0.99, 100.1, "advised", ("wall_below_required_limit", "bend_ratio_wide")),
        (1.0, 100.1, "not_needed", ("wall_below_advised_limit", "bend_ratio_wide")),
        (1.6, 100.1, "not_needed", ("wall_above_mandrel_limits", "bend_ratio_wide")),
    ],
)
def test_verdict_on_both_sides_of_each_limit(
    wall: float, radius: float, verdict: str, reasons: tuple[str, ...]
) -> None:
    answer = judged(wall, radius)
    assert answer.verdict == verdict
    assert answer.bends[0].reasons == reasons
    assert set(reasons) <= codes(answer).keys()


def test_the_trade_rule_stands_in_where_nothing_is_stated() -> None:
    """Below 7 % of the outside diameter: common practice, no published source."""
    # 1.4/20 is 0.06999… in binary and still counts as 7 %
    assert judged(1.4, 60, NONE).verdict == "not_needed"
    assert judged(1.39, 60, NONE).verdict == "required"
    assert judged(1.4, 40, NONE).verdict == "advised"
    assert judged(1.39, 100.1, NONE).verdict == "advised"
    assert judged(1.4, 60, NONE).limits.wall_origin == "trade"
    assert judged(1.4, 60, NONE).methods[0] == "mandrel-rule-of-the-trade"


def test_a_shop_that_asks_less_than_the_trade_is_told() -> None:
    lax = MandrelLimits(0.03, 0.05, 2.0, 5.0)
    told = "trade_rule_asks_for_mandrel"
    assert codes(judged(1.2, 60, lax))[told] == "needs_care"
    assert told not in codes(judged(1.4, 60, lax))
    assert told not in codes(judged(0.9, 60, lax))


@pytest.mark.parametrize(
    ("shop", "request_", "expected"),
    [
        (NONE, None, (0.07, 0.07, 2.0, 5.0, "trade", "trade")),
        (SHOP, None, (0.05, 0.08, 2.5, 5.0, "shop", "shop")),
        (SHOP, MandrelLimits(0.06), (0.06, 0.08, 2.5, 5.0, "request", "shop")),
        (SHOP, MandrelLimits(none_above_bend_ratio=4.0), (0.05, 0.08, 2.5, 4.0, "shop", "request")),
        # one of a pair stated: the other does not exist, and the trade's does not slip in
        (MandrelLimits(advised_below_wall_ratio=0.05), None, (None, 0.05, 2, 5, "shop", "trade")),
        (MandrelLimits(tight_bend_ratio=6.0), None, (0.07, 0.07, 6.0, None, "trade", "shop")),
    ],
)
def test_the_caller_goes_before_the_shop_and_the_shop_before_the_trade(
    shop: MandrelLimits, request_: MandrelLimits | None, expected: tuple[Any, ...]
) -> None:
    held = limits_in_force(shop, request_)
    found = (
        held.required_below_wall_ratio,
        held.advised_below_wall_ratio,
        held.tight_bend_ratio,
        held.none_above_bend_ratio,
        held.wall_origin,
        held.bend_origin,
    )
    assert found == expected


def test_half_stated_limits_leave_out_the_other_step() -> None:
    only_advised = MandrelLimits(advised_below_wall_ratio=0.05)
    assert judged(0.4, 60, only_advised).verdict == "advised"
    assert judged(1.0, 60, only_advised).verdict == "not_needed"
    only_required = MandrelLimits(required_below_wall_ratio=0.05)
    assert judged(0.99, 60, only_required).verdict == "required"
    assert judged(1.0, 60, only_required).verdict == "not_needed"


@pytest.mark.parametrize(
    ("request_", "name"),
    [
        (MandrelLimits(required_below_wall_ratio=0.09), "required_below_wall_ratio"),
        (MandrelLimits(advised_below_wall_ratio=0.04), "advised_below_wall_ratio"),
        (MandrelLimits(tight_bend_ratio=5.1), "tight_bend_ratio"),
        (MandrelLimits(none_above_bend_ratio=2.4), "none_above_bend_ratio"),
    ],
)
def test_limits_that_cross_are_refused(request_: MandrelLimits, name: str) -> None:
    with pytest.raises(OutOfRangeError) as caught:
        limits_in_force(SHOP, request_)
    assert caught.value.code == "mandrel_limits_cross"
    assert caught.value.field == ("limits", name)


def test_the_most_demanding_bend_decides() -> None:
    bends = [BendToMake(1, 101.0), BendToMake(2, 60.0), BendToMake(3, 45.0), BendToMake(4, 50.0)]
    answer = judged(1.2, 0.0, bends=bends)
    assert [row.verdict for row in answer.bends] == [
        "not_needed",
        "advised",
        "required",
        "required",
    ]
    assert (answer.verdict, answer.deciding_bend) == ("required", 3)


# --- thinning and ovality -------------------------------------------------------------------------


def test_outer_wall_is_a_reason_on_the_thin_side_only() -> None:
    # held section at R/D = 3 and t = 2: 2·60/69 = 1.739130 (volume constancy)
    for least, verdict in ((1.7391, "not_needed"), (1.7392, "advised")):
        answer = judged(2.0, 60, quality=QualityDemand(least_outer_wall=least))
        assert answer.verdict == verdict
        assert ("outer_wall_below_least" in codes(answer)) == (verdict == "advised")
        assert {"wall-held-section", "mandrel-for-bend-quality"} <= set(answer.methods)
    form = judged(2.0, 60).bends[0].form
    assert form.outer_wall_least == pytest.approx(1.739130, abs=5e-7)
    assert form.outer_wall_most == pytest.approx(1.865010, abs=5e-7)


def test_a_measured_outer_wall_goes_before_the_bounds() -> None:
    gauged = (MeasuredBend(1, wall_outside=1.8),)
    answer = judged(2.0, 60, quality=QualityDemand(gauged, least_outer_wall=1.75))
    assert answer.verdict == "not_needed"
    assert answer.bends[0].form.outer_wall_measured
    assert answer.bends[0].form.thinning == pytest.approx(0.1)
    assert "wall-held-section" not in answer.methods


def measured(largest: float, least: float) -> QualityDemand:
    return QualityDemand((MeasuredBend(1, largest, least),))


def test_ovality_is_a_reason_past_its_limit_only() -> None:
    """8 % of the nominal diameter under internal pressure: ASME B31.3 332.2.1, from memory."""
    within, past = (
        judged(2.0, 60, quality=measured(20.8, 19.2)),
        judged(2.0, 60, quality=measured(20.81, 19.2)),
    )
    assert (within.verdict, past.verdict) == ("not_needed", "required")
    assert codes(within)["ovality_within_largest"] == "ok"
    assert codes(past)["ovality_above_largest"] == "needs_care"
    assert {"ovality-of-nominal", "limit-b31-3-flattening"} <= set(past.methods)
    own = QualityDemand(measured(20.5, 19.6).measured, largest_ovality=0.04)
    assert judged(2.0, 60, quality=own).verdict == "required"
    assert "limit-b31-3-flattening" not in judged(2.0, 60, quality=own).methods


def test_measures_that_cannot_be_are_refused() -> None:
    with pytest.raises(OutOfRangeError) as caught:
        judged(2.0, 60, quality=QualityDemand((MeasuredBend(2, 20.1, 19.9),)))
    assert caught.value.field[0] == "measured"
    with pytest.raises(MissingError):
        judged(2.0, 60, quality=QualityDemand((MeasuredBend(1, 20.1),)))


# --- nose, lead, rod ------------------------------------------------------------------------------


def tool(**parts: Any) -> MandrelTool:
    made = mandrel_tool(Tube(38.0, 1.5), **parts)
    assert made is not None
    return made


def test_mandrel_from_clearance_body_or_shop() -> None:
    assert tool(clearance=0.3, shop_clearance=0.5).body_diameter == pytest.approx(34.7)
    assert tool(clearance=0.3, shop_clearance=0.5).origin == "request"
    assert tool(body_diameter=34.7, shop_clearance=0.5).clearance == pytest.approx(0.3)
    assert tool(shop_clearance=0.5).body_diameter == pytest.approx(34.5)
    assert tool(shop_clearance=0.5).origin == "shop"
    assert mandrel_tool(Tube(38.0, 1.5)) is None
    assert tool(clearance=0.3, nose="hemisphere").corner_radius == pytest.approx(17.35)


@pytest.mark.parametrize(
    ("parts", "code"),
    [
        ({"clearance": 0.3, "body_diameter": 34.0}, "clearance_and_body"),
        ({"clearance": 35.0}, "mandrel_does_not_fit"),
        ({"body_diameter": 35.01}, "mandrel_does_not_fit"),
        ({"clearance": 0.3, "corner_radius": 2.0}, "corner_radius_unused"),
        ({"clearance": 0.3, "nose": "rounded"}, "corner_radius_missing"),
        ({"clearance": 1.0, "nose": "rounded", "corner_radius": 17.1}, "corner_radius_too_large"),
    ],
)
def test_mandrels_that_cannot_be(parts: dict[str, Any], code: str) -> None:
    with pytest.raises(CalculationError) as caught:
        tool(**parts)
    assert caught.value.code == code


def test_mandrels_that_just_can_be() -> None:
    assert tool(clearance=34.9).body_diameter == pytest.approx(0.1)
    assert tool(body_diameter=35.0).clearance == 0
    assert tool(clearance=1.0, nose="rounded", corner_radius=17.0).corner_radius == 17.0


def with_lead(lead: float, **more: Any) -> MandrelCriterion:
    made = tool(clearance=0.3)
    return judged(1.5, 76, od=38.0, tool=made, lead=lead, **more)


@pytest.mark.parametrize(
    ("lead", "code", "severity"),
    [
        (-0.1, "lead_behind_tangent", "needs_care"),
        (0.0, "lead_within_contact", "ok"),
        (5.2941, "lead_within_contact", "ok"),  # contact at 5.294100
        (5.2942, "lead_needs_thinned_wall", "needs_care"),
        # wall 1.5·√(76/94.25) = 1.346968 at the outside, contact at 7.527805 by hand
        (7.5278, "lead_needs_thinned_wall", "needs_care"),
        (7.5279, "lead_past_contact", "blocks"),
    ],
)
def test_lead_on_both_sides_of_each_limit(lead: float, code: str, severity: str) -> None:
    answer = with_lead(lead)
    assert codes(answer)[code] == severity
    others = {"lead_behind_tangent", "lead_within_contact", "lead_past_contact"} - {code}
    assert others.isdisjoint(codes(answer))
    row = answer.bends[0].lead
    assert row is not None
    assert row.largest_thinned == pytest.approx(7.527805, abs=5e-7)
    assert row.adjustment == pytest.approx(row.largest - lead)


def test_a_lead_past_the_bend_is_refused() -> None:
    assert with_lead(93.5).bends[0].lead is not None
    with pytest.raises(OutOfRangeError) as caught:
        with_lead(93.6)
    assert caught.value.code == "lead_past_bend"


def test_clearance_of_nothing_is_told() -> None:
    jammed = judged(1.5, 76, od=38.0, tool=tool(body_diameter=35.0))
    free = judged(1.5, 76, od=38.0, tool=tool(body_diameter=34.9))
    assert "mandrel_without_clearance" in codes(jammed)
    assert "mandrel_without_clearance" not in codes(free)
    assert "mandrel_clearance_unknown" in codes(judged(1.5, 76, od=38.0))


@pytest.mark.parametrize(
    ("behind", "rods", "remaining"),
    [(995.0, 1, 0.0), (995.1, 2, 899.9), (1895.0, 2, 0.0), (1895.1, 3, 899.9)],
)
def test_rods_by_reach(behind: float, rods: int, remaining: float) -> None:
    # 1000 mm each, 100 mm overlap, nose 5 mm ahead: reach 1000, 1900, 2800
    setting = rod_setting(behind, 5.0, Rod(1000.0, 100.0))
    assert setting.rods == rods
    assert setting.remaining == pytest.approx(remaining)
    assert setting.nose_to_stop == pytest.approx(behind + 5.0)


def test_a_rod_needs_more_length_than_overlap() -> None:
    assert Rod(100.0, 99.9).length == 100.0
    with pytest.raises(OutOfRangeError) as caught:
        Rod(100.0, 100.0)
    assert caught.value.code == "rod_overlap_too_long"


def placed(behind: float, **more: Any) -> MandrelCriterion:
    bends = [BendToMake(1, 76.0, math.pi / 2, behind)]
    return judged(1.5, 0, od=38.0, tool=tool(clearance=0.3), bends=bends, **more)


def test_findings_of_the_place_on_both_sides() -> None:
    arc = 76 * math.pi / 2
    assert codes(placed(arc - 0.01))["tube_ends_in_bend"] == "blocks"
    assert "tube_ends_in_bend" not in codes(placed(arc))
    assert codes(placed(1000.1, longest_tube=1000.0))["tube_past_stop"] == "blocks"
    assert "tube_past_stop" not in codes(placed(1000.0, longest_tube=1000.0))
    rod = Rod(1000.0)
    assert codes(placed(996.0, lead=5.0, rod=rod))["rod_too_short"] == "needs_care"
    assert "rod_too_short" not in codes(placed(995.0, lead=5.0, rod=rod))
    assert "rod_length_unknown" in codes(placed(500.0))
    assert "rod_length_unknown" not in codes(placed(500.0, rod=rod))


def test_without_a_lead_the_nose_begins_at_the_tangent_point() -> None:
    row = placed(500.0, rod=Rod(1000.0)).bends[0]
    assert row.rod is not None
    assert row.rod.nose_to_stop == row.rod.stop_to_tangent == 500.0
    assert row.rod.remaining == 500.0


def test_without_a_lead_the_rods_reach_the_largest() -> None:
    # d = 35, d_m = 34.7, R = 76, sharp: e = √(0.15·(152 + 34.85)) = 5.2941 by hand
    judged_ = placed(996.0, rod=Rod(1000.0))
    row = judged_.bends[0]
    assert row.rod is not None
    assert row.rod.nose_to_stop == 996.0
    assert row.rod.rods == 2
    told = next(f for f in judged_.findings if f.code == "rod_too_short")
    assert told.value is not None
    assert told.value.value == pytest.approx(996 + math.sqrt(0.15 * 186.85))
    assert placed(994.7, rod=Rod(1000.0)).bends[0].rod.rods == 1  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("lead", "outside"), [(-0.01, True), (0.0, False), (5.2, False), (5.3, True)]
)
def test_a_lead_outside_its_range_is_known(lead: float, outside: bool) -> None:
    setting = placed(500.0, lead=lead).bends[0].lead
    assert setting is not None
    assert setting.outside is outside


def test_the_die_is_checked() -> None:
    right = Die("d", "D", 38.0, 76.0, 2.0)
    assert {"die_tube_differs", "die_radius_differs"}.isdisjoint(codes(placed(500.0, die=right)))
    assert "die_tube_differs" in codes(placed(500.0, die=Die("d", "D", 38.1, 76.0, 2.0)))
    assert "die_radius_differs" in codes(placed(500.0, die=Die("d", "D", 38.0, 76.1, 2.0)))


def test_tube_behind_each_bend_of_a_run() -> None:
    """Cut length less start tangent point, by hand: 100 + 90·R… on the straight tube."""
    run = Run((Bend(100, 0, math.pi / 2, 40), Bend(80, 1, math.pi / 4, 60)), 150)
    ends = Ends((Allowance("flare", 4),), (Allowance("insertion", 9),), 5)
    first, second = 40 * math.pi / 2, 60 * math.pi / 4
    tube = Tube(15, 1.5)
    forward = bends_of_run(run, tube, ends=ends)
    assert [bend.number for bend in forward] == [1, 2]
    assert forward[0].tube_behind == pytest.approx(first + 80 + second + 150 + 9 + 5)
    assert forward[1].tube_behind == pytest.approx(second + 150 + 9 + 5)
    back = bends_of_run(run, tube, measured_from="end_2", ends=ends, stretch=0.02)
    assert [bend.number for bend in back] == [2, 1]
    assert back[0].tube_behind == pytest.approx(0.98 * (first + second) + 80 + 100 + 4 + 5)


def test_a_radius_within_the_tube_is_refused() -> None:
    with pytest.raises(OutOfRangeError) as caught:
        judged(1.5, 10.0)
    assert caught.value.code == "radius_within_tube"
    assert judged(1.5, 10.01).bends[0].bend_ratio == pytest.approx(0.5005)


def test_invented_figures_are_named_where_they_are_used() -> None:
    assert "profile_invented" in codes(judged(1.5, 60, SHOP, invented=True))
    assert "profile_invented" not in codes(judged(1.5, 60, NONE, invented=True))
    assert "profile_invented" not in codes(judged(1.5, 60, SHOP))
