"""What a leg that came out wrong says of how it was marked, cut or measured.

Bends in the order of the work are numbered 1 … n, legs 1 … n + 1. Where the mark of bend k was
displaced by δk along the straight tube, leg k is off by δk − δ(k−1), and the last leg by the error
of the cut less δn. A cause predicts the errors of all legs; it is held against those that were
measured.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate
from typing import NamedTuple

from service.calc.developed_length import cut_length
from service.calc.fault_case import FaultCase, Found, Scope, Way, silent, within
from service.calc.mark_layout import Place, places
from service.calc.run_geometry import LARGEST_VERTEX_ANGLE, set_back
from service.calc.run_geometry import gain as gain_of
from service.errors import Amount, GeometryError, MissingError, NotDeterminedError, OutOfRangeError
from service.model import Bend, Method, Run

METHODS = (
    Method(
        "fault-leg",
        "Legs off by what a displaced mark, a wrong cut or a wrong measure would make them",
        "leg k off by δk − δ(k−1), the last by δcut − δn; apex mark used as start δ = s; drawn "
        "legs laid out δk = Σ gain before; crank angle laid out R·Δθ; stretch left out "
        "Σ stretch·Rθ",
        "held against measured − wanted within the reading; every leg that was measured counts",
        ("elementary-geometry", "common-practice"),
    ),
)
# What a rule is begun at when its end is worn, and then forgotten, mm; common practice.
RULE_BEGUN_AT = (10.0, 25.4, 100.0)

Amounts = Sequence[float | None]
Errors = tuple[float, ...]


class Variant(NamedTuple):
    """One way in which the legs go wrong.

    Arguments:
        way: key of its text
        errors: of all legs in the order of the work, mm
        step: the bend at which it happened, in the order of the work
        scope: whether it stands in the marks alone or in the cut alone; None where in both
        name: of an end allowance
    """

    way: str
    errors: Errors
    step: int | None = None
    scope: Scope | None = None
    name: str | None = None


@dataclass(frozen=True)
class Legs:
    """The legs of a case in the order of the work; ``primary`` is the number of the wrong one."""

    case: FaultCase
    primary: int

    @cached_property
    def bends(self) -> tuple[Bend, ...]:
        """The bends in the order of the work."""
        return self.case.worked

    @cached_property
    def count(self) -> int:
        """Number of bends."""
        return len(self.bends)

    @cached_property
    def backs(self) -> Amounts:
        """Set-backs; None where there is no vertex."""
        return [set_back(b.radius, b.angle) if _has_vertex(b) else None for b in self.bends]

    @cached_property
    def gains(self) -> Amounts:
        """Gains; None where there is no vertex."""
        return [gain_of(b.radius, b.angle) if _has_vertex(b) else None for b in self.bends]

    @cached_property
    def arcs(self) -> Amounts:
        """Arcs on the unbent tube."""
        return [(1 - self.case.stretch) * bend.arc for bend in self.bends]

    @cached_property
    def springs(self) -> Amounts:
        """Arcs R·Δθ of one springback; None where it is not known."""
        return [
            None if sprung is None else bend.radius * sprung.springback
            for bend, sprung in zip(self.bends, self.case.springs, strict=True)
        ]

    @property
    def front(self) -> float:
        """Allowance at the end that is worked first, mm."""
        ends = self.case.ends
        return ends.length_1 if self.case.measured_from == "end_1" else ends.length_2

    def none(self) -> list[float]:
        """Errors of legs that are all right."""
        return [0.0] * (self.count + 1)

    def of(self, amounts: Amounts, step: int) -> float | None:
        """The amount of the bend made as ``step``; None where there is no such bend."""
        return amounts[step - 1] if 1 <= step <= self.count else None

    # --- patterns --------------------------------------------------------------------------------

    def displaced(self, way: str, shifts: Sequence[float], cut: float = 0.0) -> Variant:
        """Every mark displaced by its own amount, and the cut."""
        before = [0.0, *shifts]
        errors = [after - ahead for ahead, after in zip(before, shifts, strict=False)]
        return Variant(way, (*errors, cut - before[-1]))

    def each(self, way: str, amounts: Amounts) -> Iterable[Variant]:
        """One mistake at every bend, at the far bend of this leg alone, at the near one alone."""
        known = [amount for amount in amounts if amount is not None]
        as_you_go = self.case.measure == "as_you_go"
        if len(known) == self.count:
            yield self.displaced(way, list(accumulate(known)) if as_you_go else known)
        for step in (self.primary, self.primary - 1):
            amount = self.of(amounts, step)
            if amount is not None:
                shifts = [
                    amount if i == step or (as_you_go and i > step) else 0.0 for i in self._steps
                ]
                yield self.displaced(way, shifts)._replace(step=step)

    def onward(self, way: str, amount: float | None, step: int | None) -> Iterable[Variant]:
        """This leg off, and all that follows displaced with it, so that no other leg is off."""
        if amount is not None:
            errors = self.none()
            errors[self.primary - 1] = amount
            yield Variant(way, tuple(errors), step)

    def at_cut(self, way: str, amount: float, name: str | None = None) -> Variant:
        """The cut alone off."""
        errors = self.none()
        errors[-1] = amount
        return Variant(way, tuple(errors), name=name)

    def summed(self, way: str, amounts: Amounts, sign: float = 1.0) -> Iterable[Variant]:
        """What is left out for each bend adds up along the tube: in the marks, the cut, or both."""
        known = [sign * amount for amount in amounts if amount is not None]
        if len(known) < self.count or not known:
            return
        shifts = [0.0, *accumulate(known)]
        yield self.displaced(way, shifts[:-1], shifts[-1])
        yield self.displaced(way, shifts[:-1])._replace(scope="in_marks_only")
        yield self.at_cut(way, shifts[-1])._replace(scope="in_cut_only")

    def reshaped(self, way: str, arcs: Sequence[float], backs: Amounts) -> Variant | None:
        """Marks right, but bends that took another arc and another set-back than drawn."""
        if self.case.measured.legs_to == "tangent":
            backs = [0.0] * self.count
        known = [back for back in backs if back is not None]
        if len(known) < self.count:
            return None
        ahead, behind = [*known, 0.0], [0.0, *(b - a for a, b in zip(arcs, known, strict=True))]
        return Variant(way, tuple(a + b for a, b in zip(ahead, behind, strict=True)))

    @property
    def _steps(self) -> range:
        return range(1, self.count + 1)


def _has_vertex(bend: Bend) -> bool:
    return bend.angle <= LARGEST_VERTEX_ANGLE


def _less(amounts: Amounts, by: Amounts) -> Amounts:
    return [None if a is None or b is None else a - b for a, b in zip(amounts, by, strict=True)]


def _times(amounts: Amounts, factor: float) -> Amounts:
    return [None if amount is None else factor * amount for amount in amounts]


def _added(a: float | None, b: float | None, sign: float = 1.0) -> float | None:
    return None if a is None or b is None else sign * (a + b)


def _times_one(amount: float | None, factor: float) -> float | None:
    return None if amount is None else factor * amount


# --- causes --------------------------------------------------------------------------------------

Variants = Iterable[Variant | None]


def _set_back(legs: Legs) -> Variants:
    backs, near, far = legs.backs, legs.primary - 1, legs.primary
    yield from legs.each("apex_mark_used_as_start", backs)
    yield from legs.each("start_mark_used_as_apex", _times(backs, -1))
    offset = legs.case.die.mark_offset if legs.case.die else 0.0
    if offset:
        at_zero = _less(backs, [offset] * legs.count)
        yield from legs.each("apex_mark_at_zero_mark", at_zero)
        yield from legs.each("zero_mark_at_apex_mark", _times(at_zero, -1))
    before, after = legs.of(backs, near), legs.of(backs, far)
    yield from legs.onward("set_back_not_taken_off", before, near)
    yield from legs.onward("set_back_taken_off_twice", _times_one(before, -1), near)
    yield from legs.onward("both_set_backs_not_taken_off", _added(before, after), None)
    yield from legs.onward("both_set_backs_taken_off_twice", _added(before, after, -1), None)


def _gain(legs: Legs) -> Variants:
    gains, near, far = legs.gains, legs.primary - 1, legs.primary
    yield from legs.summed("gain_not_taken_off", gains)
    yield from legs.summed("gain_taken_off_twice", gains, -1)
    before = legs.of(gains, near)
    yield from legs.onward("gain_of_bend_not_taken_off", before, near)
    yield from legs.onward("gain_of_bend_taken_off_twice", _times_one(before, -1), near)
    if far <= legs.count:
        yield from legs.each("end_laid_out_by_set_back", gains)
        yield from legs.each("gain_taken_off_too_early", _times(gains, -1))


def _half_gain(legs: Legs) -> Variants:
    yield from legs.each("apex_mark_used_as_arc_centre", _times(legs.gains, 0.5))
    yield from legs.each("arc_centre_mark_used_as_apex", _times(legs.gains, -0.5))
    half = _times_one(legs.of(legs.gains, legs.primary - 1), 0.5)
    yield from legs.onward("half_gain_not_taken_off", half, legs.primary - 1)
    yield from legs.onward("half_gain_taken_off_twice", _times_one(half, -1), legs.primary - 1)


def _die_offset(legs: Legs) -> Variants | Found:
    if legs.case.die is None:
        return silent("die_unknown", "/die")
    offset = [legs.case.die.mark_offset] * legs.count
    return (
        *legs.each("die_offset_left_out", _times(offset, -1)),
        *legs.each("die_offset_the_wrong_way", _times(offset, -2)),
        *legs.each("die_offset_counted_twice", offset),
    )


def _springback(legs: Legs) -> Variants | Found:
    near, far = legs.primary - 1, legs.primary
    steps = [step for step in (near, far) if 1 <= step <= legs.count]
    if any(legs.of(legs.springs, step) is None for step in steps):
        return silent("springback_unknown", "/springback", "/tube/material")
    return tuple(_springback_variants(legs, near))


def _springback_variants(legs: Legs, near: int) -> Variants:
    springs = legs.springs
    yield from legs.summed("springback_arc_laid_out", springs)
    yield from legs.summed("springback_arc_taken_off", springs, -1)
    before = legs.of(springs, near)
    yield from legs.onward("springback_arc_of_bend_laid_out", before, near)
    yield from legs.onward("springback_arc_of_bend_taken_off", _times_one(before, -1), near)
    yield from legs.each("springback_arc_before_the_bend", springs)
    yield from legs.each("springback_arc_taken_before_the_bend", _times(springs, -1))
    yield _crank_angle_layout(legs)


def _crank_angle_layout(legs: Legs) -> Variant | None:
    """The whole layout made with crank angles: more set-back, more gain at every bend."""
    starts, gains = [], []
    for bend, sprung in zip(legs.bends, legs.case.springs, strict=True):
        if sprung is None or sprung.set_angle > LARGEST_VERTEX_ANGLE:
            return None
        starts.append(set_back(bend.radius, sprung.set_angle) - set_back(bend.radius, bend.angle))
        gains.append(gain_of(bend.radius, sprung.set_angle) - gain_of(bend.radius, bend.angle))
    summed = [0.0, *accumulate(gains)]
    shifts = [-start - before for start, before in zip(starts, summed, strict=False)]
    return legs.displaced("crank_angle_laid_out", shifts, -summed[-1])


def _end_allowance(legs: Legs) -> Variants | Found:
    ends, first = legs.case.ends, legs.case.measured_from == "end_1"
    front, rear = (ends.end_1, ends.end_2) if first else (ends.end_2, ends.end_1)
    if not front and not rear and not ends.trim:
        return silent("allowances_unknown", "/ends")
    found: list[Variant] = []
    for allowance in front:
        for sign, way in ((-1.0, "allowance_left_out"), (1.0, "allowance_counted_in")):
            shifts = [sign * allowance.length] * legs.count
            found.append(legs.displaced(way, shifts, shifts[0])._replace(name=allowance.name))
            marks = legs.displaced(way, shifts)
            found.append(marks._replace(name=allowance.name, scope="in_marks_only"))
    for allowance in rear:
        found.append(legs.at_cut("allowance_left_out", -allowance.length, allowance.name))
        found.append(legs.at_cut("allowance_counted_in", allowance.length, allowance.name))
    swap = (ends.length_2 - ends.length_1) * (1 if first else -1)
    found.append(legs.displaced("allowances_changed_over", [swap] * legs.count))
    found.append(legs.at_cut("trim_still_on", ends.trim))
    found.append(legs.at_cut("trim_left_out", -ends.trim))
    return found


def _stretch(legs: Legs) -> Variants | Found:
    used, die = legs.case.stretch, legs.case.die
    of_die = die.stretch if die else None
    if not used and not of_die:
        return silent("stretch_unknown", "/stretch", "/die")
    found: list[Variant] = []
    rates = {
        "stretch_left_out": used or of_die or 0.0,
        "stretch_counted_but_absent": -used,
        "stretch_of_the_die_differs": (of_die - used) if of_die is not None and used else 0.0,
    }
    for way, rate in rates.items():
        amounts = [rate * bend.arc for bend in legs.bends]
        found += [*legs.summed(way, amounts)]
        found += [*legs.onward(way, legs.of(amounts, legs.primary - 1), legs.primary - 1)]
    return found


def _arc(legs: Legs) -> Variants:
    arcs, backs = legs.arcs, legs.backs
    yield from legs.each("end_mark_used_as_start", arcs)
    yield from legs.each("start_mark_used_as_end", _times(arcs, -1))
    yield from legs.each("arc_centre_mark_used_as_start", _times(arcs, 0.5))
    yield from legs.each("start_mark_used_as_arc_centre", _times(arcs, -0.5))
    yield from legs.each("end_mark_used_as_apex", _less(arcs, backs))
    yield from legs.each("apex_mark_used_as_end", _less(backs, arcs))


def _wrong_end(legs: Legs) -> Variants | Found:
    case = legs.case
    if case.run is None:
        return silent("run_unknown", "/run")
    at = _places(legs)
    cut = cut_length(case.run, case.stretch, case.ends)
    wanted = wanted_legs(legs)
    found: list[Variant | None] = [
        *legs.each("mark_from_the_other_end", [cut - 2 * place.start for place in at]),
        *legs.each(
            "mark_from_the_other_end_turned", [cut - 2 * place.start - place.arc for place in at]
        ),
    ]
    if wanted is not None:
        turned = tuple(b - a for a, b in zip(wanted, reversed(wanted), strict=True))
        found.append(Variant("legs_from_the_other_end", turned))
    return found


def _places(legs: Legs) -> list[Place]:
    return places(legs.bends, legs.case.stretch, legs.front)


def _other_radius(legs: Legs) -> Variants | Found:
    die, measured = legs.case.die, legs.case.measured.radius
    if die is None and measured is None:
        return silent("radius_made_unknown", "/die", "/measured/radius")
    found: list[Variant | None] = []
    if die is not None:
        found.append(_with_radii(legs, "die_of_another_radius", [die.radius] * legs.count))
    if measured is not None:
        made = [
            measured if legs.case.number_of(step) == legs.case.number else bend.radius
            for step, bend in enumerate(legs.bends, 1)
        ]
        found.append(_with_radii(legs, "radius_as_measured", made))
    return found


def _with_radii(legs: Legs, way: str, radii: Sequence[float]) -> Variant | None:
    more = [radius - bend.radius for radius, bend in zip(radii, legs.bends, strict=True)]
    arcs = [by * bend.angle for by, bend in zip(more, legs.bends, strict=True)]
    backs = [
        by * math.tan(bend.angle / 2) if _has_vertex(bend) else None
        for by, bend in zip(more, legs.bends, strict=True)
    ]
    return legs.reshaped(way, arcs, backs)


def _other_angle(legs: Legs) -> Variants | Found:
    measured, step = legs.case.measured.angle, legs.case.step
    if measured is None or not 1 <= step <= legs.count:
        return silent("angle_not_measured", "/measured/angle")
    bend = legs.bends[step - 1]
    arcs, backs = [0.0] * legs.count, [0.0] * legs.count
    arcs[step - 1] = bend.radius * (measured - bend.angle)
    if _has_vertex(bend) and measured <= LARGEST_VERTEX_ANGLE:
        back = set_back(bend.radius, measured) - set_back(bend.radius, bend.angle)
        backs[step - 1] = back
    variant = legs.reshaped("angle_as_measured", arcs, backs)
    return (variant._replace(step=step),) if variant else ()


def _sprung_open(legs: Legs) -> Variants | Found:
    """Arc length is kept as the bend springs open: R to R/K, so the set-back grows."""
    if any(sprung is None for sprung in legs.case.springs):
        return silent("springback_unknown", "/springback", "/tube/material")
    radii, arcs, backs = [], [], []
    for bend, sprung in zip(legs.bends, legs.case.springs, strict=True):
        share = sprung.proportional if sprung else 0.0
        radii.append(bend.radius * share / (1 - share))
        # the drawn angle at the opened radius has taken more tube than drawn
        arcs.append(radii[-1] * bend.angle)
        backs.append(radii[-1] * math.tan(bend.angle / 2) if _has_vertex(bend) else None)
    return (legs.reshaped("radius_sprung_open", arcs, backs),)


def _to_surface(legs: Legs) -> Variants:
    half = legs.case.tube.outside_diameter / 2
    # an end leg has one bend to measure over, a leg between bends two
    over = [half if leg in (1, legs.count + 1) else 2 * half for leg in range(1, legs.count + 2)]
    for sign, way in ((1.0, "measured_over_the_outside"), (-1.0, "measured_from_the_inside")):
        yield Variant(way, tuple(sign * amount for amount in over))
        yield from legs.onward(way, sign * half, min(legs.primary, legs.count))


def _begun_rule(legs: Legs) -> Variants:
    for amount in RULE_BEGUN_AT:
        for sign in (1.0, -1.0):
            yield legs.displaced("rule_begun_further_on", [sign * amount] * legs.count)
            yield from legs.onward("rule_begun_further_on", sign * amount, None)


CAUSES: Mapping[str, Callable[[Legs], Variants | Found]] = {
    "leg_off_by_set_back": _set_back,
    "leg_off_by_gain": _gain,
    "leg_off_by_half_gain": _half_gain,
    "leg_off_by_die_offset": _die_offset,
    "leg_off_by_springback": _springback,
    "leg_off_by_end_allowance": _end_allowance,
    "leg_off_by_stretch": _stretch,
    "leg_off_by_arc": _arc,
    "leg_from_wrong_end": _wrong_end,
    "leg_with_another_radius": _other_radius,
    "leg_with_another_angle": _other_angle,
    "leg_sprung_open": _sprung_open,
    "leg_measured_to_the_surface": _to_surface,
    "leg_from_a_begun_rule": _begun_rule,
}


# --- what was measured ---------------------------------------------------------------------------


def check_legs(case: FaultCase) -> None:
    """Refuse legs that this case cannot have.

    Raises:
        OutOfRangeError: no such leg, or a leg twice
        NotDeterminedError: a wanted length beside a run, which gives it
        MissingError: no wanted length and no run
        GeometryError: a leg to an apex that is not there, as at 180°
    """
    bends = len(case.worked) or 1
    seen: set[int] = set()
    for index, one in enumerate(case.measured.legs):
        where = ("measured", "legs", index)
        if one.leg > bends + 1 or one.leg in seen:
            code = "fault_leg_twice" if one.leg in seen else "fault_leg_unknown"
            raise OutOfRangeError(code, (*where, "leg"), {"value": one.leg, "most": bends + 1})
        seen.add(one.leg)
        _check_wanted(case, one.leg, one.wanted, where)


def _check_wanted(
    case: FaultCase, leg: int, wanted: float | None, where: tuple[str | int, ...]
) -> None:
    if case.run is None:
        if wanted is None:
            raise MissingError("fault_wanted_leg_missing", (*where, "wanted"), {"leg": leg})
        return
    if wanted is not None:
        raise NotDeterminedError("fault_wanted_leg_with_run", (*where, "wanted"), {"leg": leg})
    near = case.run.bends[max(leg - 2, 0) : leg]
    if case.measured.legs_to == "apex" and not all(map(_has_vertex, near)):
        raise GeometryError("fault_leg_without_apex", (*where, "leg"), {"leg": leg})


def wanted_leg(case: FaultCase, run: Run, leg: int) -> float:
    """Length of a leg of the run, from end 1, mm: its straight, and to the apex its set-backs.

    Arguments:
        leg: from 1; leg n + 1 closes a run of n bends

    Raises:
        GeometryError: a bend beside it has no vertex
    """
    straights = [*(bend.straight for bend in run.bends), run.last_straight]
    if case.measured.legs_to == "tangent":
        return straights[leg - 1]
    near = run.bends[max(leg - 2, 0) : leg]
    return straights[leg - 1] + math.fsum(set_back(bend.radius, bend.angle) for bend in near)


def wanted_legs(legs: Legs) -> list[float] | None:
    """All legs wanted, in the order of the work, mm; None where a vertex or the run is missing."""
    run = legs.case.run
    if run is None or not all(map(_has_vertex, run.bends)):
        return None
    lengths = [wanted_leg(legs.case, run, leg) for leg in range(1, legs.count + 2)]
    return lengths if legs.case.measured_from == "end_1" else lengths[::-1]


def leg_deviations(case: FaultCase) -> tuple[tuple[int, float], ...]:
    """Number from end 1, and measured less wanted in mm, of every leg; the wrong one first."""
    found = []
    for one in case.measured.legs:
        wanted = one.wanted
        if wanted is None and case.run is not None:
            wanted = wanted_leg(case, case.run, one.leg)
        if wanted is not None:
            found.append((one.leg, one.measured - wanted))
    return tuple(found)


class _Observed(NamedTuple):
    """The wrong leg and its deviation, and the others'; numbers in the order of the work."""

    primary: int
    off: float
    others: Mapping[int, float]


