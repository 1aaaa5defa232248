"""What clamp, groove, pressure die and their care say of a fault."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import NamedTuple

from service.calc.bend_rules_geometry import straight_for_clamp, straight_for_pressure_die
from service.calc.capacity_check import SAME_TOOL
from service.calc.fault_case import FaultCase, Found, compared, silent
from service.errors import Amount, Value
from service.model import Method

METHODS = (
    Method(
        "fault-groove",
        "Groove of the die against the tube",
        "clearance = groove − D; wide above 1 % of D unless the caller says otherwise, narrow "
        "below −0.1 % of D",
        "groove as gauged, else the tube that the die is made for; the limits are common practice",
        ("common-practice", "shop-profile", "caller"),
    ),
    Method(
        "fault-grip",
        "Straight in the clamp and on the pressure die",
        "straight before the bend against what the clamp needs; tube behind the start of bend "
        "against what the pressure die needs",
        "lengths as the die states them, else 1.5 to 3 outside diameters (common practice)",
        ("shop-profile", "common-practice"),
    ),
    Method(
        "fault-observation",
        "What was seen or done at the bench",
        "taken as it was sent",
        "as good as the look that was taken",
        ("caller", "common-practice"),
    ),
)


class _Seen(NamedTuple):
    """An observation: where it stands, what of it speaks for the cause, and the two texts."""

    place: str
    supports: tuple[object, ...]
    for_it: str
    against_it: str


OBSERVED: Mapping[str, _Seen] = {
    "clamp_dry": _Seen("set_up.clamp_dry", (False,), "clamp_was_oily", "clamp_was_dry"),
    "clamp_marks": _Seen(
        "measured.clamp_marks", (True,), "clamp_left_drag_marks", "clamp_left_no_drag_marks"
    ),
    "cleaning": _Seen("set_up.cleaned", (False,), "tools_not_cleaned", "tools_were_cleaned"),
    "lubrication": _Seen("set_up.lubricated", (False,), "tube_was_dry", "tube_was_lubricated"),
    "pressure_die_loose": _Seen(
        "set_up.pressure_die", ("loose",), "pressure_die_was_loose", "pressure_die_was_not_loose"
    ),
    "pressure_die_tight": _Seen(
        "set_up.pressure_die", ("tight",), "pressure_die_was_tight", "pressure_die_was_not_tight"
    ),
    "seam": _Seen(
        "set_up.seam", ("outside", "inside"), "seam_lies_in_the_bend", "seam_lies_at_the_side"
    ),
    "zero_set": _Seen("set_up.zero_set", (False,), "zero_was_not_set", "zero_was_set"),
}


def _observation(name: str) -> Callable[[FaultCase], Found]:
    seen = OBSERVED[name]
    part, member = seen.place.split(".")

    def test(case: FaultCase) -> Found:
        value = getattr(getattr(case, part), member)
        if value is None:
            return silent("not_observed", f"/{part}/{member}")
        case.used.append("fault-observation")
        if value in seen.supports:
            return Found(seen.for_it, "supports")
        return Found(seen.against_it, "contradicts")

    return test


def _clearance(case: FaultCase) -> tuple[Amount, Value] | None:
    """Clearance of the groove, and whether it was gauged."""
    if case.set_up.groove_clearance is not None:
        return Amount(case.set_up.groove_clearance, "length"), "gauged"
    if case.die is None:
        return None
    made_for = case.die.tube_outside_diameter
    return Amount(made_for - case.tube.outside_diameter, "length"), "of_the_die"


_CLEARANCE_DATA = ("/set_up/groove_clearance", "/die")


def groove_wide(case: FaultCase) -> Found:
    """Clearance of the groove against its largest share of D."""
    known = _clearance(case)
    if known is None:
        return silent("groove_unknown", *_CLEARANCE_DATA)
    case.used.append("fault-groove")
    limit = Amount(case.limits.groove_clearance * case.tube.outside_diameter, "length")
    wide = known[0].value > limit.value
    if known[1] == "of_the_die" and not wide:
        # a die made for this tube may be worn: only the gauge tells
        return Found(
            "groove_right_by_name", "silent", *known[:1], limit, missing=_CLEARANCE_DATA[:1]
        )
    return compared(wide, "groove_is_wide", "groove_is_not_wide", known[0], limit)


def groove_narrow(case: FaultCase) -> Found:
    """Groove against tube: whether it bites."""
    known = _clearance(case)
    if known is None:
        return silent("groove_unknown", *_CLEARANCE_DATA)
    case.used.append("fault-groove")
    limit = Amount(-SAME_TOOL * case.tube.outside_diameter, "length")
    narrow = known[0].value < limit.value
    return compared(
        narrow, "groove_is_narrow", "groove_is_not_narrow", known[0], Amount(0.0, "length")
    )


def clamp_straight(case: FaultCase) -> Found:
    """Straight in front of the bend against what the clamp needs."""
    if case.bend is None:
        return silent("bend_unknown", "/radius", "/run")
    held = _clamped(case)
    if held is None:
        return silent("clamped_length_unknown", "/set_up/clamped_length", "/run")
    case.used.append("fault-grip")
    needed = straight_for_clamp(case.tube, case.bend.radius, case.die)
    limit = Amount(needed.least, "length")
    found = compared(
        held < needed.least,
        "clamped_straight_is_short",
        "clamped_straight_is_long_enough",
        Amount(held, "length"),
        limit,
    )
    return found if needed.stated else replace(found, missing=("/die",))


def _clamped(case: FaultCase) -> float | None:
    if case.set_up.clamped_length is not None:
        return case.set_up.clamped_length
    if case.run is None:
        return None
    ends = case.ends
    front = ends.length_1 if case.measured_from == "end_1" else ends.length_2
    return case.worked[case.step - 1].straight + (front if case.step == 1 else 0.0)


def rear_straight(case: FaultCase) -> Found:
    """Tube behind the start of bend against arc and pressure die."""
    bend = case.bend
    if bend is None or bend.tube_behind is None:
        return silent("tube_behind_unknown", "/run", "/tube_behind")
    case.used.append("fault-grip")
    needed = straight_for_pressure_die(case.tube, bend.radius, case.die)
    arc = (1 - case.stretch) * bend.radius * (bend.angle or 0.0)
    least = max(arc, needed.least)
    found = compared(
        bend.tube_behind < least,
        "tube_behind_is_short",
        "tube_behind_is_long_enough",
        Amount(bend.tube_behind, "length"),
        Amount(least, "length"),
    )
    return found if needed.stated else replace(found, missing=("/die",))


def die_radius(case: FaultCase) -> Found:
    """Radius of the die against the radius wanted."""
    if case.die is None or case.bend is None:
        return silent("die_unknown", "/die")
    of_die, wanted = case.die.radius, case.bend.radius
    differs = abs(of_die - wanted) > SAME_TOOL * wanted
    value, limit = Amount(of_die, "length"), Amount(wanted, "length")
    return compared(differs, "die_has_another_radius", "die_has_this_radius", value, limit)


def long_tube(case: FaultCase) -> Found:
    """Tube behind the die against the length from which the bender asks for a support."""
    behind = case.bend.tube_behind if case.bend else None
    limit = case.bender.bender.support_from if case.bender else None
    if case.set_up.supported:
        case.used.append("fault-observation")
        return Found("tube_was_supported", "contradicts")
    if behind is None or limit is None:
        needed = ["/bender"] * (limit is None) + ["/run", "/tube_behind"] * (behind is None)
        return silent("support_unknown", *needed)
    value, most = Amount(behind, "length"), Amount(limit, "length")
    found = compared(behind > limit, "tube_is_long", "tube_is_not_long", value, most)
    unknown = case.set_up.supported is None and found.speaks == "supports"
    return replace(found, missing=("/set_up/supported",)) if unknown else found


TESTS: Mapping[str, Callable[[FaultCase], Found]] = {
    **{name: _observation(name) for name in OBSERVED},
    "groove_wide": groove_wide,
    "groove_narrow": groove_narrow,
    "clamp_straight": clamp_straight,
    "rear_straight": rear_straight,
    "die_radius": die_radius,
    "long_tube": long_tube,
}
