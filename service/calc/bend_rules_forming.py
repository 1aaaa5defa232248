"""What a review asks of each bend by itself: die, reach, mandrel, load, wall, roundness, rating.

Nothing is computed here: the calculations that own these answers are called, and each of their
answers becomes a check with its limit and its cures. A bend is judged by radius and angle alone, so
that a radius which was judged once need not be judged again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from service.calc.bend_limits import OvalityLimit, WallLimit
from service.calc.bend_order import BendToMake
from service.calc.bend_quality import BendForm, bend_quality
from service.calc.bend_rules import (
    Check,
    Cure,
    NotChecked,
    Reason,
    ReviewCase,
    Rule,
    above,
    amount,
    below,
    length,
    radii_at_hand,
    same_radius,
)
from service.calc.bend_wall import FormedBend, MeasuredBend
from service.calc.capacity_check import (
    BendCapacity,
    CapacityCheck,
    SpringbackFrom,
    capacity_check,
)
from service.calc.mandrel_criterion import (
    BendVerdict,
    MandrelCriterion,
    QualityDemand,
    mandrel_criterion,
)
from service.calc.mark_layout import springback_laws
from service.calc.pressure_rating import BendRating, PressureRating, pressure_rating
from service.errors import Amount, NoMethodError, OutOfRangeError, Word
from service.model import Die, Finding, Method, Severity, TubeSize

METHODS = (
    Method(
        "review-next-radius",
        "Nearest radius at hand that satisfies a rule",
        "the same calculation for each die made for this tube, from the radius drawn outwards",
        "dies that the bender lists; intersection points stay",
        ("shop-profile", "derived-here"),
    ),
)
# How many radii on either side are tried for a cure; a shop seldom has more for one tube.
MOST_RADII = 6
WHOLE = Amount(1.0, "percent")
# What a rating refuses about one bend, which a review reports instead.
_NOT_RATED = {"no_wall_left_in_bend", "bend_too_tight_to_rate"}


class Formed(NamedTuple):
    """What is known of one bend by radius and angle.

    Arguments:
        die: the die to take, the nearest where none fits; None where there is none
        die_fits: whether it is made for tube and radius
        rod_lead: lead of the mandrel nose to reckon the rod with, mm; None without a mandrel
        springback_from: what the set angle rests on
    """

    bend: int
    radius: float
    die: Die | None
    die_fits: bool
    set_angle: float | None
    utilisation: float | None
    mandrel: str
    rod_lead: float | None
    springback_from: SpringbackFrom
    checks: tuple[Check, ...]


class FormedBends(NamedTuple):
    """All bends, what holds for the whole tube, and what the calculations said they used."""

    bends: tuple[Formed, ...]
    checks: tuple[Check, ...]
    not_checked: tuple[NotChecked, ...]
    methods: tuple[str, ...]


class _Answers(NamedTuple):
    capacity: CapacityCheck
    mandrel: MandrelCriterion
    quality: tuple[BendForm, ...] | None
    rating: PressureRating | None
    ratings: tuple[BendRating | None, ...]
    methods: tuple[str, ...]


def formed_bends_of(case: ReviewCase, sizes: Sequence[TubeSize] = ()) -> FormedBends:
    """Judge every bend of the run under review, with cures where a rule is not satisfied.

    Of a run without a bend what holds for the whole tube is judged all the same.

    Arguments:
        case: the case; its bends by radius and angle, whatever the straights
        sizes: standard sizes, to name a wall that would do
    """
    bends = tuple(
        BendToMake(number, bend.radius, bend.angle) for number, bend in enumerate(case.run.bends, 1)
    )
    if not bends:
        return _without_bends(case, sizes)
    answers = _answers(case, bends, case.quality.measured)
    judged = [_judged(case, answers, index, bend) for index, bend in enumerate(bends)]
    whole = _tube_checks(case, answers.capacity.findings, answers.rating)
    wall = _standard_wall(case, [*whole, *(c for one in judged for c in one.checks)], sizes)
    cured = _with_cures(case, judged, wall)
    whole = tuple(_with_wall(check, wall) for check in whole)
    return FormedBends(cured, whole, tuple(_not_checked(case, answers)), answers.methods)


def _without_bends(case: ReviewCase, sizes: Sequence[TubeSize]) -> FormedBends:
    """What holds for a straight tube: the range of the bender, and the rating."""
    bench, used = case.bench, ["die-at-hand"]
    capacity = capacity_check(case.tube, bench.bender, bench.dies, (), ratings=())
    rating: PressureRating | None = None
    if case.quality.pressure is not None:
        rating, _ = _ratings(case, (), ())
        used += rating.methods
    whole = _tube_checks(case, capacity.findings, rating)
    wall = _standard_wall(case, whole, sizes)
    missing = tuple(_not_checked_without_bends(case))
    return FormedBends(
        (), tuple(_with_wall(check, wall) for check in whole), missing, tuple(dict.fromkeys(used))
    )


def judged_at(case: ReviewCase, bends: Sequence[BendToMake]) -> tuple[Formed, ...]:
    """Judge bends at radii that were not drawn: nothing was measured on them; no cures."""
    if not bends:
        return ()
    answers = _answers(case, bends, ())
    return tuple(_judged(case, answers, index, bend) for index, bend in enumerate(bends))


# --- the calculations that are called ------------------------------------------------------------


def _answers(
    case: ReviewCase, bends: Sequence[BendToMake], measured: Sequence[MeasuredBend]
) -> _Answers:
    bench, quality = case.bench, case.quality
    capacity = capacity_check(
        case.tube,
        bench.bender,
        bench.dies,
        bends,
        ratings=bench.ratings,
        strength=case.strength,
        springback=case.springback,
        terms=case.terms,
    )
    mandrel = mandrel_criterion(
        case.tube,
        bends,
        limits=bench.mandrel_limits,
        tool=bench.mandrel_tool,
        quality=QualityDemand(measured=tuple(measured), stretch=case.stretch),
    )
    used = [*capacity.methods, *mandrel.methods]
    formed = [FormedBend(bend.radius, bend.angle) for bend in bends]
    forms: tuple[BendForm, ...] | None = None
    rating: PressureRating | None = None
    ratings: tuple[BendRating | None, ...] = (None,) * len(bends)
    if quality.required_wall is not None or measured:
        answer = bend_quality(
            case.tube,
            formed,
            measured=measured,
            stretch=case.stretch,
            deduction=quality.deduction,
            required_wall=quality.required_wall,
            pressure_side=quality.pressure_side,
            standards=quality.standards,
            wall_table=quality.wall_table,
        )
        forms, used = answer.bends, [*used, *_limit_methods(answer.bends)]
    if quality.pressure is not None:
        rating, ratings = _ratings(case, formed, measured)
        used += rating.methods
    return _Answers(capacity, mandrel, forms, rating, ratings, tuple(dict.fromkeys(used)))


def _limit_methods(forms: Iterable[BendForm]) -> Iterable[str]:
    for form in forms:
        yield from (limit.method for limit in form.ovality_limits if limit.value is not None)
        yield from (limit.method for limit in form.wall_limits if limit.limit is not None)


def _ratings(
    case: ReviewCase, bends: Sequence[FormedBend], measured: Sequence[MeasuredBend]
) -> tuple[PressureRating, tuple[BendRating | None, ...]]:
    """The rating of the straight tube, and that of each bend; None for one that has none."""

    def rate(some: Sequence[FormedBend], gauged: Sequence[MeasuredBend]) -> PressureRating:
        demand, quality = case.quality.pressure, case.quality
        assert demand is not None  # the caller looked
        return pressure_rating(
            case.tube,
            demand.stress,
            bends=some,
            measured=gauged,
            stretch=case.stretch,
            deduction=quality.deduction,
            pressure=demand.pressure,
        )

    try:
        answer = rate(bends, measured)
        return answer, answer.bends
    except (NoMethodError, OutOfRangeError) as error:
        if error.code not in _NOT_RATED:
            raise
    by_bend = {one.bend: one for one in measured}
    return rate((), ()), tuple(
        _rated_alone(rate, bend, by_bend.get(number)) for number, bend in enumerate(bends, 1)
    )


def _rated_alone(
    rate: Callable[[Sequence[FormedBend], Sequence[MeasuredBend]], PressureRating],
    bend: FormedBend,
    gauged: MeasuredBend | None,
) -> BendRating | None:
    try:
        return rate((bend,), () if gauged is None else (gauged._replace(bend=1),)).bends[0]
    except (NoMethodError, OutOfRangeError) as error:
        if error.code not in _NOT_RATED:
            raise
        return None


# --- the tube as a whole -------------------------------------------------------------------------


def _tube_checks(
    case: ReviewCase, findings: Sequence[Finding], rating: PressureRating | None
) -> tuple[Check, ...]:
    in_range, demand = _range_check(findings), case.quality.pressure
    if demand is None or rating is None:
        return (in_range,)
    rated = next(p for p in rating.straight if p.method == "pressure-b31-3")
    return in_range, _pressure_check(demand.pressure, rated.pressure, None)


def _range_check(findings: Sequence[Finding]) -> Check:
    found = next(f for f in findings if f.code in _RANGE)
    severity, least, cure = _RANGE[found.code]
    which = {"which": Word("range_least" if least else "range_greatest")}
    cures = (Cure("outside_diameter", found.limit),) if cure else ()
    return Check(
        "tube_in_bender_range",
        "review_tube_outside_bender",
        severity,
        found.value,
        found.limit,
        least=least,
        cures=cures,
        values=which,
    )


_RANGE: dict[str, tuple[Severity, bool, bool]] = {
    "tube_below_bender_range": ("blocks", True, True),
    "tube_above_bender_range": ("blocks", False, True),
    "tube_within_bender_range": ("ok", False, False),
}


def _not_checked(case: ReviewCase, answers: _Answers) -> Iterable[NotChecked]:
    quality, drive, capacity = case.quality, case.bench.bender.drive, answers.capacity
    gauged = [one for one in quality.measured if one.largest_diameter is not None]
    unknown = capacity.utilisation is None
    predicted_none = any(row.springback_from == "none" for row in capacity.bends)
    missing: tuple[tuple[bool, Rule, Reason], ...] = (
        (not case.bench.dies, "radius_at_hand", "not_stated"),
        (predicted_none, "set_angle", "no_springback"),
        (unknown, "capacity", "not_stated"),
        (unknown or not (drive and drive.comfortable_force), "crank_force", "not_stated"),
        (quality.largest_thinning is None, "thinning", "not_asked"),
        (quality.required_wall is None, "wall_for_pressure", "not_asked"),
        (len(gauged) < len(case.run.bends), "ovality", "not_measured"),
        (quality.pressure is None, "pressure", "not_asked"),
    )
    return [NotChecked(rule, reason) for absent, rule, reason in missing if absent]


_OF_A_BEND: tuple[Rule, ...] = (
    "radius_at_hand",
    "set_angle",
    "mandrel",
    "capacity",
    "crank_force",
)


def _not_checked_without_bends(case: ReviewCase) -> Iterable[NotChecked]:
    quality = case.quality
    yield from (NotChecked(rule, "no_bend") for rule in _OF_A_BEND)
    asked: tuple[tuple[bool, Rule, Reason], ...] = (
        (quality.largest_thinning is not None, "thinning", "not_asked"),
        (quality.required_wall is not None, "wall_for_pressure", "not_asked"),
        (bool(quality.measured), "ovality", "not_measured"),
    )
    yield from (NotChecked(rule, "no_bend" if wanted else no) for wanted, rule, no in asked)
    if quality.pressure is None:
        yield NotChecked("pressure", "not_asked")


# --- one bend ------------------------------------------------------------------------------------


def _judged(case: ReviewCase, answers: _Answers, index: int, bend: BendToMake) -> Formed:
    row, verdict = answers.capacity.bends[index], answers.mandrel.bends[index]
    die = next((die for die in case.bench.dies if die.id == row.die), None)
    form = None if answers.quality is None else answers.quality[index]
    checks = [
        *_die_checks(case, row, die),
        *_angle_checks(case, row, die),
        *_load_checks(case, row),
        _mandrel_check(case, verdict),
        *_thinning_checks(case, verdict),
        *_limit_checks(case, form, bend.number),
    ]
    demand = case.quality.pressure
    if demand is not None:
        rated = answers.ratings[index]
        pressure = None if rated is None else rated.pressure
        checks.append(_pressure_check(demand.pressure, pressure, bend.number))
    return Formed(
        bend=bend.number,
        radius=bend.radius,
        die=die,
        die_fits=row.die_fits,
        set_angle=row.set_angle,
        utilisation=row.utilisation,
        mandrel=verdict.verdict,
        rod_lead=verdict.lead.largest if verdict.lead else None,
        springback_from=row.springback_from,
        checks=tuple(checks),
    )


def _die_checks(case: ReviewCase, row: BendCapacity, die: Die | None) -> Iterable[Check]:
    if die is None:
        return
    if not radii_at_hand(case.tube, case.bench.dies):
        value, limit = length(case.tube.outside_diameter), length(die.tube_outside_diameter)
        code, cure = "review_no_die_for_tube", Cure("outside_diameter", limit)
        values = {"die": die.id}
        yield Check(
            "radius_at_hand",
            code,
            "blocks",
            value,
            limit,
            row.bend,
            least=None,
            cures=(cure,),
            values=values,
        )
        return
    value, limit = length(row.radius), length(die.radius)
    severity: Severity = "ok" if row.die_fits else "blocks"
    code = "review_no_die_for_radius"
    yield Check("radius_at_hand", code, severity, value, limit, row.bend, least=None)


def _angle_checks(case: ReviewCase, row: BendCapacity, die: Die | None) -> Iterable[Check]:
    most = case.bench.bender.largest_angle
    if die is not None and row.die_fits:
        most = min(most, die.largest_angle)
    limit = Amount(most, "angle")
    if row.set_angle is None:
        yield Check(
            "set_angle", "review_springs_back_too_far", "blocks", None, limit, row.bend, least=False
        )
        return
    value, too_far = Amount(row.set_angle, "angle"), above(row.set_angle, most)
    cures = (Cure("angle", Amount(_largest_finished(case, row, most), "angle")),) * too_far
    yield Check(
        "set_angle",
        "review_set_angle_out_of_reach",
        "blocks" if too_far else "ok",
        value,
        limit,
        row.bend,
        least=False,
        cures=cures,
        values={"angle": amount(row.angle, "angle")},
    )


def _largest_finished(case: ReviewCase, row: BendCapacity, most: float) -> float:
    """The finished angle that the largest set angle gives, rad."""
    if row.springback_from == "given":
        laws = springback_laws(case.springback)
        law = laws[row.radius] if row.radius in laws else laws[None]
        return max(most - law.constant - law.proportional * most, 0.0)
    # the prediction is a share of the angle
    return most * (row.angle or 0.0) / (row.set_angle or 1.0)


def _load_checks(case: ReviewCase, row: BendCapacity) -> Iterable[Check]:
    if row.utilisation is not None and row.utilisation_least is not None:
        yield _capacity_check(row, row.utilisation_least, row.utilisation)
    drive = case.bench.bender.drive
    if row.crank is not None and drive is not None and drive.comfortable_force is not None:
        force, limit = row.crank.force_largest, drive.comfortable_force
        yield Check(
            "crank_force",
            "review_crank_heavy",
            "needs_care" if above(force, limit) else "ok",
            Amount(force, "force"),
            Amount(limit, "force"),
            row.bend,
            least=False,
        )


def _capacity_check(row: BendCapacity, least: float, largest: float) -> Check:
    severity: Severity = "ok"
    code, shown = "review_load_may_pass_capacity", largest
    if above(least, 1.0):
        severity, code, shown = "blocks", "review_load_above_capacity", least
    elif above(largest, 1.0):
        severity = "needs_care"
    cures: tuple[Cure, ...] = ()
    if severity != "ok" and row.largest_wall is not None and row.largest_wall > 0:
        cures = (Cure("thinner_wall", length(row.largest_wall)),)
    value = Amount(shown, "percent")
    return Check("capacity", code, severity, value, WHOLE, row.bend, least=False, cures=cures)


def _mandrel_check(case: ReviewCase, row: BendVerdict) -> Check:
    at_hand = case.bench.mandrel_at_hand and case.bench.mandrel_tool is not None
    severity: Severity = "ok" if row.verdict == "not_needed" else "needs_care"
    code, limit = "review_mandrel_advised", row.not_needed_from_wall_ratio
    cures: list[Cure] = []
    if row.verdict == "required":
        code = "review_mandrel_required" if at_hand else "review_mandrel_missing"
        severity = "needs_care" if at_hand else "blocks"
    if severity != "ok":
        cures = [Cure("mandrel")] * at_hand
        if row.least_wall is not None and below(case.tube.wall_thickness, row.least_wall):
            cures.append(Cure("thicker_wall", length(row.least_wall)))
    value = Amount(case.tube.wall_ratio, "percent")
    ratio = {"bend_ratio": Amount(row.bend_ratio, "ratio")}
    return Check(
        "mandrel",
        code,
        severity,
        value,
        amount(limit, "percent"),
        row.bend,
        cures=tuple(cures),
        values=ratio,
    )


def _thinning_checks(case: ReviewCase, row: BendVerdict) -> Iterable[Check]:
    most = case.quality.largest_thinning
    if most is None:
        return
    value, thinned = row.form.thinning, above(row.form.thinning, most)
    yield Check(
        "thinning",
        "review_wall_thins_too_much",
        "blocks" if thinned else "ok",
        Amount(value, "percent"),
        Amount(most, "percent"),
        row.bend,
        least=False,
        values={
            "how": Word("measured" if row.form.outer_wall_measured else "thinner_of_two_bounds")
        },
    )


def _limit_checks(case: ReviewCase, form: BendForm | None, bend: int) -> Iterable[Check]:
    """Checks from the named standards; where the caller named none, none of them blocks."""
    if form is None:
        return
    severe: Severity = "needs_care" if case.quality.standards is None else "blocks"
    for limit in form.ovality_limits:
        if limit.value is not None and limit.verdict in ("within", "outside"):
            yield _ovality_check(limit, severe, bend)
    for wall in form.wall_limits:
        if wall.verdict in ("within", "outside"):
            yield _wall_check(wall, severe, bend)


def _ovality_check(limit: OvalityLimit, severe: Severity, bend: int) -> Check:
    outside = limit.verdict == "outside"
    return Check(
        "ovality",
        "review_not_round_enough",
        severe if outside else "ok",
        amount(limit.value, "percent"),
        Amount(limit.limit, "percent"),
        bend,
        least=False,
        cures=(Cure("mandrel"),) * outside,
        values={"standard": limit.standard},
    )


def _wall_check(limit: WallLimit, severe: Severity, bend: int) -> Check:
    outside = limit.verdict == "outside"
    cures: tuple[Cure, ...] = ()
    if outside and limit.limit is not None and limit.place == "before_bending":
        cures = (Cure("thicker_wall", length(limit.limit)),)
    return Check(
        "wall_for_pressure",
        "review_wall_too_thin",
        severe if outside else "ok",
        length(limit.value),
        amount(limit.limit, "length"),
        bend,
        cures=cures,
        values={"standard": limit.standard, "place": Word(f"wall_{limit.place}")},
    )


def _pressure_check(wanted: float, rated: float | None, bend: int | None) -> Check:
    limit = Amount(wanted, "pressure")
    if rated is None:
        return Check("pressure", "review_bend_not_rated", "blocks", None, limit, bend)
    low = below(rated, wanted)
    return Check(
        "pressure",
        "review_bend_rated_too_low" if bend else "review_tube_rated_too_low",
        "blocks" if low else "ok",
        Amount(rated, "pressure"),
        limit,
        bend,
        cures=(Cure("pressure", Amount(rated, "pressure")),) * low,
    )


# --- cures that another calculation has to confirm -----------------------------------------------

_CURED_BY_RADIUS: dict[Rule, bool] = {
    # rule: whether only a larger radius can help
    "radius_at_hand": False,
    "set_angle": False,
    "mandrel": True,
    "capacity": True,
    "thinning": True,
    "wall_for_pressure": True,
    "pressure": True,
}


def _with_cures(
    case: ReviewCase, judged: Sequence[Formed], wall: float | None
) -> tuple[Formed, ...]:
    failing = [one for one in judged if any(_wants_radius(check) for check in one.checks)]
    others = _at_other_radii(case, failing)
    return tuple(
        one._replace(
            checks=tuple(_cured(check, others.get(one.bend, ()), one, wall) for check in one.checks)
        )
        for one in judged
    )


def _wants_radius(check: Check) -> bool:
    return check.severity != "ok" and check.rule in _CURED_BY_RADIUS


def _at_other_radii(case: ReviewCase, failing: Sequence[Formed]) -> dict[int, list[Formed]]:
    """Each failing bend judged at the radii at hand: larger ones, then smaller, nearest first."""
    at_hand = radii_at_hand(case.tube, case.bench.dies)
    asked: list[BendToMake] = []
    for one in failing:
        other = [r for r in at_hand if not same_radius(r, one.radius)]
        larger = [r for r in other if r > one.radius][:MOST_RADII]
        smaller = [r for r in other if r < one.radius][-MOST_RADII:]
        angle = case.run.bends[one.bend - 1].angle
        asked += [BendToMake(one.bend, r, angle) for r in (*larger, *reversed(smaller))]
    found: dict[int, list[Formed]] = {}
    for formed in judged_at(case, asked):
        found.setdefault(formed.bend, []).append(formed)
    return found


def _cured(check: Check, others: Sequence[Formed], own: Formed, wall: float | None) -> Check:
    if check.severity == "ok":
        return check
    cures = list(check.cures)
    if _wants_radius(check):
        cures = [*_radius_cures(check, others, own), *cures]
    return _with_wall(check._replace(cures=tuple(cures)), wall)


def _with_wall(check: Check, wall: float | None) -> Check:
    """The check, where it fails by the rating with the standard wall as a cure."""
    if check.rule != "pressure" or check.severity == "ok" or wall is None:
        return check
    return check._replace(cures=(*check.cures, Cure("thicker_wall", length(wall))))


def _radius_cures(check: Check, others: Sequence[Formed], own: Formed) -> Iterable[Cure]:
    """The nearest radius at which this rule is satisfied; for a radius not at hand, either side."""
    only_larger = _CURED_BY_RADIUS[check.rule]
    sides = (True,) if only_larger else (True, False)
    for larger in sides:
        for other in others:
            on_side = other.radius > own.radius if larger else other.radius < own.radius
            if on_side and _satisfied(check.rule, other):
                yield Cure("radius", length(other.radius))
                break


def _satisfied(rule: Rule, other: Formed) -> bool:
    return all(check.severity == "ok" for check in other.checks if check.rule == rule)


def _standard_wall(
    case: ReviewCase, checks: Iterable[Check], sizes: Sequence[TubeSize]
) -> float | None:
    """The least standard wall that bears the pressure, bends included; None where not asked."""
    demand = case.quality.pressure
    low = any(check.rule == "pressure" and check.severity != "ok" for check in checks)
    if demand is None or not low:
        return None
    bends = [FormedBend(bend.radius, bend.angle) for bend in case.run.bends]
    try:
        answer = pressure_rating(
            case.tube,
            demand.stress,
            bends=bends,
            stretch=case.stretch,
            deduction=case.quality.deduction,
            pressure=demand.pressure,
            sizes=sizes,
        )
    except (NoMethodError, OutOfRangeError):
        return None
    found = answer.wanted.standard_wall if answer.wanted else None
    return found.wall_thickness if found else None