def _observed(case: FaultCase) -> _Observed | Found:
    deviations = leg_deviations(case)
    if not deviations:
        return silent("legs_not_measured", "/measured/legs")
    if not case.worked:
        return silent("bend_unknown", "/angle", "/radius", "/run")
    count, first = len(case.worked), case.measured_from == "end_1"
    by_leg = {leg if first else count + 2 - leg: off for leg, off in deviations}
    (primary, off), *others = by_leg.items()
    if within(off, case.reading.length):
        value, limit = Amount(off, "length"), Amount(case.reading.length, "length")
        return Found("nothing_to_explain", "silent", value, limit)
    return _Observed(primary, off, dict(others))


class _Fit(NamedTuple):
    """How well one variant explains the legs."""

    variant: Variant
    residual: float
    fits: bool
    others_fit: bool


def _fits(case: FaultCase, cause: str, seen: _Observed) -> list[_Fit] | Found:
    """All variants of a cause that make more of the leg than the reading, the best first."""
    if cause not in case.kept:
        case.kept[cause] = _fitted(case, cause, seen)
    found: list[_Fit] | Found = case.kept[cause]
    return found


def _fitted(case: FaultCase, cause: str, seen: _Observed) -> list[_Fit] | Found:
    made = CAUSES[cause](Legs(case, seen.primary))
    if isinstance(made, Found):
        return made
    reading, fits = case.reading.length, []
    for variant in made:
        if variant is None or within(variant.errors[seen.primary - 1], reading):
            continue
        residual = abs(seen.off - variant.errors[seen.primary - 1])
        others = all(
            within(off - variant.errors[leg - 1], reading) for leg, off in seen.others.items()
        )
        fits.append(_Fit(variant, residual, within(residual, reading), others))
    fits.sort(key=lambda fit: (not fit.fits, not fit.others_fit, round(fit.residual, 9)))
    return fits


