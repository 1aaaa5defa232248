"""What a review asks of straights, ends and the tube behind each bend.

The clamp grips the straight in front of a bend, on the side of the end that work proceeds from; the
pressure die bears on the tube behind it, which is straight until its own bends are made. A straight
that cannot be gripped from one end may well be gripped from the other, by another die.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from service.calc.bend_order import BendToMake, bends_of_run
from service.calc.bend_rules import (
    Check,
    Cure,
    NotChecked,
    ReviewCase,
    Rule,
    above,
    below,
    dies_by_radius,
    length,
    other_end,
    radii_at_hand,
    same_radius,
)
from service.calc.bend_rules_forming import MOST_RADII, Formed
from service.calc.drawn_run import set_back_or_zero, straights
from service.calc.mandrel_criterion import TRADE_TIGHT_BEND_RATIO
from service.calc.mandrel_lead import rod_setting
from service.errors import Word
from service.model import Die, End, EndFitting, Method, Severity, Tube

METHODS = (
    Method(
        "straight-for-clamp",
        "Straight that the clamp grips",
        "straight in front of the bend ≥ clamp length of its die",
        "clamp on the straight ahead, pressure die on the tube behind, one bend after another from "
        "one end",
        ("shop-profile", "derived-here"),
    ),
    Method(
        "straight-by-the-trade",
        "Straight between bends where the die states none",
        "blocks below 1.5·D, needs care below 2·D; for R/D ≤ 2 below 2·D and 3·D",
        "a rule of thumb for tube bent cold (from memory); the die's own clamp length comes first",
        ("common-practice",),
    ),
    Method(
        "tube-behind-bend",
        "Tube behind a bend",
        "cut length − start of bend ≥ arc and ≥ pressure die; after the bend ≥ pressure die for "
        "full support; ≤ longest tube before the stop",
        "rear end straight; a pressure die that stands still",
        ("elementary-geometry", "shop-profile"),
    ),
    Method(
        "end-straight-for-fitting",
        "Straight end that a fitting and its tool take",
        "the largest of insertion + nut, tool + nut (pushed back behind the tool), 2 nuts at a 24° "
        "cone; or what the shop states",
        "2 nuts are a rule of thumb (from memory); the maker's figure comes first",
        ("shop-profile", "common-practice", "derived-here"),
    ),
)

# Straights in outside diameters where no clamp length is stated, as (blocks below, care below):
# common practice, no published source.
TRADE_STRAIGHT = (1.5, 2.0)
TRADE_STRAIGHT_TIGHT = (2.0, 3.0)
CONE_NUTS = 2.0
# id of a fitting that was sent by its values
INLINE = "inline"


class Needed(NamedTuple):
    """Straight that a tool needs, mm: below ``least`` it cannot hold, below ``wanted`` badly.

    ``stated`` tells whether the die states it.
    """

    least: float
    wanted: float
    stated: bool


class Measures(NamedTuple):
    """The lengths of the whole work.

    ``bends`` in the order of the work, with the tube behind each; empty for a run that cannot be
    built.
    """

    checks: tuple[Check, ...]
    not_checked: tuple[NotChecked, ...]
    bends: tuple[BendToMake, ...]
    methods: tuple[str, ...]


@dataclass(slots=True)
class _Work:
    """A case with its bends judged, worked from one end."""

    case: ReviewCase
    formed: Sequence[Formed]
    end: End
    straights: tuple[float, ...]
    dies: dict[float, Die]
    _bends: tuple[BendToMake, ...] | None = None

    @property
    def order(self) -> Sequence[int]:
        """Numbers of the bends in the order of the work."""
        numbers = range(1, len(self.formed) + 1)
        return numbers if self.end == "end_1" else numbers[::-1]

    @property
    def bends(self) -> tuple[BendToMake, ...]:
        """The bends in the order of the work, with the tube behind each; laid out when asked."""
        case = self.case
        if self._bends is None:
            self._bends = bends_of_run(
                case.run, case.tube, measured_from=self.end, stretch=case.stretch, ends=case.ends
            )
        return self._bends

    @property
    def front_allowance(self) -> float:
        """Tube beyond the run at the end that is gripped first, mm."""
        return _allowance(self.case, self.end)


def geometry_checks(case: ReviewCase, formed: Sequence[Formed]) -> Measures:
    """Judge legs, straights, ends, and the tube behind each bend, in the order of the work.

    Arguments:
        case: the case; for a run that cannot be built only its legs and fittings are judged
        formed: its bends as ``formed_bends_of`` judged them, from end 1

    Raises:
        OutOfRangeError: what the mark layout refuses

    Source: elementary geometry; clamp and pressure die as the die states them, else common
    practice without a published source.
    """
    work = _work(case, formed, case.work_from)
    checks = [*_leg_checks(case), *_fitting_checks(case)]
    if not case.can_be_built:
        missing = [NotChecked(rule, "cannot_be_built") for rule in _OF_A_BUILT_RUN]
        return Measures(tuple(checks), tuple(missing), (), tuple(_methods(work)))
    checks += [*_clamp_checks(work), *_rear_checks(work)]
    missing = list(_unknown(work))
    return Measures(tuple(checks), tuple(missing), work.bends, tuple(_methods(work)))


_OF_A_BUILT_RUN: tuple[Rule, ...] = (
    "straight_for_clamp",
    "end_straight_to_grip",
    "tube_behind_for_pressure_die",
    "tail_on_pressure_die",
    "tube_before_stop",
)


def checks_until_blocked(case: ReviewCase, formed: Sequence[Formed]) -> list[Check] | None:
    """The checks of a run that can be built, without cures; None as soon as one blocks.

    Arguments as ``geometry_checks``.
    """
    work = _work(case, formed, case.work_from)
    checks: list[Check] = []
    for found in (_fitting_checks(case), _clamp_checks(work, cures=False), _behind_all(work)):
        for check in found:
            if check.severity == "blocks":
                return None
            checks.append(check)
    return checks


def _work(case: ReviewCase, formed: Sequence[Formed], end: End) -> _Work:
    dies = dies_by_radius(case.tube, case.bench.dies)
    return _Work(case, formed, end, case.straights, dies)


def _methods(work: _Work) -> Iterable[str]:
    case = work.case
    stated = [_clamp(work, number) for number in range(1, len(case.run.bends) + 1)]
    if case.can_be_built and stated:
        yield "mark-layout"
        yield "tube-behind-bend"
        yield from ["straight-for-clamp"] * any(needed.stated for needed in stated)
        yield from ["straight-by-the-trade"] * (not all(needed.stated for needed in stated))
    if case.drawn.from_vertices:
        yield "vertices-to-bend-table"
    if any(case.fittings):
        yield "end-straight-for-fitting"


def _unknown(work: _Work) -> Iterable[NotChecked]:
    case = work.case
    if not case.run.bends:
        yield from (NotChecked(rule, "no_bend") for rule in (*_OF_A_BUILT_RUN, "mandrel_rod"))
        return
    if case.bench.bender.longest_tube is None:
        yield NotChecked("tube_before_stop", "not_stated")
    if case.bench.mandrel_tool is None or case.bench.mandrel_rod is None:
        yield NotChecked("mandrel_rod", "not_stated")


def _allowance(case: ReviewCase, end: End) -> float:
    return case.ends.length_1 if end == "end_1" else case.ends.length_2


# --- what tools need -----------------------------------------------------------------------------


def trade_straight(outside_diameter: float, radius: float) -> Needed:
    """Straight to grip where the die states none: 1.5–2·D, for R/D ≤ 2 then 2–3·D, mm.

    Arguments:
        outside_diameter, radius: D and R, mm

    Source: common practice, no published source.
    """
    tight = not above(radius / outside_diameter, TRADE_TIGHT_BEND_RATIO)
    least, wanted = TRADE_STRAIGHT_TIGHT if tight else TRADE_STRAIGHT
    return Needed(least * outside_diameter, wanted * outside_diameter, False)


def straight_for_clamp(tube: Tube, radius: float, die: Die | None) -> Needed:
    """Straight that the clamp of a die needs, mm; the trade's rule where none is stated.

    Arguments:
        tube: D, mm
        radius: R, mm
        die: the die that makes the bend; None where there is none
    """
    if die is None or die.clamp_length is None:
        return trade_straight(tube.outside_diameter, radius)
    return Needed(die.clamp_length, die.clamp_length, True)


def straight_for_pressure_die(tube: Tube, radius: float, die: Die | None) -> Needed:
    """Straight that the pressure die of a die needs, mm; the trade's rule where none is stated.

    Arguments as ``straight_for_clamp``.
    """
    if die is None or die.pressure_die_length is None:
        return trade_straight(tube.outside_diameter, radius)
    return Needed(die.pressure_die_length, die.pressure_die_length, True)


def straight_for_fitting(fitting: EndFitting) -> float | None:
    """Straight from the tube's end to the first bend that a fitting takes, mm.

    The nut must be on the tube before the tool is, and is pushed back behind it: tool + nut; the
    joined end takes insertion + nut; at a 24° cone at least 2 nuts.

    Returns:
        mm; None where the fitting states nothing to reckon with

    Source: common practice, no published source; derived here for tool and insertion.
    """
    return max((needed for _, needed in _taken_by(fitting)), default=None)


def _taken_by(fitting: EndFitting) -> Iterable[tuple[str, float]]:
    """Lengths of straight that a fitting takes, mm, each with the word for what takes it."""
    if fitting.least_straight is not None:
        yield "fitting_takes_as_stated", fitting.least_straight
        return
    nut = fitting.nut_length or 0.0
    behind = "" if fitting.nut_length is None else "_and_nut"
    if fitting.tool_length is not None:
        yield f"fitting_takes_tool{behind}", fitting.tool_length + nut
    if fitting.insertion is not None:
        yield f"fitting_takes_insertion{behind}", fitting.insertion + nut
    if fitting.nut_length is not None:
        cone = fitting.kind == "cone_24"
        yield ("fitting_takes_two_nuts", CONE_NUTS * nut) if cone else ("fitting_takes_nut", nut)


def _fitting_name(fitting: EndFitting) -> str:
    """Its name; of one that was sent without a name, the word for its kind."""
    if fitting.name or fitting.id != INLINE:
        return fitting.name or fitting.id
    return Word(f"fitting_{fitting.kind}")


def _clamp(work: _Work, bend: int) -> Needed:
    formed = work.formed[bend - 1]
    die = formed.die if formed.die_fits else None
    return straight_for_clamp(work.case.tube, formed.radius, die)


def _pressure_die(work: _Work, bend: int) -> Needed:
    formed = work.formed[bend - 1]
    die = formed.die if formed.die_fits else None
    return straight_for_pressure_die(work.case.tube, formed.radius, die)


# --- legs ----------------------------------------------------------------------------------------


def _leg_checks(case: ReviewCase) -> Iterable[Check]:
    """Each leg between vertices against the set-backs at its ends."""
    if not case.drawn.from_vertices:
        return
    backs = [0.0, *(set_back_or_zero(b.radius, b.angle) for b in case.run.bends), 0.0]
    for index, (leg, straight) in enumerate(zip(case.drawn.legs, case.straights, strict=True)):
        needed, number = backs[index] + backs[index + 1], index + 1
        severity: Severity = "blocks" if straight < 0 else "ok"
        cures: tuple[Cure, ...] = ()
        if severity == "blocks":
            fits = _radius_that_fits(case, index)
            cures = (Cure("leg", length(needed)), *fits)
        yield Check(
            "leg_for_set_backs",
            "review_vertices_too_close",
            severity,
            length(leg),
            length(needed),
            straight=number,
            cures=cures,
            values={"vertex": number, "next": number + 1},
        )


def _radius_that_fits(case: ReviewCase, index: int) -> Iterator[Cure]:
    """The largest radius at hand with which the leg is long enough, at both of its ends."""
    for radius in reversed(radii_at_hand(case.tube, case.bench.dies)):
        if straights(case.drawn, _radii_with(case, index, radius))[index] >= 0:
            yield Cure("radius", length(radius), straight=index + 1)
            return


def _radii_with(case: ReviewCase, straight: int, radius: float) -> list[float]:
    """The radii of the run with those on either side of a straight (counted from 0) replaced."""
    near = (straight - 1, straight)
    return [radius if i in near else bend.radius for i, bend in enumerate(case.run.bends)]


# --- straights in front of the bends -------------------------------------------------------------


def _front_straight(bend: int, end: End) -> int:
    """Number of the straight that is gripped for a bend."""
    return bend if end == "end_1" else bend + 1


def _clamp_checks(work: _Work, *, cures: bool = True) -> Iterable[Check]:
    for place, bend in enumerate(work.order):
        needed, number = _clamp(work, bend), _front_straight(bend, work.end)
        first = place == 0
        held = work.straights[number - 1] + first * work.front_allowance
        severity = _severity(held, needed)
        limit = needed.wanted if severity == "needs_care" else needed.least
        found: tuple[Cure, ...] = ()
        if cures and severity != "ok":
            found = tuple(_grip_cures(work, bend, number, first, held, limit))
        yield Check(
            "end_straight_to_grip" if first else "straight_for_clamp",
            _grip_code(first, needed.stated),
            severity,
            length(held),
            length(limit),
            bend,
            number,
            end=work.end if first else None,
            cures=found,
        )


def _grip_code(first: bool, stated: bool) -> str:
    code = "review_end_straight_short" if first else "review_straight_short"
    return code if stated else f"{code}_by_trade"


def _severity(value: float, needed: Needed) -> Severity:
    if below(value, needed.least):
        return "blocks"
    return "needs_care" if below(value, needed.wanted) else "ok"


def _grip_cures(
    work: _Work, bend: int, straight: int, first: bool, held: float, limit: float
) -> Iterable[Cure]:
    case = work.case
    if first:
        drawn = limit - work.front_allowance
        yield Cure("straight", length(drawn), straight=straight)
        yield Cure("end_length", length(limit - held), end=work.end)
    else:
        yield Cure("straight", length(limit), straight=straight)
    yield from _grip_radius(work, straight, work.front_allowance if first else 0.0)
    if _other_end_grips(work, bend, first):
        yield Cure("work_from", end=other_end(case.work_from))


def _grip_radius(work: _Work, straight: int, allowance: float) -> Iterable[Cure]:
    """The radius at hand, nearest to the one drawn, whose clamp this straight can hold."""
    case, index = work.case, straight - 1
    own = work.formed[min(max(index - 1, 0), len(work.formed) - 1)].radius
    others = sorted((r for r in work.dies if not same_radius(r, own)), key=lambda r: abs(r - own))
    for radius in others[: 2 * MOST_RADII]:
        held = straights(case.drawn, _radii_with(case, index, radius))[index] + allowance
        if not below(held, straight_for_clamp(case.tube, radius, work.dies[radius]).wanted):
            yield Cure("radius", length(radius), straight=straight)
            return


def _other_end_grips(work: _Work, bend: int, first: bool) -> bool:
    """Whether this place is in order when work proceeds from the other end."""
    if not first:
        # the same straight is gripped for the bend on its other side
        neighbour = bend - 1 if work.end == "end_1" else bend + 1
        straight = _front_straight(bend, work.end)
        return not below(work.straights[straight - 1], _clamp(work, neighbour).least)
    other = _work(work.case, work.formed, other_end(work.end))
    start = other.order[0]
    held = work.straights[_front_straight(start, other.end) - 1] + other.front_allowance
    return not below(held, _clamp(work, start).least) and not any(
        check.severity == "blocks" for check in _behind_all(other)
    )


# --- tube behind the bends -----------------------------------------------------------------------


def _rear_checks(work: _Work) -> Iterable[Check]:
    """The checks of the tube behind, with the other end as a cure where it is one."""
    checks = list(_behind_all(work))
    if all(check.severity == "ok" for check in checks):
        return checks
    other = _behind_all(_work(work.case, work.formed, other_end(work.end)))
    fails = {check.rule for check in other if check.severity != "ok"}
    cure = Cure("work_from", end=other_end(work.end))
    return [
        check
        if check.severity == "ok" or check.rule in fails
        else check._replace(cures=(*check.cures, cure))
        for check in checks
    ]


def _behind_all(work: _Work) -> Iterable[Check]:
    for row in work.bends:
        yield from _behind(work, row)


def _behind(work: _Work, row: BendToMake) -> Iterable[Check]:
    case, behind = work.case, row.tube_behind or 0.0
    needed = _pressure_die(work, row.number)
    arc = row.radius * (row.angle or 0.0) * (1 - case.stretch)
    rear = other_end(work.end)
    yield _start_check(row, behind, max(arc, needed.least), rear)
    yield _tail_check(row, behind - arc, needed, rear)
    longest = case.bench.bender.longest_tube
    if longest is not None:
        yield _stop_check(row, behind, longest)
    yield from _rod_check(work, row, behind)


def _stop_check(row: BendToMake, behind: float, longest: float) -> Check:
    too_long = above(behind, longest)
    return Check(
        "tube_before_stop",
        "review_tube_past_stop",
        "blocks" if too_long else "ok",
        length(behind),
        length(longest),
        row.number,
        least=False,
        cures=(Cure("tube_length", length(longest)),) * too_long,
    )


def _start_check(row: BendToMake, behind: float, least: float, rear: End) -> Check:
    short = below(behind, least)
    return Check(
        "tube_behind_for_pressure_die",
        "review_tube_behind_short",
        "blocks" if short else "ok",
        length(behind),
        length(least),
        row.number,
        end=rear,
        cures=(Cure("end_length", length(least - behind), end=rear),) * short,
    )


def _tail_check(row: BendToMake, tail: float, needed: Needed, rear: End) -> Check:
    short = below(tail, needed.wanted)
    return Check(
        "tail_on_pressure_die",
        "review_tail_short",
        "needs_care" if short else "ok",
        length(tail),
        length(needed.wanted),
        row.number,
        end=rear,
        cures=(Cure("end_length", length(needed.wanted - tail), end=rear),) * short,
    )


def _rod_check(work: _Work, row: BendToMake, behind: float) -> Iterable[Check]:
    formed, rod = work.formed[row.number - 1], work.case.bench.mandrel_rod
    if formed.mandrel == "not_needed" or formed.rod_lead is None or rod is None:
        return
    if not work.case.bench.mandrel_at_hand:
        return
    setting = rod_setting(behind, formed.rod_lead, rod)
    rods = setting.rods or 1
    yield Check(
        "mandrel_rod",
        "review_rod_too_short",
        "needs_care" if rods > 1 else "ok",
        length(setting.nose_to_stop),
        length(rod.length),
        row.number,
        least=False,
        cures=(Cure("rods", number=rods),) * (rods > 1),
    )


# --- fittings ------------------------------------------------------------------------------------


def _fitting_checks(case: ReviewCase) -> Iterable[Check]:
    ends: tuple[End, End] = ("end_1", "end_2")
    for end, fitting in zip(ends, case.fittings, strict=True):
        if fitting is None:
            continue
        yield _fitting_diameter(case, fitting, end)
        needed = straight_for_fitting(fitting)
        if needed is not None and case.can_be_built:
            yield _fitting_straight(case, fitting, end, needed)


def _fitting_diameter(case: ReviewCase, fitting: EndFitting, end: End) -> Check:
    od, made_for = case.tube.outside_diameter, fitting.tube_outside_diameter
    # a fitting seals on the diameter itself: only rounding is allowed between the two
    same = abs(od - made_for) <= 1e-6 * od
    return Check(
        "fitting_for_tube",
        "review_fitting_not_for_tube",
        "ok" if same else "blocks",
        length(od),
        length(made_for),
        end=end,
        least=None,
        cures=() if same else (Cure("outside_diameter", length(made_for)),),
        values={"fitting": _fitting_name(fitting)},
    )


def _fitting_straight(case: ReviewCase, fitting: EndFitting, end: End, needed: float) -> Check:
    number = 1 if end == "end_1" else len(case.straights)
    allowance = _allowance(case, end)
    held = case.straights[number - 1] + allowance
    short = below(held, needed)
    taken_by = max(_taken_by(fitting), key=lambda part: part[1])[0]
    cures: tuple[Cure, ...] = ()
    if short:
        cures = (Cure("straight", length(needed - allowance), straight=number),)
        cures += tuple(_fitting_radius(case, number, needed - allowance))
    return Check(
        "end_straight_for_fitting",
        "review_end_straight_short_for_fitting",
        "blocks" if short else "ok",
        length(held),
        length(needed),
        straight=number,
        end=end,
        cures=cures,
        values={"fitting": _fitting_name(fitting), "taken_by": Word(taken_by)},
    )


def _fitting_radius(case: ReviewCase, straight: int, needed: float) -> Iterable[Cure]:
    """The largest radius at hand that leaves the end straight long enough."""
    if not case.run.bends:
        return
    own = case.run.bends[0 if straight == 1 else -1].radius
    for radius in reversed(radii_at_hand(case.tube, case.bench.dies)):
        left = straights(case.drawn, _radii_with(case, straight - 1, radius))[straight - 1]
        if not same_radius(radius, own) and not below(left, needed):
            yield Cure("radius", length(radius), straight=straight)
            return
