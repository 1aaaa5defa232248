"""What springback, set angle, rotation and radius say of a bend that came out wrong in its angles.

A cause predicts by how much the angle, the rotation or the radius would be off; a prediction within
the reading of what was measured speaks for it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

from service.calc.fault_case import FaultCase, Found, Way, compared, explained, silent, within
from service.calc.mark_layout import wrap
from service.errors import Amount
from service.model import Method

METHODS = (
    Method(
        "fault-angle",
        "Angle off by what a cause would make it",
        "springback left out −(a + b·θ), or θ·(K − 1) predicted; counted twice set angle − θ; "
        "included angle taken (180° − θ) − θ; another bend's angle θj − θ",
        "held against measured − wanted within the reading; a predicted springback stands with its "
        "band, and without hardening data it is a lower bound",
        ("derived-here", "shop-trials"),
    ),
    Method(
        "fault-rotation",
        "Rotation off by what a cause would make it",
        "wrong way −φ; from the first bend Σφ; half a turn φ + 180°; arc doubled or halved 2φ, "
        "φ/2; another bend's φj",
        "held against measured − wanted, the short way round, within the reading",
        ("elementary-geometry",),
    ),
    Method(
        "fault-radius",
        "Radius off by what a cause would make it",
        "another die R′; sprung open R/K; measured to the surface R ± D/2",
        "held against measured − wanted within the reading",
        ("elementary-geometry", "derived-here"),
    ),
)


def _angle(value: float) -> Amount:
    return Amount(value, "angle")


def angle_deviation(case: FaultCase) -> float | None:
    """Bend angle measured less wanted, rad; None where one of them is not known."""
    if case.bend is None or case.bend.angle is None or case.measured.angle is None:
        return None
    return case.measured.angle - case.bend.angle


def _not_judged(case: FaultCase) -> Found | None:
    """Why the angle cannot be judged; None where it can."""
    if case.bend is None or case.bend.angle is None:
        return silent("wanted_angle_unknown", "/angle", "/run")
    if case.measured.angle is None:
        return silent("angle_not_measured", "/measured/angle")
    off = angle_deviation(case)
    if off is not None and within(off, case.reading.angle):
        return Found("nothing_to_explain", "silent", _angle(off), _angle(case.reading.angle))
    return None


def _springback_unknown() -> Found:
    return silent("springback_unknown", "/springback", "/tube/material")


# --- amounts -------------------------------------------------------------------------------------


def angle_amount(case: FaultCase, cause: str) -> Found:
    """Deviation of the angle against what the cause would make it."""
    off = angle_deviation(case)
    if (why := _not_judged(case)) or off is None:
        return why or silent("angle_not_measured", "/measured/angle")
    ways = _ANGLE_WAYS[cause](case)
    if isinstance(ways, Found):
        return ways
    case.used.append("fault-angle")
    codes = ("angle_amount_fits", "angle_amount_does_not_fit", "angle_amount_too_small")
    return explained(off, ways, case.reading.angle, codes)


def _left_out(case: FaultCase) -> list[Way] | Found:
    angle, radius = _wanted(case)
    sprung = case.sprung(angle, radius, given="set")
    if sprung is None:
        return _springback_unknown()
    ways = [Way("springback_left_out", _angle(-sprung.springback), case.number)]
    off = angle_deviation(case)
    if sprung.origin == "predicted" and sprung.band is not None and off is not None:
        # anything within the band of a prediction may be it
        low, high = sprung.band.least - angle, sprung.band.most - angle
        in_band = _angle(min(max(off, low), high))
        ways.append(Way("springback_left_out_in_band", in_band, case.number))
    return ways


def _twice(case: FaultCase) -> list[Way] | Found:
    sprung = case.sprung(*_wanted(case), given="finished")
    if sprung is None:
        return _springback_unknown()
    return [Way("springback_counted_twice", _angle(sprung.springback), case.number)]


def _included(case: FaultCase) -> list[Way] | Found:
    angle, _ = _wanted(case)
    return [Way("included_angle_taken", _angle(math.pi - 2 * angle), case.number)]


def _other_bend(case: FaultCase) -> list[Way] | Found:
    if case.run is None:
        return silent("run_unknown", "/run")
    angle, _ = _wanted(case)
    others = [(n, b) for n, b in enumerate(case.run.bends, 1) if n != case.number]
    return [
        Way("angle_of_bend_taken", _angle(bend.angle - angle), number) for number, bend in others
    ]


def _wanted(case: FaultCase) -> tuple[float, float]:
    bend = case.bend
    assert bend is not None and bend.angle is not None, "judged only where both are known"  # noqa: PT018
    return bend.angle, bend.radius


_ANGLE_WAYS: Mapping[str, Callable[[FaultCase], list[Way] | Found]] = {
    "springback_left_out": _left_out,
    "springback_counted_twice": _twice,
    "included_angle_taken": _included,
    "angle_of_another_bend": _other_bend,
}


# --- set angle -----------------------------------------------------------------------------------


def set_to_wanted(case: FaultCase) -> Found:
    """Whether the bend was cranked to the wanted angle, so that springback was left out."""
    if case.set_up.angle is None:
        return silent("set_angle_unknown", "/set_up/angle")
    if case.bend is None or case.bend.angle is None:
        return silent("wanted_angle_unknown", "/angle", "/run")
    same = within(case.set_up.angle - case.bend.angle, case.reading.angle)
    value, limit = _angle(case.set_up.angle), _angle(case.bend.angle)
    return compared(same, "set_to_the_wanted_angle", "not_set_to_the_wanted_angle", value, limit)


def set_past_crank_angle(case: FaultCase) -> Found:
    """Whether the bend was cranked past the angle that springs back to the wanted one."""
    crank = _crank(case)
    if isinstance(crank, Found):
        return crank
    value, limit = _angle(crank[0]), _angle(crank[1])
    more = crank[0] - crank[1]
    past = more > 0 and not within(more, case.reading.angle)
    return compared(past, "set_past_the_crank_angle", "not_set_past_the_crank_angle", value, limit)


def _crank(case: FaultCase) -> tuple[float, float] | Found:
    """Angle cranked to, and the one that springs back to the wanted angle, rad."""
    if case.set_up.angle is None:
        return silent("set_angle_unknown", "/set_up/angle")
    if case.bend is None or case.bend.angle is None:
        return silent("wanted_angle_unknown", "/angle", "/run")
    sprung = case.sprung(case.bend.angle, case.bend.radius, given="finished")
    return _springback_unknown() if sprung is None else (case.set_up.angle, sprung.set_angle)


def angle_follows_setting(case: FaultCase) -> Found:
    """Whether the angle set, less its springback, is the angle measured: the tube did as told.

    An angle set to the wanted one is left to the springback that was left out.
    """
    if (why := _not_judged(case)) is not None:
        return why
    crank = _crank(case)
    if isinstance(crank, Found):
        return crank
    was_set, right = crank
    angle, radius = _wanted(case)
    sprung = case.sprung(was_set, radius, given="set")
    measured = case.measured.angle
    if sprung is None or measured is None:
        return _springback_unknown()
    case.used.append("fault-angle")
    reading = case.reading.angle
    elsewhere = not within(was_set - right, reading) and not within(was_set - angle, reading)
    follows = elsewhere and within(sprung.finished_angle - measured, reading)
    found = compared(
        follows,
        "angle_follows_the_setting",
        "set_as_it_should_be" if not elsewhere else "angle_does_not_follow_the_setting",
        _angle(was_set),
        _angle(right),
    )
    return replace(found, values={"expected": _angle(sprung.finished_angle)})


def springback_differs(case: FaultCase, cause: str) -> Found:
    """Springback that was met (set less measured) against the one reckoned with."""
    if (why := _not_judged(case)) is not None:
        return why
    if case.set_up.angle is None:
        return silent("set_angle_unknown", "/set_up/angle")
    _, radius = _wanted(case)
    sprung = case.sprung(case.set_up.angle, radius, given="set")
    if sprung is None or case.measured.angle is None:
        return _springback_unknown()
    case.used.append("fault-angle")
    met, reckoned = case.set_up.angle - case.measured.angle, sprung.springback
    more = met - reckoned if cause == "springback_larger" else reckoned - met
    found = compared(
        more > 0 and not within(more, case.reading.angle),
        "springback_met_differs",
        "springback_met_as_reckoned",
        _angle(met),
        _angle(reckoned),
    )
    return replace(found, missing=("/springback",)) if sprung.origin == "predicted" else found


def past_reach(case: FaultCase) -> Found:
    """Angle to crank to against the reach of die and bender."""
    reaches = [case.die.largest_angle] if case.die else []
    reaches += [case.bender.bender.largest_angle] if case.bender else []
    if not reaches:
        return silent("reach_unknown", "/die", "/bender")
    if case.bend is None or case.bend.angle is None:
        return silent("wanted_angle_unknown", "/angle", "/run")
    sprung = case.sprung(case.bend.angle, case.bend.radius, given="finished")
    needed = case.bend.angle if sprung is None else sprung.set_angle
    value, limit = _angle(needed), _angle(min(reaches))
    return compared(
        needed > min(reaches) * (1 + 1e-9),
        "crank_angle_past_reach",
        "crank_angle_in_reach",
        value,
        limit,
    )


# --- rotation ------------------------------------------------------------------------------------


def rotation_deviation(case: FaultCase) -> float | None:
    """Rotation measured less wanted, the short way round, rad; None where one is not known."""
    if case.run is None or case.measured.rotation is None or not case.worked:
        return None
    return wrap(case.measured.rotation - case.run.bends[case.number - 1].rotation)


def rotation_amount(case: FaultCase, cause: str) -> Found:
    """Deviation of the rotation against what the cause would make it."""
    if case.run is None:
        return silent("run_unknown", "/run")
    off = rotation_deviation(case)
    if off is None:
        return silent("rotation_not_measured", "/measured/rotation")
    if within(off, case.reading.angle):
        return Found("nothing_to_explain", "silent", _angle(off), _angle(case.reading.angle))
    case.used.append("fault-rotation")
    wanted = case.run.bends[case.number - 1].rotation
    # the short way round from what was measured, so that half a turn is one either way
    ways = [
        way._replace(amount=_angle(off + wrap(way.amount.value - wanted - off)))
        for way in _ROTATIONS[cause](case, wanted)
    ]
    codes = ("rotation_amount_fits", "rotation_amount_does_not_fit", "rotation_amount_too_small")
    return explained(off, ways, case.reading.angle, codes)


def _other_rotations(case: FaultCase, wanted: float) -> Iterable[Way]:  # noqa: ARG001
    assert case.run is not None, "judged only with a run"
    for number, bend in enumerate(case.run.bends, 1):
        if number not in (1, case.number):
            yield Way("rotation_of_bend_taken", _angle(bend.rotation), number)


def _from_first(case: FaultCase, wanted: float) -> Iterable[Way]:
    assert case.run is not None, "judged only with a run"
    before = math.fsum(bend.rotation for bend in case.run.bends[: case.number - 1])
    yield Way("rotation_from_first_taken", _angle(wanted + before), case.number)
    # what was rolled from the first bend leaves out what the bends before had turned
    yield Way("rotation_less_those_before", _angle(wanted - before), case.number)


_ROTATIONS: Mapping[str, Callable[[FaultCase, float], Iterable[Way]]] = {
    "rotation_wrong_way": lambda case, wanted: [
        Way("rolled_the_other_way", _angle(-wanted), case.number)
    ],
    "rotation_from_first": _from_first,
    "half_turn_out": lambda case, wanted: [
        Way("half_a_turn_out", _angle(wanted + math.pi), case.number)
    ],
    "rotation_arc_doubled": lambda case, wanted: [
        Way("rotation_arc_twice", _angle(2 * wanted), case.number),
        Way("rotation_arc_half", _angle(wanted / 2), case.number),
    ],
    "rotation_of_another_bend": _other_rotations,
}


# --- radius --------------------------------------------------------------------------------------


def radius_deviation(case: FaultCase) -> float | None:
    """Radius measured less wanted, mm; None where one of them is not known."""
    if case.bend is None or case.measured.radius is None:
        return None
    return case.measured.radius - case.bend.radius


def radius_amount(case: FaultCase, cause: str) -> Found:
    """Deviation of the radius against what the cause would make it."""
    off = radius_deviation(case)
    if case.bend is None:
        return silent("bend_unknown", "/radius", "/run")
    if off is None:
        return silent("radius_not_measured", "/measured/radius")
    reading = case.reading.length
    if within(off, reading):
        value, limit = Amount(off, "length"), Amount(reading, "length")
        return Found("nothing_to_explain", "silent", value, limit)
    ways = _RADIUS_WAYS[cause](case, case.bend.radius)
    if isinstance(ways, Found):
        return ways
    case.used.append("fault-radius")
    codes = ("radius_amount_fits", "radius_amount_does_not_fit", "radius_amount_too_small")
    return explained(off, ways, reading, codes)


def _opening(case: FaultCase, radius: float) -> float | None:
    """R/K of a die of this radius less R, mm; None where the springback is not known."""
    angle = case.bend.angle if case.bend and case.bend.angle else math.pi / 2
    sprung = case.sprung(angle, radius, given="set")
    return None if sprung is None else sprung.finished_radius - radius


def _other_die(case: FaultCase, wanted: float) -> list[Way] | Found:
    if case.die is None:
        return silent("die_unknown", "/die")
    of_die = case.die.radius
    ways = [Way("die_of_another_radius", Amount(of_die - wanted, "length"), case.number)]
    opening = _opening(case, of_die)
    if opening is not None:
        amount = Amount(of_die + opening - wanted, "length")
        ways.append(Way("die_of_another_radius_sprung_open", amount, case.number))
    return [] if within(of_die - wanted, case.reading.length) else ways


def _sprung_open(case: FaultCase, wanted: float) -> list[Way] | Found:
    opening = _opening(case, wanted)
    if opening is None:
        return _springback_unknown()
    return [Way("radius_sprung_open", Amount(opening, "length"), case.number)]


def _to_surface(case: FaultCase, wanted: float) -> list[Way] | Found:  # noqa: ARG001
    half = case.tube.outside_diameter / 2
    return [
        Way("radius_to_the_outside", Amount(half, "length"), case.number),
        Way("radius_to_the_inside", Amount(-half, "length"), case.number),
    ]


_RADIUS_WAYS: Mapping[str, Callable[[FaultCase, float], list[Way] | Found]] = {
    "another_die": _other_die,
    "springback_opens_the_radius": _sprung_open,
    "radius_to_the_surface": _to_surface,
}


TESTS: Mapping[str, Callable[[FaultCase], Found]] = {
    "set_to_wanted": set_to_wanted,
    "set_past_crank_angle": set_past_crank_angle,
    "angle_follows_setting": angle_follows_setting,
    "past_reach": past_reach,
}
CAUSE_TESTS: Mapping[str, Callable[[FaultCase, str], Found]] = {
    "angle_amount": angle_amount,
    "springback_differs": springback_differs,
    "rotation_amount": rotation_amount,
    "radius_amount": radius_amount,
}