def leg_amount(case: FaultCase, cause: str) -> Found:
    """Deviation of the leg against what the cause would make it."""
    seen = _observed(case)
    if isinstance(seen, Found):
        return seen
    fits = _fits(case, cause, seen)
    if isinstance(fits, Found):
        return fits
    case.used.append("fault-leg")
    off = Amount(seen.off, "length")
    if not fits:
        return Found("leg_amount_too_small", "contradicts", off)
    fitting = [fit for fit in fits if fit.fits and fit.others_fit == fits[0].others_fit]
    nearest = (fitting or sorted(fits, key=lambda fit: round(fit.residual, 9)))[0]
    return Found(
        "leg_amount_fits" if fitting else "leg_amount_does_not_fit",
        "supports" if fitting else "contradicts",
        off,
        _way(case, nearest, seen).amount,
        residual=nearest.residual,
        ways=tuple(_way(case, fit, seen) for fit in _distinct(fitting)),
    )


def _way(case: FaultCase, fit: _Fit, seen: _Observed) -> Way:
    variant = fit.variant
    amount = Amount(variant.errors[seen.primary - 1], "length")
    bend = None if variant.step is None else case.number_of(variant.step)
    values = {} if variant.name is None else {"name": variant.name}
    return Way(variant.way, amount, bend, variant.scope, values)


