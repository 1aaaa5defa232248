"""The set-up of one part on one bender: every step in the order of the work, with its figures.

Nothing is computed here that another calculation computes: cut length, marks, mandrel and capacity
come from theirs. What is added is the order, which die meets which bend, which way the tube is
rolled in the bender, and what is measured after each bend. The steps themselves are in
``setup_steps``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate
from typing import Literal, NamedTuple

from service.calc.bend_order import BendToMake
from service.calc.bender_load import Rating, Strength
from service.calc.capacity_check import (
    NO_TERMS,
    BendCapacity,
    CapacityCheck,
    LoadTerms,
    capacity_check,
)
from service.calc.developed_length import (
    NO_ALLOWANCES,
    DevelopedLength,
    Ends,
    check_stretch,
    cut_length,
    developed_length,
)
from service.calc.mandrel_criterion import (
    BendVerdict,
    LimitsInForce,
    MandrelCriterion,
    mandrel_criterion,
)
from service.calc.mandrel_lead import MandrelTool, Rod
from service.calc.mark_layout import (
    Bench,
    BendMarks,
    Mark,
    MarkLayout,
    Measure,
    Place,
    Springback,
    mark_layout,
    places,
)
from service.calc.part_ahead import reach_of_part_ahead
from service.calc.run_geometry import check_run, reverse
from service.errors import Amount, NotDeterminedError, Value, Word
from service.model import Bender, Die, End, Finding, Method, Run, Severity, Tube

Verdict = Literal["go", "go_with_care", "stop"]
Direction = Literal["none", "clockwise", "anticlockwise", "half_turn"]

# A roll that differs by less from none or from half a turn is one of these, rad.
SAME_ROLL = 1e-9
# Share of a length within which a difference is rounding.
SAME_LENGTH = 1e-9
HALF_TURN = math.pi
FULL_TURN = 2 * math.pi
ORDER: tuple[Severity, ...] = ("blocks", "needs_care", "ok")
VERDICTS: Mapping[Severity, Verdict] = {
    "blocks": "stop",
    "needs_care": "go_with_care",
    "ok": "go",
}

METHODS = (
    Method(
        "order-of-work",
        "Order of the work at a hand-cranked rotary-draw bender",
        "fasten, tool, lubricate, brace, set zero, cut, mark, support; each bend: set, crank, "
        "unload, check; finish",
        "common practice, no published source; the maker's instructions for the bender come first",
        ("common-practice",),
    ),
    Method(
        "roll-in-the-bender",
        "Which way the tube is rolled in the bender",
        "the plane of bending stands still, so the tube is rolled by −rotation about the direction "
        "of travel: clockwise for a positive rotation, seen from the rear end towards the die",
        "a bender that bends always towards the same side",
        ("derived-here",),
    ),
    Method(
        "leg-to-apex",
        "Leg between ends and apexes, to check with a square",
        "leg = set-back before + straight + set-back after; from a cut end with its allowance",
        "bends below 179.4°",
        ("elementary-geometry",),
    ),
    Method(
        "length-by-other-stretch",
        "How far a part is off whose bends stretch otherwise than laid out",
        "Σ(stretch of the die − stretch laid out)·Rθ, its greatest after any of the bends",
        "a stretch of the die by the shop's trials, taken as the stretch that comes about",
        ("elementary-geometry", "shop-profile"),
    ),
)


# --- what is asked -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Work:
    """How the part is worked; as for the mark layout."""

    measured_from: End = "end_1"
    measure: Measure = "from_end"
    bench: Bench = field(default_factory=Bench)
    stretch: float = 0.0
    ends: Ends = NO_ALLOWANCES
    springback: Sequence[Springback] = ()
    mark_offset: float | None = None


@dataclass(frozen=True, slots=True)
class Machine:
    """The bender, its dies and what it is known to bend; as for the capacity check.

    Arguments:
        die: the one to use for every bend; None chooses one of ``dies`` for each
        invented: whether the figures are made up
    """

    bender: Bender
    dies: Sequence[Die]
    ratings: Sequence[Rating] = ()
    die: Die | None = None
    invented: bool = False


@dataclass(frozen=True, slots=True)
class Load:
    """Strength of the tube and what raises the load; as for the capacity check."""

    strength: Strength | None = None
    terms: LoadTerms = NO_TERMS


@dataclass(frozen=True, slots=True)
class MandrelAtHand:
    """Limits for the verdict, and the mandrel and rod at hand; as for the mandrel criterion.

    ``wanted`` None follows the verdict: a mandrel is set up where it is advised or required.
    """

    limits: LimitsInForce
    tool: MandrelTool | None = None
    lead: float | None = None
    rod: Rod | None = None
    wanted: bool | None = None


# --- what is answered ----------------------------------------------------------------------------


class DieSetUp(NamedTuple):
    """A die with clamp and pressure die, and the bends that it makes."""

    id: str
    name: str
    tube_outside_diameter: float
    radius: float
    largest_angle: float
    clamp_length: float | None
    pressure_die_length: float | None
    mark_offset: float
    has_angle_marks: bool
    fits: bool
    bends: tuple[int, ...]


class MandrelNose(NamedTuple):
    """Mandrel and rod at one bend, mm.

    Arguments:
        lead: nose ahead of the tangent point: the one asked for, else a start of nothing
        largest_lead: the adjustment range runs from 0 to here
        stop_to_tangent, nose_to_stop: the rod, rear end of the tube against the stop
        rods: how many are coupled; None without a rod length
        outside: whether the lead asked for lies outside the adjustment range
    """

    lead: float
    largest_lead: float
    stop_to_tangent: float | None
    nose_to_stop: float | None
    rods: int | None
    outside: bool


class Gauge(NamedTuple):
    """What is measured once a bend is made and unloaded.

    Arguments:
        straight: from the cut end (its allowance included) or from the bend made before, mm
        leg: the same to the apex of this bend, from the cut end or the apex before, mm; None where
            one of the two bends has no apex
        angle: finished angle, rad
        band: half width in which the trials let one more bend fall, rad; None where they do not say
    """

    straight: float
    leg: float | None
    angle: float
    band: float | None


class SheetBend(NamedTuple):
    """One bend in the order of the work.

    Arguments:
        die: id; None where there is none
        die_fits: whether it is made for this tube and radius
        marks: as laid out
        start_on_tube, end_on_tube: tangent points from the cut end along the unbent tube, mm
        roll_direction: which way to roll the tube, seen from its rear end towards the die
        predicted_set_angle: where no springback was given, what elastic unloading predicts, rad
        turns: of the crank; None without a gear ratio, or where the die does not fit
        hand_force: at the crank for the strongest tube, N; None where it cannot be told
        tube_behind: from the start tangent point to the rear end, mm
        support: whether so much tube is to be supported; None where the shop does not say
        reach_ahead: how far the part ahead reaches from the die and swings round with it, mm
        support_ahead: whether what reaches so far is to be supported; None as above
    """

    step: int
    bend: int
    die: str | None
    die_fits: bool
    marks: BendMarks
    start_on_tube: float
    end_on_tube: float
    roll_direction: Direction
    springback_known: bool
    predicted_set_angle: float | None
    turns: float | None
    hand_force: float | None
    tube_behind: float
    support: bool | None
    reach_ahead: float
    support_ahead: bool | None
    nose: MandrelNose | None
    gauge: Gauge


@dataclass(frozen=True, slots=True)
class SetupSheet:
    """The whole sheet; lengths mm, angles rad, mass kg (None without a material)."""

    verdict: Verdict
    run: Run
    tube: Tube
    measured_from: End
    measure: Measure
    bench: Bench
    bender: Bender
    dies: tuple[DieSetUp, ...]
    cut_length: Mark
    developed_length: float
    mass: float | None
    ends: Ends
    stretch: float
    mandrel_verdict: str
    mandrel: MandrelTool | None
    rod: Rod | None
    utilisation: float | None
    bends: tuple[SheetBend, ...]
    last_straight: float
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


class _Parts(NamedTuple):
    """The calculations that the sheet is put together from."""

    length: DevelopedLength
    capacity: CapacityCheck
    criterion: MandrelCriterion
    bends: tuple[BendToMake, ...]
    dies: tuple[Die | None, ...]  # of each bend, in the order of the work
    layouts: Mapping[str | None, MarkLayout]  # by die
    places: Sequence[Place]
    reach: Sequence[float]  # of the part ahead at each bend


def setup_sheet(
    run: Run,
    tube: Tube,
    machine: Machine,
    mandrel: MandrelAtHand,
    *,
    work: Work | None = None,
    load: Load | None = None,
) -> SetupSheet:
    """Put together the set-up of a part on a bender.

    Arguments:
        run: bend table from end 1, at least one bend, mm and rad
        tube: D and t, mm; with a material the load and the mass are told
        machine: bender and dies
        mandrel: limits and tools
        work, load: as for mark layout and capacity check

    Raises:
        NotDeterminedError: a run without a bend; two springbacks for one radius
        OutOfRangeError, GeometryError: what the calculations refuse

    Source: order of the work by common practice; each figure by the method named for it.
    """
    if not run.bends:
        raise NotDeterminedError("no_bend_given", ("run",))
    work, load = work or Work(), load or Load()
    parts = _parts(run, tube, machine, mandrel, work, load)
    used = _mandrel_used(parts.criterion, mandrel)
    tool = parts.criterion.mandrel if used else None
    rows = tuple(_rows(machine, work, parts, tool is not None))
    findings = _findings(tube, machine, work, parts, rows)
    layout = next(iter(parts.layouts.values()))
    return SetupSheet(
        verdict=VERDICTS[findings[0].severity if findings else "ok"],
        run=run,
        tube=tube,
        measured_from=work.measured_from,
        measure=work.measure,
        bench=work.bench,
        bender=machine.bender,
        dies=_dies(parts),
        cut_length=layout.cut_length,
        developed_length=parts.length.developed_length,
        mass=parts.length.mass,
        ends=work.ends,
        stretch=work.stretch,
        mandrel_verdict=parts.criterion.verdict,
        mandrel=tool,
        rod=parts.criterion.rod if tool else None,
        utilisation=parts.capacity.utilisation,
        bends=rows,
        last_straight=layout.last_straight + _allowance(work, last=True),
        methods=_methods(parts, work),
        findings=findings,
    )


def _parts(
    run: Run,
    tube: Tube,
    machine: Machine,
    mandrel: MandrelAtHand,
    work: Work,
    load: Load,
) -> _Parts:
    check_run(run, tube.outside_diameter)
    check_stretch(work.stretch)
    cut = cut_length(run, work.stretch, work.ends)
    forward = work.measured_from == "end_1"
    worked = run if forward else reverse(run)
    placed = places(worked.bends, work.stretch, _allowance(work))
    bends = tuple(_to_make(place, cut, 0 if forward else len(placed) + 1) for place in placed)
    capacity = capacity_check(
        tube,
        machine.bender,
        machine.dies,
        bends,
        ratings=machine.ratings,
        strength=load.strength,
        die=machine.die,
        springback=work.springback,
        terms=load.terms,
        invented=machine.invented,
    )
    criterion = mandrel_criterion(
        tube,
        bends,
        limits=mandrel.limits,
        tool=mandrel.tool,
        lead=mandrel.lead,
        rod=mandrel.rod,
        die=machine.die,
        longest_tube=machine.bender.longest_tube,
        invented=machine.invented,
    )
    known = {die.id: die for die in (*machine.dies, *((machine.die,) if machine.die else ()))}
    dies = tuple(known.get(row.die or "") for row in capacity.bends)
    by_id = {die.id if die else None: die for die in dies}
    return _Parts(
        developed_length(run, tube, work.stretch, work.ends),
        capacity,
        criterion,
        bends,
        dies,
        {name: _layout(run, tube, work, die) for name, die in by_id.items()},
        placed,
        reach_of_part_ahead(worked, tube.outside_diameter, _allowance(work)),
    )


def _to_make(place: Place, cut: float, turned: int) -> BendToMake:
    """The bend at a place, with the tube behind it; ``turned`` is n + 1 where end 2 is first."""
    number = turned - place.number if turned else place.number
    return BendToMake(number, place.bend.radius, place.bend.angle, cut - place.start)


def _layout(run: Run, tube: Tube, work: Work, die: Die | None) -> MarkLayout:
    return mark_layout(
        run,
        tube,
        measured_from=work.measured_from,
        measure=work.measure,
        bench=work.bench,
        stretch=work.stretch,
        ends=work.ends,
        springback=work.springback,
        die=die,
        mark_offset=work.mark_offset,
    )


def _allowance(work: Work, *, last: bool = False) -> float:
    """Tube added at the end that is worked first, or at the other one with the trim, mm."""
    forward = (work.measured_from == "end_1") is not last
    added = work.ends.length_1 if forward else work.ends.length_2
    return added + (work.ends.trim if last else 0.0)


def _mandrel_used(criterion: MandrelCriterion, at_hand: MandrelAtHand) -> bool:
    if at_hand.wanted is None:
        return criterion.verdict != "not_needed"
    return at_hand.wanted


# --- bends ---------------------------------------------------------------------------------------


def _rows(machine: Machine, work: Work, parts: _Parts, mandrel: bool) -> Iterator[SheetBend]:
    before: float | None = 0.0
    backs = _set_backs(parts.length)
    laws = {law.radius: law for law in work.springback}
    for index, (place, die) in enumerate(zip(parts.places, parts.dies, strict=True)):
        marks = parts.layouts[die.id if die else None].bends[index]
        capacity, verdict = parts.capacity.bends[index], parts.criterion.bends[index]
        behind, ahead = parts.bends[index].tube_behind or 0.0, parts.reach[index]
        back = backs[marks.bend]
        straight = marks.straight_before + (0.0 if index else _allowance(work))
        leg = None if back is None or before is None else before + straight + back
        law = laws.get(marks.radius) or laws.get(None)
        yield SheetBend(
            step=marks.step,
            bend=marks.bend,
            die=die.id if die else None,
            die_fits=capacity.die_fits,
            marks=marks,
            start_on_tube=place.start,
            end_on_tube=place.start + place.arc,
            roll_direction=roll_direction(marks.rotation.angle),
            springback_known=law is not None,
            predicted_set_angle=_predicted(capacity),
            turns=_turns(marks.crank.exact, machine.bender) if capacity.die_fits else None,
            hand_force=capacity.crank.force_largest if capacity.crank else None,
            tube_behind=behind,
            support=_support(behind, machine.bender),
            reach_ahead=ahead,
            support_ahead=_support(ahead, machine.bender),
            nose=_nose(verdict) if mandrel else None,
            gauge=Gauge(straight, leg, marks.angle, law.band if law else None),
        )
        before = back


def _set_backs(length: DevelopedLength) -> dict[int, float | None]:
    return {arc.bend: arc.set_back for arc in length.bends}


def roll_direction(rotation: float) -> Direction:
    """Which way to roll the tube before a bend, seen from its rear end towards the die.

    The bender bends always in the same plane and towards the same side. For the bend plane to turn
    by the rotation φ about the direction of travel, the tube must turn by −φ about it. Travel runs
    from the end worked first to the rear end, so one who looks from the rear end towards the die
    looks against it and sees −φ about it as clockwise when φ is above 0.

    Arguments:
        rotation: of the bend plane from the bend made before, right-hand rule, rad, (−π, π]

    Source: derived here.
    """
    if abs(rotation) < SAME_ROLL:
        return "none"
    if abs(abs(rotation) - HALF_TURN) < SAME_ROLL:
        return "half_turn"
    return "clockwise" if rotation > 0 else "anticlockwise"


def _predicted(capacity: BendCapacity) -> float | None:
    return capacity.set_angle if capacity.springback_from == "predicted" else None


def _turns(angle: float, bender: Bender) -> float | None:
    return bender.drive.gear_ratio * angle / FULL_TURN if bender.drive else None


def _support(length: float, bender: Bender) -> bool | None:
    """Whether what stands so far from the die is to be supported, behind it or ahead of it."""
    return None if bender.support_from is None else length > bender.support_from


def _nose(verdict: BendVerdict) -> MandrelNose | None:
    lead, rod = verdict.lead, verdict.rod
    if lead is None:
        return None
    return MandrelNose(
        lead=lead.start,
        largest_lead=lead.largest,
        stop_to_tangent=rod.stop_to_tangent if rod else None,
        nose_to_stop=rod.nose_to_stop if rod else None,
        rods=rod.rods if rod else None,
        outside=lead.outside,
    )


def _dies(parts: _Parts) -> tuple[DieSetUp, ...]:
    made: dict[str, list[int]] = {}
    known: dict[str, Die] = {}
    fits: dict[str, bool] = {}
    for bend, row, die in zip(parts.bends, parts.capacity.bends, parts.dies, strict=True):
        if die is not None:
            made.setdefault(die.id, []).append(bend.number)
            known[die.id] = die
            fits[die.id] = fits.get(die.id, True) and row.die_fits
    return tuple(
        DieSetUp(
            id=name,
            name=die.name,
            tube_outside_diameter=die.tube_outside_diameter,
            radius=die.radius,
            largest_angle=die.largest_angle,
            clamp_length=die.clamp_length,
            pressure_die_length=die.pressure_die_length,
            mark_offset=die.mark_offset,
            has_angle_marks=die.has_angle_marks,
            fits=fits[name],
            bends=tuple(made[name]),
        )
        for name, die in known.items()
    )


# --- findings ------------------------------------------------------------------------------------


def _methods(parts: _Parts, work: Work) -> tuple[str, ...]:
    layout = next(iter(parts.layouts.values()))
    own = ["order-of-work", "roll-in-the-bender", "leg-to-apex", "reach-of-the-part-ahead"]
    if any(_stretches_otherwise(die, work) for die in parts.dies):
        own.append("length-by-other-stretch")
    others = (layout, parts.length, parts.criterion, parts.capacity)
    return tuple(dict.fromkeys([*own, *(name for one in others for name in one.methods)]))


def _findings(
    tube: Tube, machine: Machine, work: Work, parts: _Parts, rows: Sequence[SheetBend]
) -> tuple[Finding, ...]:
    """All findings, what blocks first; the same one of two calculations stands once."""
    found: dict[tuple[str, int | None], Finding] = {}
    mine = (
        *_grip_findings(parts, rows),
        *_stretch_findings(parts, work),
        *_left_out_findings(parts, rows),
    )
    for one in (*_layout_findings(parts, rows), *parts.capacity.findings, *mine):
        found.setdefault((one.code, one.bend), one)
    for one in parts.criterion.findings:
        found.setdefault((one.code, one.bend), one)
    if machine.bender.brace_from is None:
        found["brace_not_stated", None] = Finding(
            "brace_not_stated", "ok", value=Amount(tube.outside_diameter, "length")
        )
    return tuple(sorted(found.values(), key=lambda one: ORDER.index(one.severity)))


def _layout_findings(parts: _Parts, rows: Sequence[SheetBend]) -> Iterator[Finding]:
    """Of each layout, what it says of the whole and of the bends that its own die makes."""
    of_bend = {row.bend: row.die for row in rows}
    for die, layout in parts.layouts.items():
        for one in layout.findings:
            if one.bend is None or of_bend[one.bend] == die:
                yield one


def _grip_findings(parts: _Parts, rows: Sequence[SheetBend]) -> Iterator[Finding]:
    for row, die in zip(rows, parts.dies, strict=True):
        if die is None:
            continue
        needed = die.clamp_length
        if needed is not None and row.gauge.straight < needed:
            value, limit = Amount(row.gauge.straight, "length"), Amount(needed, "length")
            if row.step == 1:  # nothing but the end is before it: another cure
                yield Finding("clamp_reaches_end", "needs_care", row.bend, value, limit)
            else:
                yield Finding("clamp_reaches_bend", "needs_care", row.bend, value, limit)
        needed = die.pressure_die_length
        if needed is not None and row.tube_behind < needed:
            value, limit = Amount(row.tube_behind, "length"), Amount(needed, "length")
            yield Finding("pressure_die_past_tube", "needs_care", row.bend, value, limit)


def _left_out_findings(parts: _Parts, rows: Sequence[SheetBend]) -> Iterator[Finding]:
    """Bends that require a mandrel where the sheet sets up none."""
    for row, verdict in zip(rows, parts.criterion.bends, strict=True):
        if row.nose is None and verdict.verdict == "required":
            yield Finding("mandrel_required_not_used", "needs_care", row.bend)


def _stretch_findings(parts: _Parts, work: Work) -> Iterator[Finding]:
    die = next((die for die in parts.dies if _stretches_otherwise(die, work)), None)
    if die is None or die.stretch is None:
        return
    off = _longer(parts, work)
    value, limit = Amount(work.stretch, "percent"), Amount(die.stretch, "percent")
    seen = abs(off) > work.bench.step * work.bench.unit * (1 + SAME_LENGTH)
    severity: Severity = "needs_care" if seen else "ok"
    values: dict[str, Value] = {
        "die": die.name or die.id,
        "difference": Amount(abs(off), "length"),
        "direction": Word("longer" if off > 0 else "shorter"),
    }
    yield Finding("stretch_differs_from_die", severity, None, value, limit, values)


def _stretches_otherwise(die: Die | None, work: Work) -> bool:
    if die is None or die.stretch is None:
        return False
    return not math.isclose(die.stretch, work.stretch, abs_tol=1e-9)


def _longer(parts: _Parts, work: Work) -> float:
    """How much longer the tube comes out by the stretch of the dies, where it is off most, mm."""
    laid_out = work.stretch
    off = accumulate(
        (die.stretch - laid_out) * place.bend.arc
        for die, place in zip(parts.dies, parts.places, strict=True)
        if die is not None and die.stretch is not None
    )
    return max(off, key=abs)
