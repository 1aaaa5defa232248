"""Where each mark goes on the straight, unbent tube, how far to roll it and how far to crank.

All positions lie along the unbent tube, from the cut end that the caller measures from; the
allowance at that end is part of them. Bending lengthens the tube by ``stretch`` of arc length, so
an arc takes (1 − stretch)·R·θ of straight tube.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal, NamedTuple

from service.calc.developed_length import NO_ALLOWANCES, Ends, check_stretch, cut_length
from service.calc.run_geometry import LARGEST_VERTEX_ANGLE, check_run, reverse
from service.errors import Amount, NotDeterminedError, OutOfRangeError
from service.model import Bend, Die, End, Finding, Method, Run, Tube

Measure = Literal["from_end", "as_you_go"]
INCH = 25.4

METHODS = (
    Method(
        "mark-layout",
        "Marks on the straight tube",
        "start = allowance + Σ straights before + Σ(1 − stretch)·Rθ before; "
        "end = start + (1 − stretch)·Rθ; apex = start + R·tan(θ/2)",
        "every run; an apex only below 179.4°",
        ("elementary-geometry",),
    ),
    Method(
        "rotation-arc",
        "Rotation as arc length on the outside of the tube",
        "arc = rotation·D/2",
        "round tube",
        ("elementary-geometry",),
    ),
    Method(
        "crank-angle",
        "Crank angle with springback",
        "crank = (θ + a)/(1 − b): the tube springs back by a + b·crank",
        "a and b from the shop's own trial bends with this tube and die",
        ("derived-here", "common-practice"),
    ),
)


@dataclass(frozen=True, slots=True)
class Springback:
    """Springback of one die and tube: Δθ = constant + proportional·(set angle), rad and fraction.

    ``radius`` names the die radius it holds for; None holds for every radius not named. ``band`` is
    the half width in which one more bend falls, rad, where the trials tell.
    """

    constant: float
    proportional: float
    radius: float | None = None
    band: float | None = None


@dataclass(frozen=True, slots=True)
class Bench:
    """What the rule and the protractor at the bench show.

    Arguments:
        unit: the rule's unit in mm, 1 or 25.4
        step: marks are rounded to this once, in the rule's unit
        angle_step: rad
    """

    unit: float = 1.0
    step: float = 0.5
    angle_step: float = math.radians(0.5)


# Rows are named tuples: they are made forty at a time for each request, and a frozen dataclass
# takes four times as long to make.
class Mark(NamedTuple):
    """A distance along the tube: exact, rounded to the bench step, and as the rule shows it."""

    exact: float
    bench: float
    label: str


class Turn(NamedTuple):
    """An angle: exact, and rounded to the bench step, rad."""

    exact: float
    bench: float


class Roll(NamedTuple):
    """Rotation from the bend made before: angle, the same from the first bend, arc on the outside.

    ``arc`` carries the sign of the angle, mm.
    """

    angle: float
    from_first: float
    arc: Mark


class BendMarks(NamedTuple):
    """One bend in the order of the work."""

    step: int
    bend: int
    measured_from: str
    start: Mark
    arc_centre: Mark
    end: Mark
    apex: Mark | None
    zero_mark: Mark
    rotation: Roll
    angle: float
    radius: float
    crank: Turn
    straight_before: float


@dataclass(frozen=True, slots=True)
class MarkLayout:
    """The whole layout: cut length, then every bend in the order of the work."""

    measured_from: End
    cut_length: Mark
    bends: tuple[BendMarks, ...]
    last_straight: float
    methods: tuple[str, ...]
    findings: tuple[Finding, ...] = field(default=())


class Place(NamedTuple):
    """A bend on the unbent tube: its number in the order of the work, start and arc in mm."""

    number: int
    bend: Bend
    start: float
    arc: float

    @property
    def set_back(self) -> float | None:
        """R·tan(θ/2), mm; None where there is no vertex."""
        angle = self.bend.angle
        if angle > LARGEST_VERTEX_ANGLE:
            return None
        return self.bend.radius * math.tan(angle / 2)


def places(bends: Iterable[Bend], stretch: float, allowance: float) -> list[Place]:
    """Places of the bends on the unbent tube, in the order given.

    start = allowance + Σ straights + Σ(1 − stretch)·Rθ of the bends before.

    Arguments:
        stretch: fraction of arc length by which bending lengthens the tube
        allowance: tube added at the end that marks are measured from, mm
    """
    at, placed = allowance, []
    for number, bend in enumerate(bends, 1):
        start = at + bend.straight
        arc = (1 - stretch) * bend.radius * bend.angle
        placed.append(Place(number, bend, start, arc))
        at = start + arc
    return placed


@dataclass(frozen=True, slots=True)
class _Job:
    """What holds for every bend of the layout."""

    tube_radius: float
    mark: Callable[[float], Mark]
    angle_step: float
    offset: float
    springback: dict[float | None, Springback]


def mark_layout(
    run: Run,
    tube: Tube,
    *,
    measured_from: End = "end_1",
    measure: Measure = "from_end",
    bench: Bench,
    stretch: float = 0.0,
    ends: Ends = NO_ALLOWANCES,
    springback: Sequence[Springback] = (),
    die: Die | None = None,
    mark_offset: float | None = None,
) -> MarkLayout:
    """Lay out the marks of a run.

    start = allowance + Σ straights before + Σ(1 − stretch)·Rθ before; the arc centre lies half an
    arc on, the apex R·tan(θ/2) on; zero mark = start + offset; crank = (θ + a)/(1 − b).

    Arguments:
        run: bend table from end 1, mm and rad
        measured_from: the end from which work proceeds; from end 2 the order turns round and
            rotations keep their sign
        measure: ``from_end`` (all from the cut end, so that errors do not add) or ``as_you_go``
            (each from the end tangent of the bend made before)
        bench: rounding of rule and protractor; each value is rounded once, from the exact one
        stretch: fraction of arc length, 0–0.2
        ends: allowances, mm
        springback: per die radius; the one without a radius holds for the rest
        die: gives the mark offset and the largest set angle
        mark_offset: overrides the die's: zero mark minus start of bend, mm, positive towards
            the bend

    Raises:
        OutOfRangeError: an absurd bend or stretch, springback of the whole angle or more
        NotDeterminedError: two springbacks for one radius

    Source: elementary geometry; springback and stretch are the shop's own figures.
    """
    check_run(run, tube.outside_diameter)
    check_stretch(stretch)
    offset = mark_offset if mark_offset is not None else (die.mark_offset if die else 0.0)
    mark = marker(bench)
    laws = springback_laws(springback)
    job = _Job(tube.outside_diameter / 2, mark, bench.angle_step, offset, laws)
    forward = measured_from == "end_1"
    worked = run if forward else reverse(run)
    rows: list[BendMarks] = []
    rolled, datum, datum_name = 0.0, 0.0, str(measured_from)
    for place in places(worked.bends, stretch, ends.length_1 if forward else ends.length_2):
        number = place.number if forward else len(run.bends) + 1 - place.number
        rolled += place.bend.rotation
        rows.append(_marks(place, number, datum, datum_name, rolled, job))
        if measure == "as_you_go":
            datum, datum_name = place.start + place.arc, f"bend_{number}"
    cut = cut_length(run, stretch, ends)
    return MarkLayout(
        measured_from=measured_from,
        cut_length=mark(cut),
        bends=tuple(rows),
        last_straight=run.last_straight if measured_from == "end_1" else _first_straight(run),
        methods=("mark-layout", "rotation-arc") + ("crank-angle",) * bool(springback),
        findings=(*_springback_findings(rows, laws), *_findings(rows, cut, measure, die)),
    )


def _first_straight(run: Run) -> float:
    return run.bends[0].straight if run.bends else run.last_straight


def springback_laws(given: Sequence[Springback]) -> dict[float | None, Springback]:
    """Laws by die radius; raises NotDeterminedError when two hold for one radius."""
    by_radius: dict[float | None, Springback] = {}
    for index, one in enumerate(given):
        if one.radius in by_radius:
            radius = None if one.radius is None else Amount(one.radius, "length")
            raise NotDeterminedError("springback_twice", ("springback", index), {"radius": radius})
        by_radius[one.radius] = one
    return by_radius


def _marks(
    place: Place, number: int, datum: float, datum_name: str, rolled: float, job: _Job
) -> BendMarks:
    bend, mark, back = place.bend, job.mark, place.set_back
    at = place.start - datum
    crank = crank_angle(bend, job.springback, place.number - 1)
    start = mark(at)
    return BendMarks(
        place.number,
        number,
        datum_name,
        start,
        mark(at + place.arc / 2),
        mark(at + place.arc),
        None if back is None else mark(at + back),
        mark(at + job.offset) if job.offset else start,
        Roll(bend.rotation, wrap(rolled), mark(bend.rotation * job.tube_radius)),
        bend.angle,
        bend.radius,
        Turn(crank, _to_step(crank, job.angle_step)),
        bend.straight,
    )


def crank_angle(bend: Bend, by_radius: dict[float | None, Springback], index: int) -> float:
    """Set angle from which the tube springs back to θ: (θ + a)/(1 − b), rad.

    Raises:
        OutOfRangeError: b of 1 or more, or an answer past 360°
    """
    law = by_radius.get(bend.radius) or by_radius.get(None)
    if law is None:
        return bend.angle
    crank = (
        (bend.angle + law.constant) / (1 - law.proportional) if law.proportional < 1 else math.inf
    )
    if not 0 < crank < 2 * math.pi:
        raise OutOfRangeError(
            "springback_absurd",
            ("springback",),
            {"bend": index + 1, "value": Amount(crank, "angle")},
        )
    return crank


def wrap(angle: float) -> float:
    """The same direction in (−π, π]."""
    wrapped = math.remainder(angle, 2 * math.pi)
    return math.pi if wrapped == -math.pi else wrapped


def marker(bench: Bench) -> Callable[[float], Mark]:
    """The function that reads a distance in mm off the rule: nearest step, halves away from zero.

    Rounding away from zero at a half is how a person reads a rule; round() would go to the even
    step. Dividing by a whole number of steps a unit keeps 0.3 from becoming 0.30000000000000004.
    """
    unit, step, inch = bench.unit, bench.step, bench.unit == INCH
    per_unit = 1 / step
    whole, floor = per_unit.is_integer(), math.floor

    def mark(exact: float) -> Mark:
        steps = exact / unit / step
        count = floor(steps + 0.5) if steps >= 0 else -floor(0.5 - steps)
        reading = count / per_unit if whole else count * step
        label = _inch_label(reading, per_unit) if inch else f"{reading:.10g} mm"
        return Mark(exact, reading * unit, label)

    def millimetre_mark(exact: float) -> Mark:
        # the same for a whole number of steps a millimetre: most of the time of a layout is here
        steps = exact * per_unit
        reading = (floor(steps + 0.5) if steps >= 0 else -floor(0.5 - steps)) / per_unit
        return new(Mark, (exact, reading, f"{reading:.10g} mm"))

    new = tuple.__new__
    return millimetre_mark if whole and unit == 1.0 else mark


def _to_step(value: float, step: float) -> float:
    return math.floor(value / step + 0.5) * step


def _inch_label(reading: float, per_inch: float) -> str:
    if not per_inch.is_integer():
        return f"{reading:.10g} in"
    sign = "−" if reading < 0 else ""
    whole, rest = divmod(round(abs(reading) * per_inch), int(per_inch))
    if not rest:
        return f"{sign}{whole} in"
    part = Fraction(rest, int(per_inch))
    return f"{sign}{whole} {part} in" if whole else f"{sign}{part} in"


def _springback_findings(
    rows: Sequence[BendMarks], laws: Mapping[float | None, Springback]
) -> list[Finding]:
    """Bends that are cranked to the finished angle, for want of a springback; one a radius."""
    if not laws:
        return [Finding("springback_not_given", "needs_care")] if rows else []
    if None in laws:
        return []
    without = {row.radius: row for row in reversed(rows) if row.radius not in laws}
    return [
        Finding("springback_of_other_radius", "needs_care", row.bend, Amount(row.radius, "length"))
        for row in reversed(without.values())
    ]


def _findings(
    rows: Sequence[BendMarks], cut: float, measure: Measure, die: Die | None
) -> list[Finding]:
    found = []
    if measure == "as_you_go" and len(rows) > 1:
        found.append(Finding("errors_add_up", "needs_care"))
    for row in rows:
        if row.apex is None:
            found.append(Finding("no_vertex_at_bend", "ok", row.bend, Amount(row.angle, "angle")))
        if measure == "from_end" and not 0 <= row.zero_mark.exact <= cut:
            found.append(_off_tube(row, cut))
        found += _die_findings(row, die)
    return found


def _off_tube(row: BendMarks, cut: float) -> Finding:
    value = Amount(row.zero_mark.exact, "length")
    return Finding("mark_off_tube", "blocks", row.bend, value, Amount(cut, "length"))


def _die_findings(row: BendMarks, die: Die | None) -> list[Finding]:
    if die is None:
        return []
    found = []
    if row.crank.exact > die.largest_angle:
        value, limit = Amount(row.crank.exact, "angle"), Amount(die.largest_angle, "angle")
        found.append(Finding("crank_past_die", "blocks", row.bend, value, limit))
    if not math.isclose(row.radius, die.radius, rel_tol=1e-3):
        radius, of_die = Amount(row.radius, "length"), Amount(die.radius, "length")
        found.append(Finding("die_radius_differs", "blocks", row.bend, radius, of_die))
    return found