def _distinct(fits: Iterable[_Fit]) -> Iterable[_Fit]:
    """Each way once: with one bend, or at an end, several patterns are the same."""
    found: dict[tuple[object, ...], _Fit] = {}
    for fit in fits:
        variant = fit.variant
        errors = tuple(round(error, 9) for error in variant.errors)
        found.setdefault((variant.way, variant.name, errors), fit)
    return found.values()


def other_legs(case: FaultCase, cause: str) -> Found:
    """The other legs measured against what the same cause would make them."""
    seen = _observed(case)
    if isinstance(seen, Found):
        return seen
    if not seen.others:
        return silent("other_legs_not_measured", f"/measured/legs/{len(case.measured.legs)}")
    fits = _fits(case, cause, seen)
    if isinstance(fits, Found):
        return fits
    if not fits or not fits[0].fits:
        return silent("other_legs_not_asked")
    if fits[0].others_fit:
        return Found("other_legs_fit", "supports")
    return Found("other_legs_do_not_fit", "contradicts")


# --- other evidence ------------------------------------------------------------------------------

# Which cause stands for a mark of the tube set at another mark of the die.
_MIXED: Mapping[frozenset[str], str] = {
    frozenset({"apex", "start"}): "leg_off_by_set_back",
    frozenset({"apex", "zero_mark"}): "leg_off_by_set_back",
    frozenset({"apex", "arc_centre"}): "leg_off_by_half_gain",
    frozenset({"start", "zero_mark"}): "leg_off_by_die_offset",
}


