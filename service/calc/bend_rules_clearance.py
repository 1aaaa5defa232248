"""What a review asks of the finished run: that the tube clears itself and what stands near it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

from service.calc.bend_rules import (
    Check,
    Cure,
    NearbyPart,
    NotChecked,
    ReviewCase,
    Rule,
    below,
    length,
)
from service.calc.clearance import Approach, self_clearance
from service.calc.obstacle_clearance import ObstacleApproach, obstacle_clearance
from service.calc.run_geometry import Vector
from service.model import Severity

# A run wound like a coil comes near itself at hundreds of places; the nearest tell enough.
MOST_APPROACHES = 20
# mm; nearer than this to a part the centre line touches or enters it, and how deep is not known
ENTERED = 1e-6


class Near(NamedTuple):
    """Two points that come too near each other, in the frame of the run, mm."""

    check: Check
    point_a: Vector
    point_b: Vector


class Room(NamedTuple):
    """By how much two places of the tube may each move, and the tube towards a part, mm.

    So much is left until what is wanted; infinite where nothing is near, below 0 where it is.
    """

    to_itself: float
    to_parts: float


class Clearances(NamedTuple):
    """What was found, with the places of what is too near; no room where nothing was judged."""

    checks: tuple[Check, ...] = ()
    places: tuple[Near, ...] = ()
    not_checked: tuple[NotChecked, ...] = ()
    methods: tuple[str, ...] = ()
    room: Room | None = None


def clearance_checks(case: ReviewCase) -> Clearances:
    """Judge the clearance of the tube to itself and to the parts near it.

    Arguments:
        case: the case; of a run that cannot be built nothing can be told

    Raises:
        OutOfRangeError: what the clearances refuse
    """
    missing = tuple(_not_checked(case))
    if not case.can_be_built:
        return Clearances(not_checked=missing)
    (itself, apart), (parts, away) = _to_itself(case), _to_parts(case)
    return Clearances(
        (*itself.checks, *parts.checks),
        (*itself.places, *parts.places),
        missing,
        (*itself.methods, *parts.methods),
        Room(apart / 2, away),
    )


def _not_checked(case: ReviewCase) -> Iterable[NotChecked]:
    rules: tuple[Rule, ...] = ("clearance_to_itself", "clearance_to_parts")
    if not case.can_be_built:
        yield from (NotChecked(rule, "cannot_be_built") for rule in rules)
        return
    if not case.run.bends:
        yield NotChecked("clearance_to_itself", "no_bend")
    if not case.parts:
        yield NotChecked("clearance_to_parts", "not_asked")


# --- to itself -----------------------------------------------------------------------------------


def _to_itself(case: ReviewCase) -> tuple[Clearances, float]:
    """What was found, and how much nearer two places may come.

    Two places with just half a turn between them lie at least 2R apart and are no approach; a
    small change could make them one, so that they bound what is left too.
    """
    if not case.run.bends:
        return Clearances(), math.inf
    found = self_clearance(case.run, case.tube.outside_diameter, case.clearance, case.frames)
    near = [
        Near(_itself_check(case, one), one.point_a, one.point_b)
        for one in found.below[:MOST_APPROACHES]
        if below(one.clearance, case.clearance)
    ]
    apart = 2 * min(bend.radius for bend in case.run.bends)
    if found.nearest is not None:
        apart = min(apart, found.nearest.distance)
    left = apart - case.tube.outside_diameter - case.clearance
    # a run that nowhere turns back on itself has no clearance to measure
    value = None if found.nearest is None else length(found.nearest.clearance)
    limit = length(case.clearance)
    clear = Check("clearance_to_itself", "review_clearance_small", "ok", value, limit)
    checks = tuple(one.check for one in near) or (clear,)
    return Clearances(checks, tuple(near), methods=found.methods), left


def _itself_check(case: ReviewCase, one: Approach) -> Check:
    severity, touches = _severity(one.clearance)
    sides = (one.part_b, one.part_a)
    return Check(
        "clearance_to_itself",
        "review_runs_into_itself" if touches else "review_clearance_small",
        severity,
        length(one.clearance),
        length(case.clearance),
        bend=next((side // 2 + 1 for side in sides if side % 2), None),
        straight=next((side // 2 + 1 for side in sides if not side % 2), None),
        cures=(Cure("move_apart", length(case.clearance - one.clearance)),),
        values={"position_1": length(one.position_a), "position_2": length(one.position_b)},
    )


def _severity(clearance: float) -> tuple[Severity, bool]:
    """What cannot be blocks; what is merely closer than wanted needs care."""
    touches = below(clearance, 0.0)
    return ("blocks" if touches else "needs_care"), touches


# --- to parts ------------------------------------------------------------------------------------


def _to_parts(case: ReviewCase) -> tuple[Clearances, float]:
    """What was found, and how much nearer the tube may come to the part that leaves least."""
    if not case.parts:
        return Clearances(), math.inf
    solids = [part.solid for part in case.parts]
    found = obstacle_clearance(case.run, case.tube.outside_diameter, solids, at=case.frames)
    in_order = sorted(found.approaches, key=lambda one: one.obstacle)
    near = [
        Near(_part_check(part, one), one.point, one.obstacle_point)
        for part, one in zip(case.parts, in_order, strict=True)
    ]
    failing = tuple(one for one in near if one.check.severity != "ok")
    left = min(one.clearance - p.clearance for p, one in zip(case.parts, in_order, strict=True))
    return Clearances(tuple(one.check for one in near), failing, methods=found.methods), left


def _part_check(part: NearbyPart, one: ObstacleApproach) -> Check:
    """The clearance to one part.

    Of a centre line that enters the part only that is told: the shortest way out of it is not that
    of any one place, so no clearance and no distance to move by would be true.
    """
    severity, touches = _severity(one.clearance)
    clear, entered = not below(one.clearance, part.clearance), one.distance <= ENTERED
    code = "review_runs_into_part" if touches else "review_clearance_to_part_small"
    cure = Cure("move_apart", None if entered else length(part.clearance - one.clearance))
    return Check(
        "clearance_to_parts",
        "review_passes_through_part" if entered else code,
        "ok" if clear else severity,
        None if entered else length(one.clearance),
        length(part.clearance),
        bend=one.part // 2 + 1 if one.part % 2 else None,
        straight=None if one.part % 2 else one.part // 2 + 1,
        part=one.obstacle + 1,
        cures=() if clear else (cure,),
        values={
            "name": f" ({part.name})" if part.name else "",
            "position_1": length(one.position),
        },
    )
