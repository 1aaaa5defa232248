"""Variants of a run that cannot be made as drawn: tried against every rule, nearest first.

What may change without touching the drawing's intersection points: the radius of a bend, to that
of a die at hand, and the end that work proceeds from. Nothing is returned that was not reviewed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from typing import NamedTuple

from service.calc.bend_order import BendToMake
from service.calc.bend_rules import (
    Check,
    ReviewCase,
    Rule,
    other_end,
    radii_at_hand,
    same_radius,
)
from service.calc.bend_rules_clearance import Room, clearance_checks
from service.calc.bend_rules_forming import Formed, judged_at
from service.calc.bend_rules_geometry import checks_until_blocked
from service.calc.bend_rules_sequence import sequence_checks
from service.calc.bending_sequence import BendingSequence
from service.calc.developed_length import cut_length
from service.calc.drawn_run import can_be_built, run_with_radii
from service.calc.run_geometry import LARGEST_VERTEX_ANGLE
from service.model import Bend, End, Method, Run

METHODS = (
    Method(
        "review-variants",
        "Variants of a run that pass every rule",
        "radii of the dies at hand, and both ends; the fewest changes first, then the least change "
        "of radius; each reviewed in full",
        "up to 64 variants of the run drawn, of which up to 12 are judged for clearance and up to "
        "8 for the work on the bench; intersection points, angles and rotations stay",
        ("derived-here", "shop-profile"),
    ),
)

MOST_RADII = 6
MOST_TRIED = 64
# Clearance costs far more than all else; it is judged last, of what passed the rest.
MOST_CLEARED = 12
# The work on the bench costs more still; it is judged last of all.
MOST_WORKED = 8
# Neither radius nor end can mend these.
_NOT_MENDED: frozenset[Rule] = frozenset({"tube_in_bender_range", "fitting_for_tube"})
_MENDED_BY_END: frozenset[Rule] = frozenset(
    {
        "straight_for_clamp",
        "end_straight_to_grip",
        "tube_behind_for_pressure_die",
        "tube_before_stop",
        "bending_order",
    }
)


class RadiusChange(NamedTuple):
    """A bend made with another radius than drawn, mm; ``die`` is the id of its die."""

    bend: int
    drawn: float
    radius: float
    die: str | None


class RunRow(NamedTuple):
    """The run as a bend table, which every other calculation takes."""

    bends: tuple[Bend, ...]
    last_straight: float


class Variant(NamedTuple):
    """A variant that passes: nothing blocks.

    Arguments:
        work_from: the end to work from
        end_changed: whether that is another end than asked for
        changes: bends with another radius
        cut_length: its own cut length, mm
        needs_care: how many of its checks need care
    """

    work_from: End
    end_changed: bool
    changes: tuple[RadiusChange, ...]
    cut_length: float
    needs_care: int
    run: RunRow


class Tried(NamedTuple):
    """Variants that pass, and how many were tried."""

    found: tuple[Variant, ...]
    tried: int


Radii = tuple[float, ...]


@dataclass(slots=True)
class _Search:
    """What a search has learnt so far: bends by radius, and whether radii clear themselves."""

    case: ReviewCase
    formed: Sequence[Formed]
    room: Room | None
    judged: dict[tuple[int, float], Formed] = field(default_factory=dict)
    clear: dict[Radii, int | None] = field(default_factory=dict)
    worked: dict[tuple[Radii, End], int | None] = field(default_factory=dict)


def variants(
    case: ReviewCase,
    formed: Sequence[Formed],
    checks: Sequence[Check],
    room: Room | None,
    sequence: BendingSequence | None,
    most: int,
) -> Tried:
    """Variants that pass every rule, nearest to the drawing first.

    Arguments:
        case: the case that blocks
        formed: its bends, judged
        checks: its checks
        room: what its clearances leave; None where they were not judged
        sequence: the orders tried of the work on the bench; None where there is none to judge
        most: how many to return at most; 0 tries none

    Source: derived here; radii are those of the dies at hand.
    """
    blocking = [check for check in checks if check.severity == "blocks"]
    if not most or not formed or any(_not_mended(check) for check in blocking):
        return Tried((), 0)
    search, count = _Search(case, formed, room), 0
    search.worked.update(_worked_as_drawn(case, sequence))
    found: list[Variant] = []
    passed: set[Radii] = set()
    for radii, end in _candidates(case, blocking):
        if len(found) == most or count == MOST_TRIED:
            break
        if radii in passed:  # the same radii passed from the nearer end
            continue
        count += 1
        variant = _tried(search, radii, end)
        if variant is not None:
            found.append(variant)
            passed.add(radii)
    return Tried(tuple(found), count)


def _not_mended(check: Check) -> bool:
    whole_tube = check.rule == "pressure" and check.bend is None
    return whole_tube or check.rule in _NOT_MENDED


# --- what to try ---------------------------------------------------------------------------------


def _candidates(case: ReviewCase, blocking: Sequence[Check]) -> Iterator[tuple[Radii, End]]:
    """Radii and end of each variant that bears on all that blocks, nearest first."""
    drawn = tuple(bend.radius for bend in case.run.bends)
    bears = [(check.rule in _MENDED_BY_END, _involved(case, check)) for check in blocking]
    involved = sorted(set().union(*(bends for _, bends in bears)))
    asked: set[Radii] = {drawn}
    near = _radii_near(case, drawn)
    asked.update(_mixed(drawn, near, involved))
    asked.update((radius,) * len(drawn) for radius in near)
    ranked = []
    for radii in dict.fromkeys(_drawn_where_same(drawn, radii) for radii in asked):
        apart = [abs(a - b) for a, b in zip(radii, drawn, strict=True)]
        changed = {i for i, by in enumerate(apart) if by > 0}
        for turned, end in enumerate((case.work_from, other_end(case.work_from))):
            if all((turned and by_end) or bends & changed for by_end, bends in bears):
                ranked.append((len(changed) + turned, sum(apart), radii, turned, end))
    for *_, radii, _, end in sorted(ranked):
        yield radii, end


def _drawn_where_same(drawn: Radii, radii: Radii) -> Radii:
    """These radii, those as drawn that the same die makes: 60.01 mm is no change to 60 mm."""
    return tuple(d if same_radius(d, r) else r for d, r in zip(drawn, radii, strict=True))


def _radii_near(case: ReviewCase, drawn: Radii) -> list[float]:
    at_hand = radii_at_hand(case.tube, case.bench.dies)
    return sorted(at_hand, key=lambda radius: min(abs(radius - r) for r in drawn))[:MOST_RADII]


def _involved(case: ReviewCase, check: Check) -> set[int]:
    """Bends, counted from 0, whose radius bears on a check; for clearances every one."""
    count = len(case.run.bends)
    if check.rule in ("clearance_to_itself", "clearance_to_parts", "tube_before_stop"):
        return set(range(count))
    found = set() if check.bend is None else {check.bend - 1}
    if check.straight is not None:
        found |= {i for i in (check.straight - 2, check.straight - 1) if 0 <= i < count}
    return found


def _mixed(drawn: Radii, near: Sequence[float], involved: Sequence[int]) -> Iterable[Radii]:
    """Every mix of radii at the bends involved; where these are too many, one radius at a time."""
    if not near or not involved:
        return
    if (len(near) + 1) ** len(involved) <= 4 * MOST_TRIED:
        choices = [[drawn[i], *near] if i in involved else [drawn[i]] for i in range(len(drawn))]
        yield from product(*choices)
        return
    for radius in near:
        yield _with(drawn, set(involved), radius)
        for index in involved[:MOST_TRIED]:
            yield _with(drawn, {index}, radius)


def _with(drawn: Radii, indices: set[int], radius: float) -> Radii:
    return tuple(radius if i in indices else r for i, r in enumerate(drawn))


# --- one variant ---------------------------------------------------------------------------------


def _tried(search: _Search, radii: Radii, end: End) -> Variant | None:
    """The variant, where nothing blocks it."""
    run = run_with_radii(search.case.drawn, radii)
    if not can_be_built(run):
        return None
    case = replace(search.case, run=run, work_from=end)
    formed = _formed(search, radii)
    checks = checks_until_blocked(case, formed)
    if checks is None or any(c.severity == "blocks" for one in formed for c in one.checks):
        return None
    checks += [check for one in formed for check in one.checks]
    near = _needs_care_to_clear(search, case, radii)
    handled = None if near is None else _needs_care_at_bench(search, case, formed, radii)
    if near is None or handled is None:
        return None
    care = near + handled + sum(check.severity == "needs_care" for check in checks)
    return _variant(search.case, formed, run, end, care)


def _formed(search: _Search, radii: Radii) -> list[Formed]:
    """The bends at these radii; each is judged once in a search."""
    known, base = search.judged, search.formed
    asked = [
        BendToMake(one.bend, radius, search.case.run.bends[one.bend - 1].angle)
        for one, radius in zip(base, radii, strict=True)
        if radius != one.radius and (one.bend, radius) not in known
    ]
    known.update({(one.bend, one.radius): one for one in judged_at(search.case, asked)})
    return [
        one if radius == one.radius else known[one.bend, radius]
        for one, radius in zip(base, radii, strict=True)
    ]


def _needs_care_to_clear(search: _Search, case: ReviewCase, radii: Radii) -> int | None:
    """How many clearances need care with these radii; None where one blocks, or no more is judged.

    The end that work proceeds from does not matter.
    """
    if search.room is not None and _stays_clear(search.room, search.case, radii):
        return 0
    if radii not in search.clear:
        if len(search.clear) == MOST_CLEARED:
            return None
        checks = clearance_checks(case).checks
        blocked = any(check.severity == "blocks" for check in checks)
        care = sum(check.severity == "needs_care" for check in checks)
        search.clear[radii] = None if blocked else care
    return search.clear[radii]


def _worked_as_drawn(
    case: ReviewCase, sequence: BendingSequence | None
) -> Iterator[tuple[tuple[Radii, End], int | None]]:
    """What the review of the drawn run already tells of the work from either end."""
    drawn = tuple(bend.radius for bend in case.run.bends)
    for order in () if sequence is None else sequence.orders:
        if order.kind != "from_the_middle":
            care = len(order.lifted_out) + len(order.rolled_back)
            yield (drawn, order.ahead[0]), care if order.free else None


def _needs_care_at_bench(
    search: _Search, case: ReviewCase, formed: Sequence[Formed], radii: Radii
) -> int | None:
    """How many movements need care; None where the tube strikes something, or no more is judged."""
    key, known = (radii, case.work_from), search.worked
    if key not in known:
        if len(known) >= MOST_WORKED:
            return None
        checks = sequence_checks(case, formed, other_orders=False).checks
        blocked = any(check.severity == "blocks" for check in checks)
        known[key] = None if blocked else sum(c.severity == "needs_care" for c in checks)
    return known[key]


def _stays_clear(room: Room, case: ReviewCase, radii: Radii) -> bool:
    """Whether the change of radii is too small to use up the room that the drawn run has.

    Two arcs in one corner are alike about its vertex, so that a point moves by no more than
    |R′ − R|·tan(θ/2), with its direction of travel unchanged: the same turn lies between any two
    places as before, and none that could not meet becomes one that can.
    """
    furthest = 0.0
    for bend, radius in zip(case.run.bends, radii, strict=True):
        if radius == bend.radius:
            continue
        if bend.angle > LARGEST_VERTEX_ANGLE:
            return False  # what follows such a bend moves with its radius
        furthest = max(furthest, abs(radius - bend.radius) * math.tan(bend.angle / 2))
    return furthest <= room.to_itself and furthest <= room.to_parts


def _variant(case: ReviewCase, formed: Sequence[Formed], run: Run, end: End, care: int) -> Variant:
    changes = tuple(
        RadiusChange(one.bend, bend.radius, one.radius, one.die.id if one.die else None)
        for one, bend in zip(formed, case.run.bends, strict=True)
        if one.radius != bend.radius
    )
    return Variant(
        work_from=end,
        end_changed=end != case.work_from,
        changes=changes,
        cut_length=cut_length(run, case.stretch, case.ends),
        needs_care=care,
        run=RunRow(run.bends, run.last_straight),
    )