def telling_legs(case: FaultCase, causes: Iterable[str]) -> tuple[int, ...]:
    """Legs not measured yet, from end 1, that these causes would change differently.

    Arguments:
        causes: ids of causes; those that explain no leg are left out
    """
    seen = _observed(case)
    if isinstance(seen, Found):
        return ()
    found = [_fits(case, cause, seen) for cause in causes if cause in CAUSES]
    best = [fits[0].variant.errors for fits in found if not isinstance(fits, Found) and fits]
    if len(best) < 2:
        return ()
    count, limit = len(case.worked), 2 * case.reading.length
    unlike = [
        leg
        for leg, errors in enumerate(zip(*best, strict=True), 1)
        if leg != seen.primary and leg not in seen.others and max(errors) - min(errors) > limit
    ]
    first = case.measured_from == "end_1"
    return tuple(sorted(leg if first else count + 2 - leg for leg in unlike))


def mark_reference(case: FaultCase, cause: str) -> Found:
    """The mark on the tube and the mark of the die that it was set at."""
    marked, set_at = case.set_up.marked, case.set_up.set_at
    if marked is None or set_at is None:
        missing = ["/set_up/marked"] * (marked is None) + ["/set_up/set_at"] * (set_at is None)
        return silent("mark_reference_unknown", *missing)
    if marked == set_at:
        return Found("mark_set_at_its_own", "contradicts")
    if _MIXED.get(frozenset({marked, set_at}), "leg_off_by_arc") == cause:
        return Found("mark_set_at_another", "supports")
    return Found("marks_mixed_otherwise", "contradicts")


def end_marked_from(case: FaultCase) -> Found:
    """The end that marks were measured from against the one they are laid out from."""
    if case.set_up.marked_from is None:
        return silent("end_marked_from_unknown", "/set_up/marked_from")
    if case.set_up.marked_from == case.measured_from:
        return Found("marked_from_the_right_end", "contradicts")
    return Found("marked_from_the_other_end", "supports")


def slip_side(case: FaultCase) -> Found:
    """Whether slip in the clamp can have this sign: it shortens the leg that is clamped."""
    seen = _observed(case)
    if isinstance(seen, Found):
        return seen
    clamped = seen.off < 0 and seen.primary <= len(case.worked)
    behind = seen.off > 0 and seen.primary > 1
    if clamped or behind:
        return Found("slip_has_this_sign", "supports", Amount(seen.off, "length"))
    return Found("slip_has_the_other_sign", "contradicts", Amount(seen.off, "length"))


def legs_trade(case: FaultCase) -> Found:
    """Whether the leg on the other side of the bend gained what this one lost."""
    seen = _observed(case)
    if isinstance(seen, Found):
        return seen
    across = seen.primary + 1 if seen.off < 0 else seen.primary - 1
    if not 1 <= across <= len(case.worked) + 1:
        return Found("slip_has_the_other_sign", "contradicts", Amount(seen.off, "length"))
    if across not in seen.others:
        return silent("other_legs_not_measured", f"/measured/legs/{len(case.measured.legs)}")
    other, limit = seen.others[across], 2 * case.reading.length
    value, opposite = Amount(other, "length"), Amount(-seen.off, "length")
    if within(other + seen.off, limit):
        return Found("legs_traded", "supports", value, opposite)
    return Found("legs_did_not_trade", "contradicts", value, opposite)


def marked_as_you_go(case: FaultCase) -> Found:
    """Whether each mark was measured from the bend before, so that errors add up."""
    if case.measure == "from_end":
        return Found("marked_from_one_end", "contradicts")
    if case.measured.legs and case.worked:
        first = 1 if case.measured_from == "end_1" else len(case.worked) + 1
        if case.measured.legs[0].leg == first:
            return Found("first_leg_adds_up_nothing", "contradicts")
    return Found("marked_bend_by_bend", "supports")


TESTS: Mapping[str, Callable[[FaultCase], Found]] = {
    "end_marked_from": end_marked_from,
    "slip_side": slip_side,
    "legs_trade": legs_trade,
    "marked_as_you_go": marked_as_you_go,
}
CAUSE_TESTS: Mapping[str, Callable[[FaultCase, str], Found]] = {
    "leg_amount": leg_amount,
    "other_legs": other_legs,
    "mark_reference": mark_reference,
}
